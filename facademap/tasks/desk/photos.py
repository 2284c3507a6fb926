"""Take a picture from a browser into the project: decoded before it is believed, stored under a name of our own."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.pictures import PictureInfo, read_picture
from facademap.io.whole_files import move_whole, temporary_folder, write_whole
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tasks.survey.add_photos import storing_photos

__all__ = ["decode_arrived", "take_photo"]

#: Formats by what their bytes say; the name that came with them is not believed.
_ENDINGS = {"JPEG": ".jpg", "MPO": ".jpg", "PNG": ".png", "TIFF": ".tif", "WEBP": ".webp"}
_SUBJECTS = ("elevation", "condition", "block", "record", "chart")


def decode_arrived(path: Path) -> PictureInfo:
    """Decode a picture that was sent, so that none is stored that cannot be; returns what it says of itself.

    Raises
    ------
    InputError
    """
    return read_picture(path, limit="upload_megapixels")[1]


def take_photo(
    writing: Callable[[], AbstractContextManager[Project]],
    data: bytes,
    *,
    subject: str,
    who: str,
    name: str = "",
    surface: str | None = None,
    decode: Callable[[Path], PictureInfo] = decode_arrived,
) -> str:
    """Store a picture; returns its id. The same picture sent again is the same photo.

    Parameters
    ----------
    writing : callable
        Gives the project for one edit. It is asked only when the picture was decoded, so that nobody waits for that.
    decode : callable
        As :func:`decode_arrived`, perhaps elsewhere.

    Raises
    ------
    InputError
        No picture, one that cannot be decoded, or one that is too large.
    """
    if subject not in _SUBJECTS:
        raise InputError(f"a photo of {subject[:40]!r}", f"Use one of {', '.join(_SUBJECTS)}.")
    digest = hashlib.sha256(data).hexdigest()
    with temporary_folder() as folder:
        arrived = write_whole("arrived", data, inside=folder, durable=False)
        info = decode(arrived)
        ending = _ENDINGS.get(info.format)
        if ending is None:
            raise InputError(f"a picture of format {info.format}", "Send JPEG, PNG, TIFF or WebP.")
        stem = re.sub(r"[^A-Za-z0-9_-]+", "-", Path(name).stem).strip("-")[:40] or subject
        proper = move_whole(arrived, f"{stem}-{digest[:10]}{ending}", inside=folder)
        with writing() as project:
            known = project.read("photos", where={"sha256": digest})
            if len(known):
                return str(known["id"].iloc[0])
            with (
                storing_photos(project) as store,
                gated_edit(project, who=who, what=f"photo of {subject}") as edit,
            ):
                row: dict[str, Any] = store(
                    proper, folder="blocks" if subject == "block" else "photos", decoded=info
                )
                edit.insert(
                    "photos",
                    [
                        {
                            **row,
                            "subject": subject,
                            "surface": surface,
                            "taken_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
                        }
                    ],
                )
    return str(row["id"])
