"""JSON and TOML that came from elsewhere: plain values, finite numbers of a usable size, not nested without end."""

from __future__ import annotations

import datetime as dt
import json
import math
import tomllib
from collections.abc import Iterator
from typing import Any

from facademap.errors import InputError
from facademap.limits import is_nested_deeper, limits_now, raise_limit

__all__ = ["parse_json", "parse_toml"]

#: What a database and a page can hold.
_LARGEST = 2**63
_HUNDREDS = 10**100


def parse_json(text: str, *, where: str, remedy: str) -> Any:
    """The value of a JSON text.

    Raises
    ------
    InputError
        No JSON, NaN or an endless number, a number of hundreds of digits, or nested deeper than the limit.
    """
    try:
        value = json.loads(text, parse_constant=_refuse_constant)
    except json.JSONDecodeError as error:
        raise InputError(
            f"{where}: is not JSON (line {error.lineno}: {error.msg})", remedy
        ) from None
    except RecursionError:
        raise _too_deep(where, remedy) from None
    except ValueError as error:
        raise InputError(f"{where}: {_in_words(error)}", remedy) from None
    return _plain(value, where, remedy)


def parse_toml(text: str, *, where: str, remedy: str) -> dict[str, Any]:
    """The content of a TOML text; days and times become text.

    Raises
    ------
    InputError
        As of :func:`parse_json`.
    """
    try:
        value = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where}: is not TOML ({error})", remedy) from None
    except RecursionError:
        raise _too_deep(where, remedy) from None
    except (ValueError, OverflowError) as error:
        raise InputError(f"{where}: {_in_words(error)}", remedy) from None
    return {k: _with_days_as_text(v) for k, v in _plain(value, where, remedy).items()}


def _refuse_constant(word: str) -> float:
    raise ValueError(f"holds {word}, which is no number")


def _in_words(error: Exception) -> str:
    text = str(error)
    return text if text.startswith("holds ") else "holds a number that cannot be used"


def _too_deep(where: str, remedy: str) -> InputError:
    return InputError(
        f"{where}: nested more than {limits_now().nested} deep",
        f"{remedy.rstrip('.')}, {raise_limit('nested')}.",
    )


def _plain(value: Any, where: str, remedy: str) -> Any:
    if is_nested_deeper(value, limits_now().nested):
        raise _too_deep(where, remedy)
    for number in _numbers(value):
        if why := _unusable(number):
            raise InputError(f"{where}: holds a number that cannot be used: {why}", remedy)
    return value


def _unusable(number: int | float) -> str:
    if isinstance(number, float):
        return "" if math.isfinite(number) else "it is not finite"
    if abs(number) < _LARGEST:
        return ""
    return "hundreds of digits" if abs(number) >= _HUNDREDS else "more digits than others can hold"


def _numbers(value: Any) -> Iterator[int | float]:
    if isinstance(value, (dict, list)):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from _numbers(inner)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield value


def _with_days_as_text(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _with_days_as_text(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_with_days_as_text(v) for v in value]
    return value.isoformat() if isinstance(value, (dt.date, dt.time)) else value
