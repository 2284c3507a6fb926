"""Files inside a ZIP file, unpacked in steps: what is unpacked is bounded by what comes out, not by what the directory says."""

from __future__ import annotations

import io
import zipfile
import zlib

from facademap.errors import InputError
from facademap.limits import hold_within

__all__ = ["Unpacked", "unpack"]

_STEP = 1 << 20
#: What the standard library raises on an archive that is damaged, encrypted or packed in a way it does not know.
_UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    OSError,
    RuntimeError,
    ValueError,
    KeyError,
)


class Unpacked:
    """An archive whose every entry was unpacked once and found to be what its directory says.

    Parameters
    ----------
    archive : ZipFile
    name : str
        What the file is called in errors.
    """

    def __init__(self, archive: zipfile.ZipFile, name: str) -> None:
        self._archive = archive
        self.name = name
        self.entries = [e.filename for e in archive.infolist()]

    def read(self, entry: str) -> bytes:
        """The content of an entry; ``KeyError`` where there is none of that name."""
        return self._archive.read(entry)


def unpack(data: bytes, *, name: str, kind: str, remedy: str, smaller: str) -> Unpacked:
    """Open an archive and go through all of it within the limit ``unpacked_mb``.

    Parameters
    ----------
    data : bytes
        The file.
    name, kind : str
        The file and what it should be, for errors.
    remedy : str
        What to do about a file that cannot be read.
    smaller : str
        What to do about one that is too large, without a full stop.

    Raises
    ------
    InputError
    """
    total = 0
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        _hold(sum(entry.file_size for entry in archive.infolist()), name, smaller)
        for entry in archive.infolist():
            with archive.open(entry) as file:
                while part := file.read(_STEP):
                    total += len(part)
                    _hold(total, name, smaller)
    except InputError:
        raise
    except _UNREADABLE:
        raise InputError(f"{name}: cannot be read as {kind}", remedy) from None
    return Unpacked(archive, name)


def _hold(size: int, name: str, smaller: str) -> None:
    hold_within(
        "unpacked_mb", size / 1e6, what=f"{name}: unpacks to {size / 1e6:.0f} MB", remedy=smaller
    )
