"""Keys of assessors: on a desk that others reach, what people reached is shown and entered with one alone.

From the shell only the owner of the files reads and writes the book. A desk that people sign in to would open it to whoever has the
secret of the team, those who are assessed among them; the key of an assessor stands there for the owner's rights.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
import secrets
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.whole_files import write_whole
from facademap.tasks.training.kept import FOLDER, book_folder, opened, read_kept, text_kept
from facademap.training import person_of

__all__ = ["give_key", "need_key"]

_KEYS = f"{FOLDER}/keys.json"
#: 20 letters of 5 bits, so that guessing one is hopeless and its digest needs no stretching.
_BYTES = 13


def give_key(folder: str | Path, label: str) -> str:
    """Give an assessor a key, in place of one given before; it is told once, its digest is kept.

    Raises
    ------
    InputError
        Nobody, or no assessor, has that label.
    """
    key = base64.b32encode(secrets.token_bytes(_BYTES)).decode()[:20]
    with opened(folder) as book:
        person_of(book[0], label, role="assessor")
        kept = {**_kept(folder), label: _digest(label, key)}
        write_whole(_KEYS, json.dumps(kept, indent=1), inside=book_folder(folder), private=True)
    return "-".join(key[k : k + 4] for k in range(0, len(key), 4))


def need_key(folder: str | Path, label: str, key: str) -> str:
    """The label of an assessor whose key was given.

    Raises
    ------
    InputError
        It is no assessor, has no key, or another one; which of these is not told.
    """
    plain = "".join(c for c in key.upper() if c.isalnum())
    known = _kept(folder).get(label, "")
    is_right = hmac.compare_digest(known.encode(), _digest(label, plain).encode())
    if is_right:
        with contextlib.suppress(InputError):
            return person_of(read_kept(folder), label, role="assessor")
    raise InputError(
        "this label and key open no results",
        "Ask the office for one: facademap training key.",
    )


def _digest(label: str, key: str) -> str:
    return hashlib.sha256(f"facademap assessor {label} {key}".encode()).hexdigest()


def _kept(folder: str | Path) -> dict[str, str]:
    path = book_folder(folder) / _KEYS
    if not path.exists():
        return {}
    try:
        kept: Any = json.loads(text_kept(path))
        return {str(k): str(v) for k, v in kept.items()}
    except (ValueError, AttributeError):
        raise FileError(
            f"{path}: cannot be read", "Put back a copy, or remove it and give keys anew."
        ) from None
