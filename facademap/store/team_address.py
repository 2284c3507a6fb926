"""The address of a project in a database, and the small file by which a folder stands for one.

Pictures and papers lie in a folder; beside them ``project.team`` says where the rows are. It never holds a secret: a password
comes from the environment (``PGPASSWORD``), the file of passwords (``~/.pgpass``) or a service file, as libpq reads them.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, unquote, urlencode, urlsplit

from facademap.errors import FileError, InputError, ProjectError
from facademap.io.whole_files import STORE_NAME, TEAM_FILE, make_folder, write_whole
from facademap.tables.names import as_id

__all__ = [
    "TEAM_FILE",
    "Address",
    "files_folder",
    "is_address",
    "keep_folder",
    "kept_folder",
    "read_address",
    "read_team_file",
    "schema_named",
    "write_team_file",
]

#: Folder under which the pictures of projects that were named by their address alone lie.
FILES_VARIABLE = "FACADEMAP_FILES"
_SCHEMES = ("postgresql://", "postgres://")
#: What an address may say beside its place; anything else is refused, since some of it would be a secret.
_OPTIONS = frozenset(
    {"host", "port", "sslmode", "sslrootcert", "sslcert", "sslkey", "sslcrl", "connect_timeout", "service",
     "target_session_attrs", "channel_binding", "gssencmode"}
)  # fmt: skip
_SSL_MODES = ("disable", "allow", "prefer", "require", "verify-ca", "verify-full")
_SCHEMA = re.compile(r"[a-z_][a-z0-9_]{0,62}")
_REMEDY = "Write postgresql://user@host:5432/database#project."


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where a project lies in a database.

    Parameters
    ----------
    database, host, port, user : str
        Empty for what libpq takes by itself.
    options : mapping
        ``sslmode`` and the like.
    project : str
        Name of the project's schema; empty for the only one.
    """

    database: str
    host: str = ""
    port: str = ""
    user: str = ""
    options: Mapping[str, str] = field(default_factory=dict)
    project: str = ""

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        place = (
            (f"{self.user}@" if self.user else "") + host + (f":{self.port}" if self.port else "")
        )
        more = f"?{urlencode(self.options, safe='/')}" if self.options else ""
        return f"postgresql://{place}/{self.database}{more}" + (
            f"#{self.project}" if self.project else ""
        )

    def words(self) -> dict[str, str]:
        """What libpq is told."""
        named = {"dbname": self.database, "host": self.host, "port": self.port, "user": self.user}
        return {"connect_timeout": "10", **{k: v for k, v in named.items() if v}, **self.options}


def is_address(text: Any) -> bool:
    """Whether a text is the address of a database rather than a folder."""
    return isinstance(text, str) and text.startswith(_SCHEMES)


def read_address(text: str) -> Address:
    """The address in a text. A password in it is kept for this process alone, and in no message.

    Raises
    ------
    InputError
        It is none, or says what an address may not say. The message never repeats it.
    """
    try:
        parts = urlsplit(text)
        port = str(parts.port) if parts.port else ""
        asked = dict(
            parse_qsl(parts.query, keep_blank_values=True, strict_parsing=bool(parts.query))
        )
    except ValueError:
        raise InputError("the address of the database cannot be read", _REMEDY) from None
    secret = asked.pop("password", None) or (unquote(parts.password) if parts.password else None)
    if odd := sorted(set(asked) - _OPTIONS):
        raise InputError(
            f"the address of the database has a part that is not known here: {', '.join(map(as_id, odd))[:80]}",
            f"Use {', '.join(sorted(_OPTIONS))}.",
        )
    if (mode := asked.get("sslmode", "prefer")) not in _SSL_MODES:
        raise InputError(
            f"sslmode {as_id(mode)[:20]!r} is none", f"Use one of {', '.join(_SSL_MODES)}."
        )
    database, project = unquote(parts.path.lstrip("/")), unquote(parts.fragment)
    if not database or "/" in database or not unquote(text).isprintable():
        raise InputError("the address names no database", _REMEDY)
    if project and not _SCHEMA.fullmatch(project):
        raise InputError(
            "the name of a project in a database is small letters, digits and _ only",
            f"Write {schema_named(project)!r}, as facademap new told it.",
        )
    if secret:
        os.environ["PGPASSWORD"] = secret
    return Address(
        database=database,
        host=unquote(parts.hostname or ""),
        port=port,
        user=unquote(parts.username or ""),
        options=asked,
        project=project,
    )


def schema_named(name: str) -> str:
    """The name that a project called so has in a database."""
    word = re.sub(r"[^a-z0-9]+", "_", as_id(name).lower()).strip("_")[:60] or "project"
    word = f"p_{word}" if word[0].isdigit() or word.startswith("pg_") else word
    return f"{word}_project" if word in ("public", "information_schema") else word


def files_folder(address: Address) -> Path:
    """Where the pictures of a project lie that is named by its address alone."""
    base = os.environ.get(FILES_VARIABLE)
    share = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    host = address.host or address.options.get("host", "").strip("/")
    port = address.port or address.options.get("port", "")
    place = as_id("-".join(p for p in (host, port, address.database) if p))
    return Path(base or Path(share) / "facademap") / place / address.project


def _list_of_folders(address: Address) -> Path:
    """The file that says which folders stand for a project here; beside the one that does by itself, whose name has no dot."""
    return files_folder(address).with_name(f"{address.project}.folders")


def _folders(address: Address) -> dict[str, str]:
    try:
        told = json.loads(_list_of_folders(address).read_bytes()[:100_000])
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def keep_folder(address: Address, folder: Path) -> None:
    """Remember on this machine which folder stands for a project, so that its address alone leads there from now on.

    Where nothing can be written, as at a server without a home, the folder goes on being named.
    """
    told = {**_folders(address), address.user: str(folder.resolve())}
    path = _list_of_folders(address)
    with contextlib.suppress(FileError):
        make_folder(path.parent)
        write_whole(path, json.dumps(told, indent=1, ensure_ascii=False).encode() + b"\n")


def kept_folder(address: Address) -> Path | None:
    """The folder that was chosen on this machine for a project, by the role that an address names; none where none was.

    Raises
    ------
    FileError
        It is not there any more.
    """
    told = _folders(address).get(address.user)
    if not isinstance(told, str):
        return None
    folder = Path(told)
    if not (folder / TEAM_FILE).is_file():
        raise FileError(
            f"{folder}: does not stand any more for project {address.project} of the database",
            "Say where its pictures lie now, with facademap new ADDRESS --join --files FOLDER.",
        )
    return folder


def write_team_file(folder: Path, address: Address, *, project_id: str) -> None:
    """Let a folder stand for a project in a database."""
    said = {"database": str(address), "project": project_id}
    write_whole(folder / TEAM_FILE, json.dumps(said, indent=1).encode() + b"\n")


def read_team_file(folder: Path) -> tuple[Address, str]:
    """Address and name of the project for which a folder stands.

    Raises
    ------
    FileError, ProjectError, InputError
        There is none, or it cannot be read; the project lies in a file.
    """
    path = folder / TEAM_FILE
    try:
        said = json.loads(path.read_bytes()[:10_000])
        address = read_address(said["database"])
        return address, str(said["project"])
    except FileNotFoundError:
        if (folder / STORE_NAME).is_file():
            raise InputError(
                f"{folder}: lies in a file, and this is for projects of a database",
                "Copy it into a database first: facademap copy FOLDER postgresql://...",
            ) from None
        raise FileError(f"{folder}: no project here", "Give the folder of a project.") from None
    except (ValueError, KeyError, TypeError, AttributeError, OSError):
        raise ProjectError(
            f"{path}: does not say where the project lies",
            "Delete it, and write it again with facademap new ADDRESS --join --files FOLDER.",
        ) from None
