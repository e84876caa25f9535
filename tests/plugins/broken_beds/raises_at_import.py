"""A plug-in whose module cannot be imported."""

raise RuntimeError("a shared library is missing")
