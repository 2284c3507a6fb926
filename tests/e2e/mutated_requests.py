"""Requests to every address of the survey desk, after its description and then spoilt, each from one number.

The same number over the same project gives the same request. Used by the tests with few fixed numbers and by
``benchmarks/request_fuzz.py`` with as many as asked for.
"""

from __future__ import annotations

import copy
import json
import math
import random
import re
import string
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.web.described import describe

DESCRIBED = describe()
#: A server's fault of its own is told so; nothing else may be.
DISGUISED = ("could not be worked out", "fault of its own", "Traceback", 'File "/', "/facademap/")

JUNK: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1, 2**31, 2**53, -(2**63), 10**17, 0.5, -1e300, 1e308, 5e-324),
    *(
        "",
        " ",
        "\0",
        "a\0b",
        "NaN",
        "null",
        "../../etc/passwd",
        "C:\\x",
        "%s%n",
        "{{7*7}}",
        "²",
        "\ufeff",
    ),
    *(
        "<script>alert(1)</script>",
        "'; DROP TABLE conditions;--",
        "\u202eevil",
        "é" * 300,
        "x" * 5000,
    ),
    *(
        "new:1",
        "new:",
        "2026-13-45",
        "2026-02-30T25:61:00",
        "1e309",
        "=1+1",
        "\N{PILE OF POO}",
        "a/b",
        ".",
    ),
    *(
        [],
        {},
        [[]],
        [None],
        {"": None},
        [1, "x", None],
        {"id": 1},
        [[[[[[1]]]]]],
        {"__proto__": {}},
    ),
)
RAW = (
    *(
        b"",
        b"{",
        b"[",
        b"null",
        b"[]",
        b"0",
        b'"x"',
        b"\xff\xfe",
        b"\xed\xa0\x80",
        b'{"a":NaN}',
        b'{"a":1e999}',
    ),
    *(
        b"[" * 5000,
        b'{"key":"\\ud800"}',
        b'{"a":' + b"9" * 400 + b"}",
        b"\0" * 64,
        b"a=b&c=d",
        b"--x\r\n",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One request."""

    number: int
    method: str
    address: str
    body: bytes | None
    headers: dict[str, str]

    def __str__(self) -> str:
        body = (self.body or b"")[:600].decode("utf-8", "replace")
        return f"#{self.number} {self.method} {self.address[:300]} {self.headers} {body}"


class Requests:
    """Makes them for one project.

    Parameters
    ----------
    folder : Path
        Project whose rows are named and changed.
    leave_out : set of str
        Paths that are not asked.
    """

    def __init__(self, folder: Path, *, leave_out: frozenset[str] = frozenset()) -> None:
        self._folder = folder
        self._paths = [
            (method, path, told)
            for path, methods in sorted(DESCRIBED["paths"].items())
            for method, told in sorted(methods.items())
            if path not in leave_out
        ]
        self.learn()

    def learn(self) -> None:
        """Rows and revisions as they are now."""
        self._rows: dict[str, dict[str, int]] = {}
        with Project.open(self._folder, read_only=True) as project:
            for name in TABLES:
                if name != "settings":
                    ids = list(project.read(name)["id"])[:200]
                    revisions = project.revisions(name)
                    self._rows[name] = {str(i): revisions.get(i, 1) for i in ids}
        self._ids = [i for rows in self._rows.values() for i in rows] or ["C-001"]

    def make(self, number: int) -> Asked:
        """The request of a number."""
        rng = random.Random(number)
        method, path, told = rng.choice(self._paths)
        query = []
        for parameter in told["parameters"]:
            value = self._text(rng, parameter["schema"])
            if parameter["in"] == "path":
                path = path.replace(
                    f"{{{parameter['name']}}}",
                    quote(value, safe="/~" if rng.random() < 0.5 else ""),
                )
            elif rng.random() < 0.8:
                query.append(f"{quote(parameter['name'])}={quote(value, safe='')}")
        if rng.random() < 0.05:
            query.append(quote(str(_junk(rng))))
        address = path + ("?" + "&".join(query) if query else "")
        headers, body = {}, None
        if "requestBody" in told:
            body, headers["content-type"] = self._body(rng, told["requestBody"]["content"])
        method = method.upper()
        if rng.random() < 0.04:
            method = rng.choice(["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD"])
        if rng.random() < 0.06:
            name = rng.choice(
                [
                    "content-type",
                    "cookie",
                    "range",
                    "accept",
                    "authorization",
                    "if-none-match",
                    "origin",
                ]
            )
            headers[name] = rng.choice(
                ["", "x", "bytes=0-", "a=b; c", "Bearer x", "null", "*/*", "\x7f", "image/png"]
            )
        return Asked(number=number, method=method, address=address, body=body, headers=headers)

    # -- after the description ------------------------------------------------------------------

    def _body(self, rng: random.Random, content: dict[str, Any]) -> tuple[bytes, str]:
        if "application/json" not in content:
            kind = rng.choice(sorted(content))
            return rng.choice(RAW) + rng.randbytes(rng.randrange(200)), kind
        if rng.random() < 0.05:
            return rng.choice(RAW), "application/json"
        value = self._after(rng, content["application/json"]["schema"])
        for _ in range(rng.choice((0, 0, 1, 1, 2, 4))):
            value = self._spoil(rng, value)
        body = json.dumps(value).encode()
        if rng.random() < 0.03:
            at = rng.randrange(len(body) + 1)
            body = body[:at] + rng.choice((b"", b"\0", b"}", b"\xff", b",")) + body[at + 1 :]
        return body, "application/json"

    def _after(self, rng: random.Random, schema: Any) -> Any:
        """A value of a schema, as far as our own description uses the language."""
        if not isinstance(schema, dict) or not schema:
            return _junk(rng)
        for name in ("oneOf", "anyOf"):
            if name in schema:
                return self._after(rng, rng.choice(schema[name]))
        if "const" in schema:
            return schema["const"]
        if "enum" in schema:
            return rng.choice(schema["enum"])
        kind = schema.get("type")
        if isinstance(kind, list):
            kind = rng.choice(kind)
        if kind == "object":
            return self._object(rng, schema)
        if kind == "array":
            return self._array(rng, schema)
        if kind == "integer":
            return rng.randint(schema.get("minimum", -5), min(schema.get("maximum", 2**33), 2**33))
        if kind == "number":
            return self._number(rng, schema)
        if kind in ("boolean", "null"):
            return rng.choice([True, False]) if kind == "boolean" else None
        return self._text(rng, schema)

    def _object(self, rng: random.Random, schema: dict[str, Any]) -> Any:
        parts, needed = schema.get("properties", {}), schema.get("required", ())
        chosen = {
            n: s for n, s in parts.items() if n in needed or rng.random() < min(0.5, 4 / len(parts))
        }
        if "coordinates" in parts and rng.random() < 0.85:
            return {
                "type": parts["type"]["const"],
                "coordinates": _coordinates(rng, parts["type"]["const"]),
            }
        value = {n: self._after(rng, s) for n, s in chosen.items()}
        if (
            {"op", "table", "id"} <= value.keys()
            and self._rows.get(value["table"])
            and rng.random() < 0.7
        ):
            # a row that is there, seen as it is, so that what follows is reached
            value["id"] = rng.choice(sorted(self._rows[value["table"]]))
            value["rev"] = self._rows[value["table"]][value["id"]]
        elif {"op", "table", "id"} <= value.keys() and rng.random() < 0.7:
            value["op"], value["id"] = "insert", f"new:{rng.randrange(3)}"
        return value

    def _array(self, rng: random.Random, schema: dict[str, Any]) -> list[Any]:
        if "prefixItems" in schema:
            return [self._after(rng, s) for s in schema["prefixItems"]]
        least = schema.get("minItems", 0)
        count = min(schema.get("maxItems", 9), least + rng.choice((0, 0, 1, 2, 5)))
        return [self._after(rng, schema.get("items")) for _ in range(count)]

    def _number(self, rng: random.Random, schema: dict[str, Any]) -> float:
        low, high = schema.get("minimum", -1e3), schema.get("maximum", 1e3)
        return rng.choice((low, high, 0.0, rng.uniform(low, high), rng.uniform(0, 5), 1e-12))

    def _text(self, rng: random.Random, schema: dict[str, Any]) -> str:
        chance = rng.random()
        if chance < 0.12:
            return str(_junk(rng))
        if "enum" in schema:
            return str(rng.choice(schema["enum"]))
        if schema.get("type") in ("integer", "number"):
            return str(
                rng.choice((0, 1, 2, 5, 90, rng.randrange(300), round(rng.uniform(-1, 1), 3)))
            )
        if "pattern" in schema:
            return "".join(
                rng.choices(string.ascii_lowercase + string.digits, k=rng.choice((8, 20, 64)))
            )
        if schema.get("format") == "date":
            return rng.choice(("2026-03-04", "2026-03-04T10:00:00", "04.03.2026"))
        if chance < 0.7:
            return rng.choice(self._ids)
        return rng.choice(
            (
                "landward",
                "conditions",
                "alga",
                "crack",
                "inset",
                "approved",
                "cut out",
                "1,1,2,2",
                "word",
            )
        )

    def _spoil(self, rng: random.Random, value: Any) -> Any:
        """Junk, loss, doubling or a neighbour's value in one place."""
        places = list(_places(value))
        if not places:
            return _junk(rng)
        holder, key = rng.choice(places)
        act = rng.randrange(5)
        if act == 0 and isinstance(holder, dict):
            del holder[key]
        elif act == 1 and isinstance(holder, list):
            holder.extend([holder[key]] * rng.choice((1, 3, 30)))
        elif act == 2:
            other, name = rng.choice(places)
            holder[key] = (
                json.loads(json.dumps(other[name]))
                if name in other or isinstance(other, list)
                else None
            )
        elif (
            act == 3 and isinstance(holder[key], (int, float)) and not isinstance(holder[key], bool)
        ):
            holder[key] = rng.choice(
                (-holder[key], holder[key] * 1e9, holder[key] + 1, str(holder[key]), [holder[key]])
            )
        else:
            holder[key] = _junk(rng)
        return value


def _junk(rng: random.Random) -> Any:
    """A new one each time: what is spoilt once more must not spoil the list."""
    return copy.deepcopy(rng.choice(JUNK))


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    for key, inner in list(items):
        yield value, key
        yield from _places(inner)


def _coordinates(rng: random.Random, kind: str) -> Any:
    """Outlines of every kind that a hand, a program or an enemy draws."""
    u, v = rng.uniform(0, 12), rng.uniform(0, 7)
    size = rng.choice((0.0, 1e-9, 0.01, 0.3, 0.3, 1.0, 50.0, 1e6))

    def ring() -> list[list[float]]:
        n = rng.choice((3, 4, 4, 5, 8, 40, 300))
        shape = rng.choice(("round", "round", "star", "random", "line", "same", "spike"))
        out = []
        for k in range(n):
            turn = 2 * math.pi * (k * (2 if shape == "star" else 1)) / n
            if shape == "random":
                out.append([u + rng.uniform(-size, size), v + rng.uniform(-size, size)])
            elif shape == "line":
                out.append([u + size * k / n, v])
            elif shape == "same":
                out.append([u, v])
            else:
                reach = size * (3 if shape == "spike" and k == 1 else 1)
                out.append([u + reach * math.cos(turn), v + reach * math.sin(turn)])
        return [*out, out[0]] if rng.random() < 0.95 else out

    if kind == "Point":
        return [u, v]
    if kind == "LineString":
        return ring()
    if kind == "MultiLineString":
        return [ring() for _ in range(rng.randrange(1, 4))]
    if kind == "Polygon":
        return [ring() for _ in range(rng.choice((1, 1, 1, 2, 5)))]
    return [[ring()] for _ in range(rng.choice((1, 2, 6)))]


# -- judging -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What was wrong with an answer; nothing when ``faults`` is empty."""

    asked: Asked
    status: int
    seconds: float
    faults: tuple[str, ...]


def judge(client: Any, asked: Asked, *, newest: Callable[[], int], longest_s: float) -> Verdict:
    """Ask, and look at the answer: no fault of the server's own, a problem and a remedy, and nothing changed by what was refused."""
    before, began = newest(), time.process_time()
    try:
        answer = client.request(
            asked.method, asked.address, content=asked.body, headers=asked.headers
        )
    except Exception as error:  # an error of any kind is what is looked for
        return Verdict(
            asked=asked, status=599, seconds=0.0, faults=(f"{type(error).__name__}: {error}",)
        )
    seconds = time.process_time() - began
    faults = []
    if answer.status_code >= 500:
        faults.append(f"answer {answer.status_code}: {answer.text[:300]}")
    if seconds > longest_s:
        faults.append(f"{seconds:.1f} s of processor time")
    if answer.status_code >= 400 and asked.method != "HEAD":
        text = answer.text
        faults += [f"says {words!r}: {text[:300]}" for words in DISGUISED if words in text]
        try:
            error = answer.json()["error"]
            if not (error["problem"] and error["remedy"]):
                faults.append("no problem or no remedy")
        except (ValueError, KeyError, TypeError):
            faults.append(f"not the shape of an error: {text[:200]}")
        if newest() != before:
            faults.append("refused, and changed the project")
    return Verdict(asked=asked, status=answer.status_code, seconds=seconds, faults=tuple(faults))


def settle(text: str) -> str:
    """A fault without its ids, so that the same ones are counted together."""
    return re.sub(r"[0-9a-f]{8,}|\d+", "N", text)[:140]
