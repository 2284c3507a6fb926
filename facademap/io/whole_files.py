"""The one place where files are written and removed: whole or not at all, and only where they belong.

What is written stands beside its target under a name of ours, is flushed to the disk and then takes the target's place.
While it is being written it is locked; what a stopped run left behind is not, and is cleared at the next start with a
word. A path that is written or removed is proved to lie inside its folder here, symbolic links followed, and nothing is
removed that facademap did not make.

Notes
-----
The locks are those of the system (``flock``); where it has none, scratch is cleared when it is a day old.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import stat
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, BinaryIO

from facademap.errors import FileError, InputError

try:
    import fcntl
except ImportError:  # a system without these locks
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "STORE_NAME",
    "TEAM_FILE",
    "as_before_on_failure",
    "belongs_to_project",
    "check_writable",
    "clear_scratch",
    "clear_scratch_once",
    "copy_whole",
    "keep_file",
    "make_folder",
    "move_whole",
    "need_file",
    "need_folder",
    "open_hold",
    "open_scratch",
    "open_whole",
    "path_inside",
    "remove_file",
    "remove_folder",
    "scratch_folder",
    "temporary_folder",
    "whole_folder",
    "write_whole",
]

#: The store of a project, which its own edits alone change, and the folders of the pictures that it names.
STORE_NAME = "project.gpkg"
#: What says, in place of a store, in which database the rows are.
TEAM_FILE = "project.team"
_STORES = frozenset({STORE_NAME, TEAM_FILE})
_KEPT_FOLDERS = frozenset({"photos", "blocks", "elevations"})
#: Endings of what libraries read of themselves beside a file: parts of a shapefile, world files, statistics, logs.
_BESIDE = (".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx", ".tfw", ".jgw", ".pgw", ".wld", ".aux.xml", ".ovr")  # fmt: skip
_BEHIND = (".aux.xml", ".ovr", ".msk", "-wal", "-journal", "-shm")
_SCRATCH = re.compile(r"\.facademap-[0-9a-f]{12}\.part")
#: Scratch of versions before this one, which had no lock: tiles of an elevation, and copies under way.
_OLD_FOLDER = re.compile(r"\..{1,60}\.tif\.[a-z0-9_]{8}")
_OLD_FOLDER_HOLDS = re.compile(r"level\d+|whole")
_OLD_FILE = re.compile(r"\..{1,200}\.part|\.project\.gpkg\.new(-journal|-wal|-shm)?")
OLD_AFTER_S = 3600.0
UNLOCKED_AFTER_S = 86400.0
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_looked_at: set[Path] = set()
_looking = threading.Lock()


# -- where -------------------------------------------------------------------------------------


def path_inside(root: str | Path, relative: str | Path) -> Path:
    """A path below a folder, symbolic links followed; refuses one that leads out of it.

    Raises
    ------
    InputError
    """
    base = Path(root).resolve()
    try:
        full = (base / relative).resolve()
    except (OSError, RuntimeError, ValueError):
        full = base.parent
    if full != base and base not in full.parents:
        raise InputError(
            f"{relative}: leads out of the folder {base.name}", "Use paths inside this folder."
        )
    return full


def belongs_to_project(path: Path) -> bool:
    """Whether a file that exists is the store of a project, or one of the pictures that its store names.

    Parameters
    ----------
    path : Path
    """
    path = path.resolve()
    if not path.is_file():
        return False
    if path.name in _STORES:
        return True
    return path.parent.name in _KEPT_FOLDERS and any(
        (path.parent.parent / name).is_file() for name in _STORES
    )


def check_writable(path: Path | None) -> None:
    """Refuse a target in a folder that is missing or closed, before long work begins.

    Raises
    ------
    FileError
    """
    if path is None:
        return
    if path.is_dir():
        raise FileError(f"{path} is a folder", "Give the path of a file to write.")
    if not path.parent.is_dir():
        raise FileError(
            f"folder {path.parent} does not exist", "Make the folder or choose another path."
        )
    if not os.access(path.parent, os.W_OK):
        raise FileError(f"folder {path.parent} cannot be written", "Choose another folder.")


def make_folder(path: str | Path, *, inside: Path | None = None) -> Path:
    """Make a folder and those between; one ``inside`` another is made only below one that exists.

    A project that was moved away does not come back as an empty folder.
    """
    folder = Path(path) if inside is None else path_inside(inside, path)
    if inside is not None and not inside.is_dir():
        raise FileError(
            f"folder {inside} is no longer there",
            "Open the project where it is now, and try again.",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise FileError(f"{folder}: is a file, not a folder", "Choose another folder.") from None
    except OSError as error:
        raise _told(error, folder) from error
    return folder


def need_file(path: Path) -> None:
    """Refuse a device or a pipe, which have no end, before anything is read from it or from what is read beside it.

    Raises
    ------
    FileError
    """
    names = [path.stem + e for e in _BESIDE] + [path.name + e for e in _BEHIND]
    for place in (path, *(path.parent / n for n in names)):
        try:
            kind = place.stat().st_mode
        except OSError:
            continue
        if not stat.S_ISREG(kind) and not stat.S_ISDIR(kind):
            raise FileError(
                f"{place}: is a device or a pipe, not a file", "Give the path of a plain file."
            )


def need_folder(path: str | Path) -> Path:
    """Make a folder and prove that files can be written there, before long work begins."""
    folder = make_folder(path)
    with open_whole(folder / ".facademap-trial", durable=False):
        pass
    remove_file(folder / ".facademap-trial", inside=folder)
    return folder


# -- writing -----------------------------------------------------------------------------------


@contextlib.contextmanager
def open_whole(
    path: str | Path, *, inside: Path | None = None, durable: bool = True
) -> Iterator[BinaryIO]:
    """A file that takes the place of its target when the body ends; after an error nothing has changed.

    Parameters
    ----------
    path : path
        The target; with ``inside`` it must lie below that folder, and folders between the two are made.
    inside : Path, optional
        A folder that exists.
    durable : bool
        Whether the content is flushed to the disk first; what can be made again need not be.

    Raises
    ------
    FileError, InputError
    """
    target = _target(path, inside)
    clear_scratch_once(target.parent)
    scratch, file = _begin(target)
    placed = False
    try:
        yield file
        file.flush()
        _place(file, scratch, target, durable=durable)
        placed = True
    except OSError as error:
        if isinstance(error, FileError) or error.errno not in _FULL:
            raise
        raise _told(error, target) from error
    finally:
        # closing writes what waits in memory, which fails on a full disk; what is not placed is not wanted
        with contextlib.nullcontext() if placed else contextlib.suppress(OSError):
            file.close()
        if not placed:
            with contextlib.suppress(OSError):
                scratch.unlink()
    if durable:
        _flush_folder(target.parent)


def write_whole(
    path: str | Path,
    data: bytes | str,
    *,
    inside: Path | None = None,
    durable: bool = True,
    private: bool = False,
) -> Path:
    """Write a file whole or not at all; text is UTF-8. A private one is for its owner's eyes. Returns its path."""
    with open_whole(path, inside=inside, durable=durable) as file:
        if private:
            os.fchmod(file.fileno(), 0o600)
        file.write(data.encode("utf-8") if isinstance(data, str) else data)
    return Path(path) if inside is None else path_inside(inside, path)


def copy_whole(source: Path, path: str | Path, *, inside: Path | None = None) -> Path:
    """Copy a file whole or not at all; returns the path of the copy."""
    import shutil

    with source.open("rb") as taken, open_whole(path, inside=inside) as file:
        shutil.copyfileobj(taken, file, 1 << 20)
    return Path(path) if inside is None else path_inside(inside, path)


def keep_file(root: Path, inside: Path | str, data: bytes) -> bool:
    """Keep what saves time later; a full, read-only or vanished disk costs time, nothing else.

    Parameters
    ----------
    root : Path
        The folder; it is never made, so that one which was moved or deleted does not come back empty.
    inside : Path or str
        Place of the file below it; folders between the two are made.
    data : bytes

    Returns
    -------
    bool
        Whether the file was written.
    """
    try:
        write_whole(inside, data, inside=root, durable=False)
    except (OSError, InputError):
        return False
    return True


@contextlib.contextmanager
def scratch_folder(beside: str | Path) -> Iterator[Path]:
    """A folder beside a target for what grows in pieces; it is gone when the body ends, and after a stopped run at the next start."""
    parent = _target(beside, None).parent
    clear_scratch_once(parent)
    with _locked_folder(parent, mode=0o700) as folder:
        yield folder


@contextlib.contextmanager
def temporary_folder() -> Iterator[Path]:
    """A folder for what is handed on within this run, where the system keeps such things."""
    import tempfile

    with scratch_folder(Path(tempfile.gettempdir()) / "facademap") as folder:
        yield folder


def open_scratch(folder: Path, name: str) -> BinaryIO:
    """A new file in a scratch folder."""
    if not _SCRATCH.fullmatch(folder.name):
        raise ValueError(f"{folder} is no scratch folder")
    return path_inside(folder, name).open("w+b")


def move_whole(made: Path, path: str | Path, *, inside: Path | None = None) -> Path:
    """Let a file that was made in a scratch folder take the place of its target."""
    target = _target(path, inside)
    with made.open("r+b") as file:
        _place(file, made, target, durable=True)
    _flush_folder(target.parent)
    return target


@contextlib.contextmanager
def whole_folder(path: str | Path, *, inside: Path, made: str) -> Iterator[Path]:
    """A folder of files that takes the place of its target when the body ends.

    Parameters
    ----------
    path : path
        The target below ``inside``.
    made : str
        Expression that matches the path, below the target, of every file that facademap puts there. A target that
        holds anything else is refused and left alone.
    """
    target = path_inside(inside, path)
    if target == Path(inside).resolve():
        raise InputError(f"{target}: is the folder itself", "Name a folder inside it.")
    _refuse_foreign(target, made)
    make_folder(target.parent, inside=inside)
    clear_scratch_once(target.parent)
    with _locked_folder(target.parent, mode=0o777) as fresh:
        yield fresh
        with _locked_folder(target.parent, mode=0o700) as old:
            _refuse_foreign(target, made)
            try:
                if target.exists():
                    target.rename(old / "before")
                fresh.rename(target)
            except OSError as error:
                raise _told(error, target) from error


@contextlib.contextmanager
def as_before_on_failure(*targets: Path, inside: Path) -> Iterator[dict[Path, Path]]:
    """When the body fails, the files it wrote are as they were before it: the earlier ones, or none.

    The body is given where the earlier file of each target waits, for as long as it runs.
    """
    with scratch_folder(targets[0]) as folder:
        earlier = {t: folder / str(n) for n, t in enumerate(targets) if t.is_file()}
        for target, kept in earlier.items():
            try:
                os.link(target, kept)
            except OSError:  # a disk that knows no second names
                import shutil

                shutil.copyfile(target, kept)
        try:
            yield dict(earlier)
        except BaseException:
            for target in targets:
                if target in earlier:
                    earlier[target].replace(target)
                else:
                    remove_file(target, inside=inside)
            raise


def open_hold(path: str | Path, *, inside: Path) -> IO[str]:
    """A small file that a process keeps open as long as it holds something; its lock ends with the process."""
    place = path_inside(inside, path)
    make_folder(place.parent, inside=inside)
    return place.open("a+", encoding="utf-8")


# -- removing ----------------------------------------------------------------------------------


def remove_file(path: str | Path, *, inside: Path, sha256: str | None = None) -> bool:
    """Remove a file that facademap made.

    Parameters
    ----------
    path : path
        The file; it must lie inside the folder.
    sha256 : str, optional
        What facademap wrote there; a file of other content is somebody else's by now, and stays.

    Returns
    -------
    bool
        Whether it is gone.
    """
    import hashlib

    target = path_inside(inside, path)
    if not target.is_file():
        return not target.exists()
    if sha256 is not None:
        with target.open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != sha256:
                return False
    with contextlib.suppress(FileNotFoundError):
        target.unlink()
    return True


def remove_folder(path: str | Path, *, inside: Path, made: str) -> None:
    """Remove a folder of files that facademap made; ``made`` as for :func:`whole_folder`."""
    import shutil

    target = path_inside(inside, path)
    _refuse_foreign(target, made)
    shutil.rmtree(target, ignore_errors=True)


def clear_scratch(folder: Path, *, deep: bool = False) -> list[Path]:
    """Clear what stopped runs left in a folder, and say so; what another run is writing just now stays.

    Returns
    -------
    list of path
        What was cleared.
    """
    cleared = []
    for parent, folders, files in os.walk(folder, followlinks=False):
        for name in [*folders, *files]:
            entry = Path(parent) / name
            if _clear_if_dead(entry):
                cleared.append(entry)
        if not deep:
            break
        folders[:] = [n for n in folders if not n.startswith(".")]
    if cleared:
        import logging

        where = ", ".join(sorted({p.parent.name for p in cleared}))
        logging.getLogger("facademap").warning(
            "note: cleared %d unfinished file%s of a stopped run in %s",
            len(cleared),
            "s" if len(cleared) > 1 else "",
            where,
        )
    return cleared


def clear_scratch_once(root: Path, folders: Sequence[str] = (".",)) -> None:
    """:func:`clear_scratch` in folders below a root and, but for ``.``, in theirs: the first time only that this process comes there."""
    with _looking:
        if root in _looked_at:
            return
        _looked_at.add(root)
    for name in folders:
        with contextlib.suppress(OSError):
            clear_scratch(root / name, deep=name != ".")


def _clear_if_dead(entry: Path) -> bool:
    """Remove an entry when it is scratch of a run that ended; whether it was removed."""
    try:
        state = entry.lstat()
    except OSError:
        return False
    if stat.S_ISLNK(state.st_mode):
        return False
    age_s = time.time() - state.st_mtime
    if _SCRATCH.fullmatch(entry.name):
        if fcntl is None:
            return age_s > UNLOCKED_AFTER_S and _clear(entry)
        return _clear_if_free(entry)
    if age_s < OLD_AFTER_S:
        return False
    if stat.S_ISDIR(state.st_mode):
        ours = bool(_OLD_FOLDER.fullmatch(entry.name)) and all(
            _OLD_FOLDER_HOLDS.fullmatch(e.name) for e in entry.iterdir()
        )
    else:
        ours = bool(_OLD_FILE.fullmatch(entry.name))
    return ours and _clear(entry)


def _clear_if_free(entry: Path) -> bool:
    """Remove scratch on which nobody holds a lock; ours is held until it is gone, so that nobody begins there meanwhile."""
    try:
        handle = os.open(entry, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return _clear(entry)
    except OSError:
        return False
    finally:
        os.close(handle)


def _clear(entry: Path) -> bool:
    import shutil

    try:
        if entry.is_dir():
            shutil.rmtree(entry)
        else:
            entry.unlink()
    except OSError:
        return False
    return True


def _refuse_foreign(folder: Path, made: str) -> None:
    """A folder may be replaced or removed when every file in it is one that facademap puts there."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise FileError(f"{folder}: is a file, not a folder", "Move it away.")
    pattern = re.compile(made)
    for parent, folders, files in os.walk(folder, followlinks=False):
        links = [n for n in folders if (Path(parent) / n).is_symlink()]
        for name in [*links, *files]:
            entry = (Path(parent) / name).relative_to(folder)
            if links or not pattern.fullmatch(entry.as_posix()):
                raise FileError(
                    f"{folder}: holds {entry}, which facademap did not make; it was left alone",
                    "Move the folder away, or choose another place.",
                )


# -- how ---------------------------------------------------------------------------------------


def _target(path: str | Path, inside: Path | None) -> Path:
    """Where a file really goes; its folder exists."""
    if inside is None:
        target = Path(path)
        target = target.resolve() if target.is_symlink() else target
        if not target.parent.is_dir():
            raise FileError(
                f"folder {target.parent} does not exist", "Make the folder or choose another path."
            )
    else:
        target = path_inside(inside, path)
        make_folder(target.parent, inside=inside)
    try:
        in_the_way = target.exists() and not target.is_file()
    except OSError as error:
        raise _told(error, target) from error
    if in_the_way:
        what = "a folder" if target.is_dir() else "a device, not a file"
        raise FileError(f"{target} is {what}", "Give the path of a file to write.")
    if target.name == STORE_NAME and target.exists():
        raise FileError(
            f"{target} is the store of a project and is not replaced",
            "Give the path of another file.",
        )
    return target


def _begin(target: Path) -> tuple[Path, BinaryIO]:
    """A new locked file beside a target. The system's own mask gives its mode; nobody else's files are touched by it."""
    while True:
        scratch = target.with_name(f".facademap-{secrets.token_hex(6)}.part")
        try:
            file = os.fdopen(os.open(scratch, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666), "w+b")
        except FileExistsError:
            continue
        except OSError as error:
            raise _told(error, target) from error
        if _lock(file.fileno(), scratch):
            return scratch, file
        file.close()


@contextlib.contextmanager
def _locked_folder(parent: Path, *, mode: int) -> Iterator[Path]:
    import shutil

    while True:
        folder = parent / f".facademap-{secrets.token_hex(6)}.part"
        try:
            folder.mkdir(mode=mode)
        except OSError as error:
            raise _told(error, parent) from error
        handle = os.open(folder, os.O_RDONLY) if fcntl is not None else None
        if handle is None or _lock(handle, folder):
            break
        os.close(handle)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if handle is not None:
            os.close(handle)


def _lock(handle: int, path: Path) -> bool:
    """Lock what was just made; false when somebody took it for the rest of a stopped run in between."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
    except OSError:
        return True  # a file system without locks
    try:
        return os.path.samestat(os.fstat(handle), path.lstat())
    except OSError:
        return False


def _place(file: BinaryIO, made: Path, target: Path, *, durable: bool) -> None:
    try:
        if durable:
            os.fsync(file.fileno())
        if target.exists():
            made.chmod(stat.S_IMODE(target.stat().st_mode))
        if fcntl is None:
            file.close()
        made.replace(target)
    except OSError as error:
        raise _told(error, target) from error


def _flush_folder(folder: Path) -> None:
    """Let the new name outlive a power cut, where the system can promise that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _told(error: OSError, path: Path) -> FileError:
    """What the system says, in words that a person can act on."""
    if isinstance(error, FileError):
        return error
    if error.errno in _FULL:
        return FileError(
            f"{path}: the disk is full; nothing was changed", "Free some space and do it again."
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return FileError(
            f"folder {path.parent} cannot be written",
            "Change its permissions, or choose another folder.",
        )
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return FileError(
            f"folder {path.parent} does not exist", "Make the folder or choose another path."
        )
    if error.errno == errno.ENAMETOOLONG:
        return FileError(f"{path.name}: the name is too long", "Choose a shorter one.")
    return FileError(
        f"{path}: cannot be written ({error.strerror})", "Check the disk and the path."
    )
