"""Take photos into a project: copied once, never changed, known by their content."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.camera_files import camera_as_dict, read_camera
from facademap.io.pictures import hash_file, read_picture_info
from facademap.io.whole_files import copy_whole
from facademap.store.project import Project

__all__ = ["add_photos", "store_photo"]


def store_photo(project: Project, path: Path, *, folder: str = "photos") -> dict[str, Any]:
    """Copy one picture into the project and return its row for the table of photos.

    The copy is written under another name first, so that a broken copy is never taken for a photo. A
    picture of the same name and other content is refused.
    """
    info = read_picture_info(path)
    digest = hash_file(path)
    relative = f"{folder}/{path.name}"
    target = project.place(relative)
    if target.exists():
        if hash_file(target) != digest:
            raise InputError(
                f"{path.name}: the project holds another picture of this name",
                "Rename the new picture and add it again.",
            )
    else:
        copy_whole(path, relative, inside=project.folder)
    return {
        "id": path.name,
        "path": relative,
        "sha256": digest,
        "width_px": info.width_px,
        "height_px": info.height_px,
    }


def add_photos(
    folder: str | Path,
    photos: Sequence[str | Path],
    *,
    surface: str | None = None,
    camera_path: str | Path | None = None,
    who: str = "surveyor",
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Add photos of a surface to a project.

    Parameters
    ----------
    folder : path
        Project.
    photos : sequence of path
        Pictures; their names are the ids.
    surface : str, optional
        Surface they show; may be left out where the project has one.
    camera_path : path, optional
        Lens that took them all.

    Returns
    -------
    dict
        ``photos``: how many the project holds now, ``added``: names.
    """
    names = [Path(p).name for p in photos]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise InputError(f"{twice[0]}: two pictures have this name", "Rename one of them.")
    camera = camera_as_dict(read_camera(Path(camera_path))) if camera_path else None
    with Project.open(folder) as project:
        surface = surface_of(project, surface)
        rows = []
        for number, path in enumerate(map(Path, photos)):
            row = store_photo(project, path)
            if camera and (camera["width"], camera["height"]) != (
                row["width_px"],
                row["height_px"],
            ):
                raise InputError(
                    f"{path.name}: is {row['width_px']} x {row['height_px']} px, the camera file is for "
                    f"{camera['width']:g} x {camera['height']:g} px",
                    "Give the camera file of this camera, or leave it out.",
                )
            rows.append({**row, "subject": "elevation", "surface": surface, "camera": camera})
            progress((number + 1) / len(names))
        with project.edit(who=who, what="add photos") as edit:
            edit.put("photos", rows)
        return {"photos": len(project.read("photos")), "added": names}


def surface_of(project: Project, surface: str | None) -> str:
    """The surface named, or the only one there is."""
    known = list(project.read("surfaces")["id"])
    if surface is None:
        if len(known) == 1:
            return str(known[0])
        raise InputError(
            f"the project has {len(known)} surfaces", f"Name one of them: {', '.join(known)}."
        )
    if surface not in known:
        raise InputError(f"there is no surface {surface!r}", f"Use one of {', '.join(known)}.")
    return surface
