"""Opening the live file: one connection, write-ahead log, full synchronous, errors in plain words."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from facademap.errors import FacademapError, FileError, ProjectError
from facademap.io.whole_files import copy_whole, temporary_folder
from facademap.store.geopackage import APPLICATION_ID, register_spatial_functions

__all__ = ["LOCK_WAIT_S", "connect", "copy_in_memory", "in_plain_words", "nobody_writes"]

#: How long a writer waits for another one before it says that the project is in use.
LOCK_WAIT_S = 5.0
_NETWORK_FILE_SYSTEMS = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "sshfs", "fuse.sshfs", "9p", "afs"}
)


def connect(path: Path, *, read_only: bool = False, create: bool = False) -> sqlite3.Connection:
    """Open the file of a project.

    Raises
    ------
    FileError
        There is no such file.
    ProjectError
        It is not a project, damaged, locked, or lies on a network drive.
    """
    if not create and not path.is_file():
        raise FileError(
            f"{path.parent}: no project here (project.gpkg is missing)",
            "Make one with facademap new, or give the folder that holds project.gpkg.",
        )
    if not read_only:
        _refuse_network_drive(path)
    with in_plain_words(path):
        mode = "ro" if read_only else ("rwc" if create else "rw")
        log = _log_of(path) if read_only and nobody_writes(path) else None
        if read_only and nobody_writes(path):
            mode = "ro&immutable=1"
        connection = (
            _with_its_log(path, log)
            if log
            else sqlite3.connect(
                f"{path.resolve().as_uri()}?mode={mode}",
                uri=True,
                timeout=LOCK_WAIT_S,
                isolation_level=None,
                check_same_thread=False,
            )
        )
        try:
            if not create:
                (application_id,) = connection.execute("PRAGMA application_id").fetchone()
                if application_id != APPLICATION_ID:
                    raise ProjectError(
                        f"{path}: is not a facademap project",
                        "Give the folder that facademap new made.",
                    )
            if not read_only:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = OFF")
            register_spatial_functions(connection)
        except BaseException:
            connection.close()
            raise
    return connection


def nobody_writes(path: Path) -> bool:
    """Whether a file lies where nobody can write, as on a disc or a backup."""
    try:
        read_only_disk = bool(os.statvfs(path.parent).f_flag & os.ST_RDONLY)
    except (AttributeError, OSError):
        read_only_disk = False
    return read_only_disk or not (os.access(path.parent, os.W_OK) and os.access(path, os.W_OK))


def _log_of(path: Path) -> Path | None:
    """The log beside a file, when it holds anything that has to be read."""
    log = path.with_name(f"{path.name}-wal")
    return log if log.exists() and log.stat().st_size else None


def _with_its_log(path: Path, log: Path) -> sqlite3.Connection:
    """A file and the log beside it, read elsewhere: a log cannot be read without writing beside it."""
    with temporary_folder() as folder:
        copy_whole(path, folder / path.name)
        copy_whole(log, folder / log.name)
        with contextlib.closing(sqlite3.connect(folder / path.name)) as whole:
            return copy_in_memory(whole)


def copy_in_memory(connection: sqlite3.Connection) -> sqlite3.Connection:
    """The whole file in memory, for changes that its place does not allow, or that are only tried."""
    copy = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    connection.backup(copy)
    register_spatial_functions(copy)
    return copy


@contextlib.contextmanager
def in_plain_words(path: Path) -> Iterator[None]:
    """Turn what SQLite says into what a person can act on."""
    try:
        yield
    except FacademapError:
        raise
    except (sqlite3.DatabaseError, UnicodeDecodeError, OverflowError) as error:
        text = str(error).lower()
        where = f"{path.parent}: the project"
        if "locked" in text or "busy" in text:
            raise ProjectError(
                f"{where} is in use by another program",
                "Close the other program, or wait until it has finished, and try again.",
            ) from error
        if "readonly" in text or "read-only" in text:
            raise ProjectError(
                f"{where} may not be written (read-only)",
                "Change its permissions, or copy the folder to a place where you may write.",
            ) from error
        if "full" in text or ("disk i/o" in text and _is_full(path.parent)):
            raise ProjectError(
                f"{where} could not be saved: the disk is full",
                "Free some space and do it again; the project is as it was.",
            ) from error
        if "unable to open" in text:
            raise ProjectError(
                f"{where} cannot be opened for writing",
                "Check the permissions of its folder, or copy it to a place where you may write.",
            ) from error
        # a name in a damaged file that is no text, or a number that is none
        if not isinstance(error, sqlite3.DatabaseError):
            text = "malformed"
        if "not a database" in text or "malformed" in text or "disk i/o" in text:
            raise ProjectError(
                f"{where} file is damaged ({error})",
                "Restore project.gpkg from a copy; facademap check tells what can still be read.",
            ) from error
        raise ProjectError(
            f"{where} cannot be read: {error}", "Run facademap check on it."
        ) from error


def _is_full(folder: Path) -> bool:
    """Whether a disk has no room left for what an edit needs beside the file."""
    try:
        state = os.statvfs(folder)
    except (AttributeError, OSError):
        return False
    return state.f_bavail * state.f_frsize < 1_000_000


def _refuse_network_drive(path: Path) -> None:
    """The write-ahead log needs shared memory, which network drives do not give."""
    mounts = Path("/proc/mounts")
    if not mounts.is_file():
        return
    here = str(path.resolve())
    kinds = [
        line.split()[1:3]
        for line in mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    ]
    holding = [
        (len(m), kind) for m, kind in kinds if here == m or here.startswith(m.rstrip("/") + "/")
    ]
    if holding and max(holding)[1] in _NETWORK_FILE_SYSTEMS:
        raise ProjectError(
            f"{path.parent}: the project lies on a network drive, where edits can be lost",
            "Copy the folder to a disk of this machine and work there.",
        )
