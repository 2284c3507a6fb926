"""Use case: photos of a board become a camera file."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Literal

from facademap.errors import InputError
from facademap.io.camera_files import camera_as_dict
from facademap.io.pictures import read_picture
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.calibrate import calibrate_camera, find_board

__all__ = ["calibrate_from_photos"]


def calibrate_from_photos(
    photos: Sequence[Path],
    out: Path,
    *,
    columns: int,
    rows: int,
    pattern: Literal["chequer", "circles"] = "chequer",
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Calibrate a camera and write its file.

    Parameters
    ----------
    photos : sequence of Path
    out : Path
        Camera file (JSON), in pixels of the stored picture, as it says: photos turned by their EXIF turn it.
    columns, rows : int
        Inner corners (or targets) of the board.
    pattern : {"chequer", "circles"}
    progress : callable, optional

    Returns
    -------
    dict
        Camera, rmse_px, photos used, not found, left out, sigma, flags.

    Raises
    ------
    FacademapError
    """
    if columns < 3 or rows < 3:
        raise InputError(
            f"a board of {columns} x {rows} inner corners is too small",
            "Count the inner corners, where four squares meet.",
        )
    check_writable(out)
    used: list[str] = []
    missing: list[str] = []
    corners, size = [], (0, 0)
    for number, path in enumerate(photos):
        picture, info = read_picture(path)
        turn = info.turn
        if turn.is_mirrored:
            raise InputError(
                f"photo {path.name} is stored as in a mirror", "Use photos as the camera took them."
            )
        if not used and not missing:
            size = turn.stored_size_px
        elif turn.stored_size_px != size:
            stored = turn.stored_size_px
            raise InputError(
                f"photo {path.name} has {stored[0]} x {stored[1]} px, the others {size[0]} x {size[1]} px",
                "Use photos of one camera, unresized and uncut.",
            )
        if min(size) < 8 * max(3, min(columns, rows)):
            raise InputError(
                f"photo {path.name} has only {size[0]} x {size[1]} px, too few to show a board of {columns} x {rows}",
                "Use the photos in full size.",
            )
        found = find_board(picture, columns=columns, rows=rows, pattern=pattern)
        if found is None:
            missing.append(path.name)
        else:
            # the lens is fixed to the sensor, whichever way the camera was held
            corners.append(turn.stored_pixels(found))
            used.append(path.name)
        if progress is not None:
            progress((number + 1) / len(photos))
    done = calibrate_camera(
        corners, width_px=size[0], height_px=size[1], columns=columns, rows=rows
    )
    left_out = [used[i] for i in done.left_out]
    flags = [
        *(f"no board of {columns} x {rows} was found in {name}" for name in missing),
        *(f"photo {name} contradicts the others and was left out" for name in left_out),
        *done.flags,
    ]
    values = {**camera_as_dict(done.camera), "pixels": "stored"}
    write_whole(out, json.dumps(values, indent=2) + "\n")
    return {
        "out": str(out),
        "camera": camera_as_dict(done.camera),
        "rmse_px": done.rmse_px,
        "photos_used": len(used) - len(left_out),
        "not_found": missing,
        "left_out": left_out,
        "sigma": done.sigma,
        "coverage": done.coverage,
        "warnings": flags,
    }
