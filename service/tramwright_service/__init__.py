"""Tramwright as a service: the HTTP interface, the command line and the text for people."""

from importlib import metadata


def version() -> str:
    """Return the version of the installed package; `0` where it runs from a source tree that is not installed."""
    try:
        return metadata.version("tramwright")
    except metadata.PackageNotFoundError:
        return "0"
