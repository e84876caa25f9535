"""How a store of an earlier version becomes one of this: alembic's revisions, in `versions/`."""

HEAD = "0004"
"""The revision that this version of the service works with; a test compares it with the last of `versions/`."""
