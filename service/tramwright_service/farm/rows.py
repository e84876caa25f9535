"""Many rows written by one statement."""

from __future__ import annotations

from operator import itemgetter
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.sql import ClauseElement


class Rows:
    """A statement that writes rows, each told by the values of its parameters, of which it has several.

    It is compiled once and its rows go to the driver: SQLAlchemy works on every value of every row, which takes longer
    than SQLite takes to write them.
    """

    def __init__(self, statement: ClauseElement) -> None:
        self._statement = statement
        self._compiled: dict[str, tuple[str, itemgetter[str]]] = {}

    def write(self, connection: Connection, rows: list[dict[str, Any]]) -> None:
        """Write rows."""
        dialect = connection.dialect
        known = self._compiled.get(dialect.name)
        if known is None:
            compiled: Any = self._statement.compile(dialect=dialect)
            known = self._compiled[dialect.name] = str(compiled), itemgetter(*compiled.positiontup)
        connection.exec_driver_sql(known[0], list(map(known[1], rows)))
