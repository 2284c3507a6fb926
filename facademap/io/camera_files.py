"""Camera files: our own JSON, and the calibration files that OpenCV's FileStorage writes."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from facademap.errors import InputError
from facademap.io.csv_tables import read_text_file
from facademap.photo.camera import Camera
from facademap.photo.orientation import UPRIGHT, Turn, upright_camera
from facademap.plain_texts import parse_json

__all__ = ["camera_as_dict", "camera_from_dict", "read_camera", "read_camera_for"]

_REQUIRED = ("width", "height", "fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2")
_REMEDY = (
    "Give a JSON object with width, height, fx, fy, cx, cy, k1, k2, p1, p2 (and k3) in pixels."
)
#: Focal lengths, in longer sides of the picture, and bending at the nearer edge that a camera may have (common practice).
FOCAL_SHARES = (0.1, 60.0)
MOST_BEND = 3.0
_MATRIX_NAMES = ("camera_matrix", "cameraMatrix", "Camera_Matrix", "K", "M1")
_DISTORTION_NAMES = ("distortion_coefficients", "distCoeffs", "Distortion_Coefficients", "D", "D1")


def read_camera(path: Path, *, size_px: tuple[int, int] | None = None) -> Camera:
    """Camera from ``.json`` (ours) or ``.yml .yaml .xml`` (OpenCV FileStorage).

    Parameters
    ----------
    path : Path
    size_px : tuple of int, optional
        Width and height of the photo, for OpenCV files that do not hold the picture's size.

    Raises
    ------
    FileError, InputError
    """
    text = read_text_file(path, what="camera file")
    head = text.lstrip()[:200]
    try:
        if head.startswith("{"):
            return _from_json(text, path.name)
        if head.startswith("<"):
            return _from_nodes(_xml_nodes(text, path.name), path.name, size_px)
        if head.startswith("%YAML") or path.suffix.lower() in (".yml", ".yaml"):
            return _from_nodes(_yaml_nodes(text), path.name, size_px)
    except InputError:
        raise
    except (ValueError, TypeError, KeyError, ElementTree.ParseError) as error:
        raise InputError(f"camera file {path.name} cannot be read: {error}", _REMEDY) from None
    raise InputError(
        f"camera file {path.name} is neither JSON nor an OpenCV calibration file", _REMEDY
    )


def read_camera_for(path: Path, turn: Turn, *, stored_pixels: bool = False) -> Camera:
    """Camera of one photo, in pixels of its upright picture.

    Parameters
    ----------
    path : Path
    turn : Turn
        Of the photo.
    stored_pixels : bool
        How the file was made, where nothing in it tells.

    Notes
    -----
    Which way the file was made is told by its own word (``pixels``: ``upright`` or ``stored``), else by its width
    and height: those of the stored picture, or of the upright one. Where the two are alike (turned upside down or
    mirrored) it is taken to be of the upright picture, as programs that show the picture upright make it.
    """
    size = (turn.width_px, turn.height_px)
    camera = read_camera(path, size_px=turn.stored_size_px if stored_pixels else size)
    if turn.orientation == UPRIGHT:
        return camera
    word = _pixels_word(path)
    made = (camera.width_px, camera.height_px)
    if word is None and size != turn.stored_size_px:
        stored = made == turn.stored_size_px
    else:
        stored = stored_pixels if word is None else word == "stored"
    return upright_camera(camera, turn) if stored and made == turn.stored_size_px else camera


def _pixels_word(path: Path) -> str | None:
    """What one of our own camera files says of its pixels."""
    text = read_text_file(path, what="camera file")
    data = (
        parse_json(text, where=f"camera file {path.name}", remedy=_REMEDY)
        if text.lstrip().startswith("{")
        else None
    )
    word = data.get("pixels") if isinstance(data, dict) else None
    if word not in (None, "upright", "stored"):
        raise InputError(
            f"camera file {path.name}: pixels is {word!r}",
            "Give upright or stored, or leave it out.",
        )
    return None if word is None else str(word)


def camera_as_dict(camera: Camera) -> dict[str, float]:
    """The content of our camera file."""
    return {
        "width": camera.width_px,
        "height": camera.height_px,
        "fx": camera.fx_px,
        "fy": camera.fy_px,
        "cx": camera.cx_px,
        "cy": camera.cy_px,
        "k1": camera.k1,
        "k2": camera.k2,
        "k3": camera.k3,
        "p1": camera.p1,
        "p2": camera.p2,
    }


def camera_from_dict(values: Mapping[str, float]) -> Camera:
    """The lens that `camera_as_dict` told, as a project keeps it; terms that are missing are zero."""
    return Camera(
        width_px=int(values["width"]),
        height_px=int(values["height"]),
        fx_px=values["fx"],
        fy_px=values["fy"],
        cx_px=values["cx"],
        cy_px=values["cy"],
        k1=values.get("k1", 0.0),
        k2=values.get("k2", 0.0),
        k3=values.get("k3", 0.0),
        p1=values.get("p1", 0.0),
        p2=values.get("p2", 0.0),
    )


def _number(value: Any, name: str, file: str) -> float:
    try:
        number = (
            math.nan
            if isinstance(value, bool) or not isinstance(value, (int, float))
            else float(value)
        )
    except OverflowError:
        raise InputError(f"camera file {file}: {name} has hundreds of digits", _REMEDY) from None
    if not math.isfinite(number):
        raise InputError(f"camera file {file}: {name} is {value!r}, not a finite number", _REMEDY)
    return number


def _from_json(text: str, file: str) -> Camera:
    data = parse_json(text, where=f"camera file {file}", remedy=_REMEDY)
    if not isinstance(data, dict):
        raise InputError(f"camera file {file} is not a JSON object", _REMEDY)
    missing = [name for name in _REQUIRED if name not in data]
    if missing:
        raise InputError(f"camera file {file}: {', '.join(missing)} is missing", _REMEDY)
    values = {name: _number(data[name], name, file) for name in _REQUIRED}
    values["k3"] = _number(data.get("k3", 0.0), "k3", file)
    if values["width"] != int(values["width"]) or values["height"] != int(values["height"]):
        raise InputError(f"camera file {file}: width and height are not whole numbers", _REMEDY)
    return _camera(values, file)


def _camera(values: dict[str, float], file: str) -> Camera:
    camera = Camera(
        width_px=int(values["width"]),
        height_px=int(values["height"]),
        fx_px=values["fx"],
        fy_px=values["fy"],
        cx_px=values["cx"],
        cy_px=values["cy"],
        k1=values["k1"],
        k2=values["k2"],
        k3=values.get("k3", 0.0),
        p1=values["p1"],
        p2=values["p2"],
    )
    _refuse_implausible(camera, file)
    return camera


def _refuse_implausible(camera: Camera, file: str) -> None:
    """Name a value that no camera has (the bounds are wide: a fisheye and a strong tele lens pass)."""
    longer = max(camera.width_px, camera.height_px)
    for name, focal in (("fx", camera.fx_px), ("fy", camera.fy_px)):
        if not FOCAL_SHARES[0] <= focal / longer <= FOCAL_SHARES[1]:
            raise InputError(
                f"camera file {file}: focal length {name} = {focal:g} px is implausible for a picture of "
                f"{camera.width_px} x {camera.height_px} px",
                "Give the focal length in pixels, not in millimetres, or calibrate the camera.",
            )
    if not 0.5 <= camera.fx_px / camera.fy_px <= 2.0:
        raise InputError(
            f"camera file {file}: fx = {camera.fx_px:g} and fy = {camera.fy_px:g} px differ too much",
            "Correct the two focal lengths: on nearly all cameras they are alike.",
        )
    for name, centre, side in (
        ("cx", camera.cx_px, camera.width_px),
        ("cy", camera.cy_px, camera.height_px),
    ):
        if not -0.5 * side <= centre <= 1.5 * side:
            raise InputError(
                f"camera file {file}: {name} = {centre:g} px lies far outside the picture",
                "Give the principal point in pixels from the upper left corner.",
            )
    half = min(camera.width_px / camera.fx_px, camera.height_px / camera.fy_px) / 2.0
    for name, share in (
        ("k1", camera.k1 * half**2),
        ("k2", camera.k2 * half**4),
        ("k3", camera.k3 * half**6),
        ("p1", camera.p1 * half),
        ("p2", camera.p2 * half),
    ):
        if abs(share) > MOST_BEND:
            raise InputError(
                f"camera file {file}: {name} = {getattr(camera, name):g} would move the edge of the picture by "
                f"{abs(share):.0%}",
                "Correct the value, or calibrate the camera.",
            )


def _yaml_nodes(text: str) -> dict[str, list[float]]:
    """Matrices and scalars of an OpenCV YAML file (its fixed layout, so that no YAML parser is needed)."""
    nodes: dict[str, list[float]] = {}
    for match in re.finditer(
        r"^(\w+)\s*:\s*!!opencv-matrix\s(.*?)data\s*:\s*\[(.*?)\]", text, re.S | re.M
    ):
        nodes[match[1]] = [float(v) for v in match[3].replace("\n", " ").split(",") if v.strip()]
    for match in re.finditer(r"^(\w+)\s*:\s*([-+.\deE]+)\s*$", text, re.M):
        nodes.setdefault(match[1], [float(match[2])])
    return nodes


def _xml_nodes(text: str, file: str) -> dict[str, list[float]]:
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise InputError(
            f"camera file {file} declares entities", "Give a plain OpenCV calibration file."
        )
    nodes: dict[str, list[float]] = {}
    for element in ElementTree.fromstring(text):
        content = element.findtext("data") if element.find("data") is not None else element.text
        try:
            nodes[element.tag] = [float(v) for v in (content or "").split()]
        except ValueError:
            continue
    return nodes


def _from_nodes(
    nodes: dict[str, list[float]], file: str, size_px: tuple[int, int] | None
) -> Camera:
    matrix = next((nodes[n] for n in _MATRIX_NAMES if n in nodes and len(nodes[n]) == 9), None)
    distortion = next((nodes[n] for n in _DISTORTION_NAMES if n in nodes), None)
    if matrix is None or distortion is None:
        raise InputError(
            f"camera file {file} holds no 3 x 3 camera_matrix with distortion_coefficients",
            "Give the calibration file of one camera.",
        )
    if len(distortion) not in (4, 5) and any(distortion[5:]):
        raise InputError(
            f"camera file {file}: {len(distortion)} distortion coefficients; only k1 k2 p1 p2 k3 are used",
            "Calibrate with the five-coefficient model.",
        )
    width = nodes.get("image_width", nodes.get("image_Width", [0.0]))[0]
    height = nodes.get("image_height", nodes.get("image_Height", [0.0]))[0]
    if not (width and height):
        if size_px is None:
            raise InputError(
                f"camera file {file} does not say the size of its pictures",
                "Add image_width and image_height.",
            )
        width, height = size_px
    k1, k2, p1, p2, k3 = (distortion + [0.0] * 5)[:5]
    return _camera(
        {
            "width": width,
            "height": height,
            "fx": matrix[0],
            "fy": matrix[4],
            "cx": matrix[2],
            "cy": matrix[5],
            "k1": k1,
            "k2": k2,
            "k3": k3,
            "p1": p1,
            "p2": p2,
        },
        file,
    )
