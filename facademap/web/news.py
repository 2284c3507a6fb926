"""What changed since a page asked last: worked out once for all the pages that ask for the same."""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Callable

from facademap.errors import ProjectError
from facademap.store.changes import changes_after, newest_change
from facademap.store.project import Project
from facademap.store.team import limit_now
from facademap.store.told_rows import changed_places, rows_as_json
from facademap.tables import TABLES
from facademap.tables.settings import is_desk_setting
from facademap.web.desk import Desk

__all__ = ["News"]

#: Changes that are caught up with at once, and edits that are told with their words.
MOST_NEWS, MOST_EDITS_TOLD = 20_000, 50
#: Answers that are kept. Pages that wait wake together and ask alike; one that was away asks for something of its own.
KEPT = 8
#: A page that was away so many changes asks alone; the others do not wait for its long answer.
FAR_BEHIND = 200


class News:
    """Answers to *what changed after this number*, each kept as long as nothing else changes.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._kept: OrderedDict[tuple[int, int], bytes] = OrderedDict()
        self._one_at_a_time = threading.Lock()

    def of(self, after: int) -> bytes:
        """Rows and edits after a number, as JSON.

        Parameters
        ----------
        after : int
            Number of the last change that the page knows.

        Returns
        -------
        bytes
        """
        if self._desk.seq() - after > FAR_BEHIND or limit_now() is not None:
            return _news(self._desk.reading(), after, self._desk.seq)
        with self._one_at_a_time:
            # the number is read before the rows, and from the file, which other programs change too: what comes in
            # between is told again, never lost
            reader = self._desk.reading()
            key = (after, newest_change(reader))
            told = self._kept.get(key)
            if told is None:
                told = _news(reader, after, self._desk.seq)
                self._kept[key] = told
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return told


def _news(reader: Project, after: int, seq: Callable[[], int]) -> bytes:
    """Rows that were changed, as they stand now, each once; the text of a row goes through as the store wrote it."""
    last, found = changed_places(reader, after, most=MOST_NEWS)
    places = [(t, i) for t, i in found if t in TABLES and (t != "settings" or is_desk_setting(i))]
    asked: dict[str, list[str]] = {}
    for name, row_id in places:
        asked.setdefault(name, []).append(row_id)
    told = {name: _readable_rows(reader, name, ids) for name, ids in asked.items()}
    edits = [
        {
            "txn": c.txn,
            "at": c.at,
            "who": c.who,
            "what": c.what,
            "table": c.table,
            "id": c.id,
            "op": c.op,
        }
        for c in changes_after(reader, max(after, last - MOST_EDITS_TOLD), most=MOST_EDITS_TOLD)
        if c.seq <= last
    ]
    head = {"seq": last if found else max(after, seq()), "edits": edits}
    text = json.dumps(head, ensure_ascii=False, separators=(",", ":"))
    rows = ",".join(_row_told(name, i, told[name].get(i)) for name, i in places)
    return f'{text[:-1]},"rows":[{rows}]}}'.encode()


def _readable_rows(reader: Project, name: str, ids: list[str]) -> dict[str, tuple[int, str]]:
    """Rows as text; one that cannot be read is as one that is gone, so that the others still arrive."""
    try:
        return rows_as_json(reader, name, ids)
    except ProjectError:
        if len(ids) == 1:
            if not any(d.row == ids[0] for d in reader.damage(name)):
                raise  # not the row, but the file
            return {}
    half = len(ids) // 2
    return _readable_rows(reader, name, ids[:half]) | _readable_rows(reader, name, ids[half:])


def _row_told(table: str, row_id: str, told: tuple[int, str] | None) -> str:
    rev, row = told or ("null", "null")
    return f'{{"table":"{table}","id":{json.dumps(row_id)},"rev":{rev},"row":{row}}}'
