"""What the two stores say differently: the few pieces of SQL that SQLite and PostGIS do not share.

Everything else of the store is written once, in SQL that both take, with ``?`` where a value goes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import shapely

from facademap.tables import Table

__all__ = ["Box", "Connection", "Dialect", "dialect_of", "selected"]

Box = tuple[float, float, float, float]
ToBlob = Callable[[shapely.Geometry | None], bytes | None]


class Connection(Protocol):
    """What the store needs of a connection; that of the standard library's sqlite3 has it."""

    def execute(self, sql: str, values: Any = ..., /) -> Any:
        """Run one statement."""

    def executemany(self, sql: str, rows: Any, /) -> Any:
        """Run one statement for many rows."""

    def close(self) -> None:
        """End it."""

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""


class Dialect(Protocol):
    """The pieces of SQL of one store."""

    #: Whether large edits are drafted on a copy in memory.
    copies: bool
    #: Begins a transaction whose questions all see the same moment.
    begin_reading: str
    #: Gives the outline of a row in the form of a GeoPackage's blob.
    outline: str
    #: Takes an outline in that form.
    outline_mark: str
    #: The texts in a JSON list that is given as one value.
    among: str
    #: Lets the history be changed, and forbids it again.
    lift_promise: str
    keep_promise: str
    #: Numbers of the entries of the history whose contents cannot be read.
    broken_entries: str

    def begin(self, connection: Any) -> None:
        """Begin a transaction that writes; nobody else writes in this project until it ends."""

    def within(self, table: Table, box: Box) -> tuple[str, list[Any]]:
        """Rows whose bounding box meets a box: a condition and its values."""

    def bounds_of_walls(self, table: Table) -> str:
        """Asks for every surface, how many rows of a table lie on it, and the least and largest u and v of their outlines."""

    def folded(self, column: str) -> str:
        """A column compared without regard to case with texts in lower case."""

    def holds(self, column: str) -> str:
        """Whether the JSON list in a column holds a text."""

    def sound_json(self, column: str) -> str:
        """The text of a JSON column where it is sound."""

    def unsound_json(self, columns: Sequence[str]) -> str:
        """Whether any of some JSON columns holds text that is not sound; 0 or false where none does."""

    def turned_on(self, column: str) -> str:
        """Whether an entry of the history turned a yes-or-no column on."""

    def columns_of(self, connection: Any, table_name: str) -> frozenset[str]:
        """Columns that the store has for a table; none where it lacks the table."""

    def to_blob(self, connection: Any, table: Table) -> ToBlob:
        """What makes a blob of an outline of a table."""

    def remake(self, connection: Any, table: Table, columns: tuple[str, ...]) -> list[str]:
        """Make columns of a table again, empty, or the whole table where none is named."""

    def keep_view(
        self, connection: Any, table: Table, surface: str, row: Mapping[str, Any] | None
    ) -> None:
        """Make the layer of one surface fit its row; ``None`` removes it."""

    def after_edit(
        self, connection: Any, touched: Mapping[str, Sequence[shapely.Geometry]]
    ) -> None:
        """What an edit does last, with the tables changed and the outlines added to each."""

    def integrity(self, connection: Any) -> list[str]:
        """What the database engine finds wrong."""


def dialect_of(connection: Any) -> Dialect:
    """The dialect of a connection: its own, or that of the GeoPackage."""
    found: Dialect | None = getattr(connection, "dialect", None)
    if found is None:
        from facademap.store.dialect_geopackage import GEOPACKAGE

        return GEOPACKAGE
    return found


def selected(connection: Any, table: Table) -> str:
    """Every column of a table as a question names them, its outline last."""
    names = ", ".join(f'"{n}"' for n in table.names)
    return f"{names}, {dialect_of(connection).outline}" if table.geometry else names
