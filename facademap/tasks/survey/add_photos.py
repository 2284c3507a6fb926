"""Take photos into a project: copied once, never changed, known by their content."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.camera_files import camera_as_dict, read_camera_for
from facademap.io.pictures import PictureInfo, hash_file, read_picture, read_picture_info
from facademap.io.whole_files import copy_whole, remove_file
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables.names import as_id

__all__ = ["add_photos", "storing_photos"]


@contextlib.contextmanager
def storing_photos(project: Project) -> Iterator[Callable[..., dict[str, Any]]]:
    """Yields what copies a picture into the project (``path``, ``folder="photos"``, ``decoded`` for one that was) and returns its row for the table of photos.

    A picture is decoded before it is copied. Where the body fails, the copies made in it are removed again, so that
    what was refused leaves nothing behind. A picture of the same name and other content is refused.
    """
    copied: list[str] = []

    def store(
        path: Path, *, folder: str = "photos", decoded: PictureInfo | None = None
    ) -> dict[str, Any]:
        info = decoded or read_picture(path)[1]
        digest = hash_file(path)
        name = as_id(path.name)
        relative = f"{folder}/{name}"
        target = project.place(relative)
        if not target.exists():
            copied.append(relative)
            copy_whole(path, relative, inside=project.folder)
        elif hash_file(target) != digest:
            raise InputError(
                f"{path.name}: the project holds another picture of this name",
                "Rename the new picture and add it again.",
            )
        return {
            "id": name,
            "path": relative,
            "sha256": digest,
            "width_px": info.width_px,
            "height_px": info.height_px,
            "exif_orientation": info.orientation,
        }

    try:
        yield store
    except BaseException:
        for relative in copied:
            remove_file(relative, inside=project.folder)
        raise


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
        Pictures; their names are the ids (``IMG 1.JPG`` is known as ``IMG-1.JPG``).
    surface : str, optional
        Surface they show; may be left out where the project has one.
    camera_path : path, optional
        Lens that took them all; its width and height tell whether it was made for upright or for stored pictures.

    Returns
    -------
    dict
        ``photos``: how many the project holds now, ``added``: names.
    """
    names = [as_id(Path(p).name) for p in photos]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise InputError(f"{twice[0]}: two pictures have this name", "Rename one of them.")
    with Project.open(folder) as project:
        surface = surface_of(project, surface)
        cameras = [_camera_of(Path(path), camera_path) for path in photos]
        with storing_photos(project) as store:
            rows = []
            for number, path in enumerate(map(Path, photos)):
                row = store(path)
                rows.append(
                    {**row, "subject": "elevation", "surface": surface, "camera": cameras[number]}
                )
                progress((number + 1) / len(names))
            with gated_edit(project, who=who, what="add photos") as edit:
                edit.put("photos", rows)
        return {"photos": len(project.read("photos")), "added": [r["id"] for r in rows]}


def _camera_of(path: Path, camera_path: str | Path | None) -> dict[str, Any] | None:
    """The lens of one photo, in pixels of its upright picture."""
    if camera_path is None:
        return None
    info = read_picture_info(path)
    camera = read_camera_for(Path(camera_path), info.turn)
    if (camera.width_px, camera.height_px) != (info.width_px, info.height_px):
        raise InputError(
            f"{path.name}: is {info.width_px} x {info.height_px} px, the camera file is for "
            f"{camera.width_px} x {camera.height_px} px",
            "Give the camera file of this camera, or leave it out.",
        )
    return camera_as_dict(camera)


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
