"""Ways to spoil a file: blindly, and after its format."""

from __future__ import annotations

import io
import json
import os
import random
import re
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

WORDS: tuple[str, ...] = (
    *("", " ", "nan", "inf", "-inf", "1e300", "-1e300", "1e-300", "0", "-0", "-1", "1e400", "9" * 400, "1,5", "1.234,5", "0x10"),
    *("=1+1", "<script>1</script>", "../../x", "a\0b", "x" * 5000, "\ufeff", "é" * 300, "None", "true", "[]", "{}", "²", "١٢", "1_000"),
    *("2026-02-30", "C:\\x", '"', "'", ";", "\t", "\N{PILE OF POO}", "\u202e", "POLYGON EMPTY", "null", "control", "check"),
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 0.5, 1e300, -1e300, float("nan"), float("inf"), 10**400, "", "x", "a\0b", "\ud800", [], {},
    [[]], [None], {"a": None}, [1, 2, 3], "1e300", [[0, 0], [1, 1]], "2026-13-45",
)  # fmt: skip


def spoil(path: Path, rng: random.Random, *, others: list[Path]) -> str:
    """Spoil a file in its place; says how."""
    data = path.read_bytes()
    if rng.random() < 0.06:
        return _strange(path, data, rng, others)
    ways = _ways(path, data)
    way = rng.choice(ways)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        data = way(data, rng)
    path.write_bytes(data)
    return way.__name__.strip("_")


def _ways(path: Path, data: bytes) -> list[Callable[[bytes, random.Random], bytes]]:
    blind = [_flip, _cut, _repeat, _insert]
    if data[:2] == b"PK":
        return [*blind, _member, _member, _member]
    if data[:15] == b"SQLite format 3":
        return [_flip, _cut, *[_database] * 8]
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return [*blind, _flip, _header, _header]
    if text.lstrip()[:1] in ("{", "["):
        return [*blind, _word, *[_json] * 6]
    return [_flip, _cut, _insert, _encode, _line, _line, *[_word] * 6]


def _strange(path: Path, data: bytes, rng: random.Random, others: list[Path]) -> str:
    """Something that is no such file at all."""
    kind = rng.choice(
        (
            "empty",
            "junk",
            "other",
            "other",
            "folder",
            "gone",
            "zeros",
            "pipe",
            "endless",
            "unreadable",
        )
    )
    path.unlink()
    if kind == "empty":
        path.write_bytes(b"")
    elif kind == "junk":
        path.write_bytes(rng.randbytes(rng.choice((1, 7, 300, 5000))))
    elif kind == "other":
        path.write_bytes(rng.choice(others).read_bytes())
    elif kind == "folder":
        path.mkdir()
    elif kind == "zeros":
        path.write_bytes(bytes(2_000_000))
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "endless":
        path.symlink_to("/dev/zero")
    elif kind == "unreadable":
        path.symlink_to(path.name)  # leads to itself
    return kind


def _flip(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 3, 20))):
        if changed:
            changed[rng.randrange(len(changed))] = rng.choice((0, 255, rng.randrange(256)))
    return bytes(changed)


def _header(data: bytes, rng: random.Random) -> bytes:
    """Bytes near the beginning, where sizes and offsets stand."""
    changed = bytearray(data)
    for _ in range(rng.choice((1, 2, 6))):
        at = rng.randrange(min(len(changed), 400)) if changed else 0
        changed[at : at + 4] = rng.choice(
            (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", rng.randbytes(4))
        )
    return bytes(changed)


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))] if data else data


def _repeat(data: bytes, rng: random.Random) -> bytes:
    a, b = sorted(rng.randrange(len(data) + 1) for _ in range(2))
    return data[:b] + data[a : min(b, a + 20_000)] * rng.choice((1, 5, 40)) + data[b:]


def _insert(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice((b"\0", b"\xff\xfe", b"\r", b'"', rng.randbytes(30))) + data[at:]


def _encode(data: bytes, rng: random.Random) -> bytes:
    text = data.decode(errors="replace")
    return text.encode(
        rng.choice(("utf-16", "utf-16-be", "utf-32", "utf-8-sig", "cp037", "latin-1")),
        errors="replace",
    )


def _line(data: bytes, rng: random.Random) -> bytes:
    lines = data.splitlines(keepends=True) or [b""]
    at = rng.randrange(len(lines))
    kind = rng.randrange(5)
    if kind == 0:
        del lines[at]
    elif kind == 1:
        lines[at:at] = [lines[at]] * rng.choice((1, 3, 300))
    elif kind == 2:
        lines[at] = lines[at][: len(lines[at]) // 2]
    elif kind == 3:
        rng.shuffle(lines)
    else:
        lines[at] = lines[at].replace(b",", rng.choice((b";", b"\t", b",,", b""))) + b"\n"
    return b"".join(lines)


def _word(data: bytes, rng: random.Random) -> bytes:
    text = data.decode(errors="replace")
    found = list(re.finditer(r"[A-Za-z0-9_.+\-]+", text))
    if not found:
        return data
    one = rng.choice(found)
    return (text[: one.start()] + rng.choice(WORDS) + text[one.end() :]).encode(errors="replace")


def _json(data: bytes, rng: random.Random) -> bytes:
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return _word(data, rng)
    places: list[tuple[Any, Any]] = []

    def walk(node: Any) -> None:
        entries = node.items() if isinstance(node, dict) else enumerate(node)
        for key, child in list(entries):
            places.append((node, key))
            if isinstance(child, (dict, list)) and len(places) < 4000:
                walk(child)

    if isinstance(value, (dict, list)):
        walk(value)
    if not places:
        return json.dumps(rng.choice(VALUES)).encode(errors="replace")
    node, key = rng.choice(places)
    kind = rng.randrange(8)
    if kind == 0:
        del node[key]
    elif kind == 1 and isinstance(node, list):
        node[key:key] = [node[key]] * rng.choice((1, 50))
    elif kind == 2:
        nested: Any = node[key]
        for _ in range(rng.choice((3, 70, 400))):
            nested = [nested]
        node[key] = nested
    elif kind == 3:
        other, name = rng.choice(places)
        node[key] = json.loads(json.dumps(other[name]))
    else:
        node[key] = rng.choice(VALUES)
    return json.dumps(value).encode(errors="replace")


def _member(data: bytes, rng: random.Random) -> bytes:
    """One file within a packed one, packed again."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            members = {n: packed.read(n) for n in packed.namelist()}
    except (
        zipfile.BadZipFile,
        RuntimeError,
        ValueError,
        NotImplementedError,
        EOFError,
        OSError,
        KeyError,
    ):
        return _flip(data, rng)
    except Exception:  # a spoilt member: zlib says it in its own words
        return _flip(data, rng)
    if not members:
        return data
    name = rng.choice(list(members))
    kind = rng.randrange(10)
    if kind == 0:
        del members[name]
    elif kind == 1:
        members[name] = b"<a>" * 100_000 + members[name]
    elif kind == 2:
        members[rng.choice(("../x", "/x", name + "2", "x" * 300))] = members[name]
    elif kind == 3:
        members[name] = b" " * 60_000_000  # a small bomb
    elif kind == 4:
        entity = b'<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb">' + b"".join(
            b'<!ENTITY b%d "%s">' % (n, b"&b%s;" % (b"" if n == 0 else b"%d" % (n - 1)) * 10)
            for n in range(9)
        )
        members[name] = entity + b"]><a>&b8;</a>"
    elif kind < 8:
        members[name] = _word(members[name], rng)
    else:
        members[name] = _flip(members[name], rng)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for one, content in members.items():
            packed.writestr(one, content)
    return out.getvalue()


def _database(data: bytes, rng: random.Random) -> bytes:
    """Cells, columns, rows and tables of a database, changed as another program would."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        connection.deserialize(data)
        for name, *_ in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            connection.execute(f'DROP TRIGGER "{name}"')
        own = [
            n
            for (n,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table'"
            ).fetchall()
            if not n.startswith(("sqlite_", "rtree_"))
        ]
        full = [n for n in own if connection.execute(f'SELECT 1 FROM "{n}"').fetchone()]
        table = rng.choice(full or own)
        columns = [r[1] for r in connection.execute(f'PRAGMA table_info("{table}")').fetchall()]
        column, kind = rng.choice(columns), rng.randrange(12)
        if kind == 0:
            connection.execute(f'DROP TABLE "{rng.choice(own)}"')
        elif kind == 1:
            for (view,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'view'"
            ).fetchall():
                connection.execute(f'DROP VIEW "{view}"')
            connection.execute(f'ALTER TABLE "{table}" DROP COLUMN "{column}"')
        elif kind == 2:
            connection.execute(
                f'DELETE FROM "{table}" WHERE rowid = (SELECT rowid FROM "{table}" ORDER BY random() LIMIT 1)'
            )
        else:
            rows = [r for (r,) in connection.execute(f'SELECT rowid FROM "{table}"').fetchall()]
            was = connection.execute(
                f'SELECT "{column}" FROM "{table}" WHERE rowid = ?', (row := rng.choice(rows),)
            ).fetchone()[0]
            connection.execute(
                f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = ?', (_cell(was, rng), row)
            )
        return bytes(connection.serialize())
    except sqlite3.Error:
        return _flip(data, rng)
    finally:
        connection.close()


def _cell(was: Any, rng: random.Random) -> Any:
    if isinstance(was, bytes):
        return rng.choice(
            (_flip(was, rng), _header(was, rng), _cut(was, rng), b"", None, "POLYGON")
        )
    if isinstance(was, str) and was[:1] in ("{", "[") and rng.random() < 0.8:
        return _json(was.encode(), rng).decode(errors="replace")
    return rng.choice(
        (
            None,
            "",
            "x",
            -1,
            0,
            1e300,
            float("inf"),
            b"\xff\xfe",
            "[1]",
            "{",
            "../../x",
            "x" * 5000,
            2**62,
        )
    )
