"""Photos: sizes, EXIF and pixels, with broken, hostile and wrong files refused in one line.

The one place where pictures are decoded: whoever reads a picture here gets it upright, as every program shows it.
"""

from __future__ import annotations

import contextlib
import hashlib
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.whole_files import need_file, open_whole
from facademap.limits import hold_within
from facademap.photo.orientation import UPRIGHT, Turn

__all__ = [
    "PictureInfo",
    "hash_file",
    "read_deep_picture",
    "read_orientation",
    "read_picture",
    "read_picture_info",
    "white_of_depth",
    "write_png",
]

Bytes = NDArray[np.uint8]

_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "BMP", "JPEG2000", "PPM")
#: Bits of a sensor that are stored in 16.
_DEPTHS = (8, 10, 12, 14, 16)
#: How a phone's HEIC begins, from its fifth byte (ISO/IEC 14496-12, ftyp box; 23008-12, brands).
_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"hevc")


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureInfo:
    """What a photo says about itself without being decoded.

    Parameters
    ----------
    width_px, height_px : int
        Size of the upright picture, after the turn that EXIF asks for.
    format : str
    orientation : int
        EXIF orientation, 1 to 8 (1: stored upright).
    camera_name : str or None
        Make and model.
    focal_mm, focal_35mm_mm : float or None
    taken_at : str or None
        As written by the camera.
    has_position : bool
        Whether EXIF holds a GPS position; the position itself is not read.
    """

    width_px: int
    height_px: int
    format: str
    orientation: int = UPRIGHT
    camera_name: str | None = None
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    taken_at: str | None = None
    has_position: bool = False

    @property
    def turn(self) -> Turn:
        """How the stored picture is turned to stand upright."""
        return Turn(orientation=self.orientation, width_px=self.width_px, height_px=self.height_px)


@contextlib.contextmanager
def _opened(path: Path, limit: str) -> Iterator[Any]:
    from PIL import Image, UnidentifiedImageError

    need_file(path)
    try:
        if path.is_dir():
            raise FileError(f"photo {path.name} is a folder", "Give the path of a picture.")
        if path.stat().st_size == 0:
            raise InputError(f"photo {path.name} is empty", "Copy the photo again from the camera.")
    except FileNotFoundError:
        raise FileError(f"photo {path} does not exist", "Check the spelling of the path.") from None
    before = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                image = Image.open(path, formats=(*_FORMATS, *_further_formats(path)))
            except InputError:
                raise
            except UnidentifiedImageError:
                raise InputError(
                    f"photo {path.name} is not a picture that can be read",
                    "Give a JPEG, PNG, TIFF or WebP picture (develop raw files first).",
                ) from None
            except PermissionError:
                raise FileError(
                    f"photo {path.name} may not be read", "Change its permissions."
                ) from None
            except Exception as error:
                raise InputError(
                    f"photo {path.name} is damaged ({error})",
                    "Copy the photo again from the camera.",
                ) from None
            with image:
                hold_within(
                    limit,
                    image.width * image.height / 1e6,
                    what=f"photo {path.name} claims {image.width} x {image.height} px",
                    unit=" megapixel that are decoded",
                    remedy="Check the file, cut a very large picture into parts",
                )
                yield image
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _further_formats(path: Path) -> tuple[str, ...]:
    """HEIC, where its library is installed; the file comes out upright."""
    with path.open("rb") as file:
        start = file.read(12)
    if start[4:8] != b"ftyp" or start[8:12] not in _HEIC_BRANDS:
        return ()
    try:
        import pillow_heif
    except ImportError:
        raise InputError(
            f"photo {path.name} is a HEIC picture, which needs a library that is not installed",
            'Install it with pip install "facademap[heic]", or export the photo as JPEG.',
        ) from None
    pillow_heif.register_heif_opener()
    return ("HEIF",)


def white_of_depth(brightest: int) -> int:
    """White of a picture whose pixels have 16 bits: that of the usual sensor depth which holds its brightest pixel.

    Nothing is clipped, and a 12 bit picture stored in 16 does not come out black.
    """
    return int(2 ** next(d for d in _DEPTHS if brightest < 2**d) - 1)


def read_picture_info(path: Path, *, limit: str = "megapixels") -> PictureInfo:
    """Size and EXIF of a photo.

    Raises
    ------
    FileError, InputError
    """
    with _opened(path, limit) as image:
        return _info(image)


def read_orientation(path: Path) -> int:
    """EXIF orientation of a picture of any size, 1 to 8; 1 where it states none that can be read."""
    from PIL import Image

    before = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path, formats=_FORMATS) as image:
                return _info(image).orientation
    except Exception:  # what GDAL reads and Pillow does not has no turn
        return UPRIGHT
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _info(image: Any) -> PictureInfo:
    try:
        exif = image.getexif()
        detail = exif.get_ifd(0x8769)
        position = bool(exif.get_ifd(0x8825))
    except Exception:  # damaged EXIF is no reason to refuse good pixels
        return PictureInfo(width_px=image.width, height_px=image.height, format=image.format or "")
    turn = exif.get(0x0112, 1)
    orientation = turn if isinstance(turn, int) and 1 <= turn <= 8 else 1
    width, height = image.width, image.height
    if image.format != "TIFF" and orientation >= 5:  # Pillow tells the turned size of a TIFF
        width, height = height, width
    return PictureInfo(
        width_px=width,
        height_px=height,
        format=image.format or "",
        orientation=orientation,
        camera_name=" ".join(str(exif[t]).strip("\x00 ") for t in (0x010F, 0x0110) if t in exif)
        or None,
        focal_mm=_positive(detail.get(0x920A)),
        focal_35mm_mm=_positive(detail.get(0xA405)),
        taken_at=str(detail[0x9003]) if 0x9003 in detail else None,
        has_position=position,
    )


def _positive(value: Any) -> float | None:
    with contextlib.suppress(TypeError, ValueError, ZeroDivisionError):
        number = float(value)
        if 0 < number < 1e5:
            return number
    return None


def read_picture(path: Path, *, limit: str = "megapixels") -> tuple[Bytes, PictureInfo]:
    """Decode a photo upright, as its EXIF says that it is to be shown.

    Parameters
    ----------
    path : Path
    limit : str
        Name of the limit of its pixels.

    Returns
    -------
    picture : ndarray of uint8, shape (rows, columns, 3)
        RGB; grey is repeated, transparency dropped, 16 bit (and 10, 12, 14 in 16) brought to 8.
    info : PictureInfo

    Raises
    ------
    FileError, InputError
        Missing, empty, truncated, no picture, or too large.
    """
    with _opened(path, limit) as image:
        info = _info(image)
        try:
            if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
                return info.turn.upright_picture(_decode_jpeg(path)), info
            if image.mode in ("I", "I;16", "I;16B", "F") or _is_deep(path, image):
                return _eight_bit(_decode_deep(path, info)), info
            picture = np.asarray(image.convert("RGB"))
            # Pillow turns a TIFF (and no other format) when it loads it
            return (picture if image.format == "TIFF" else info.turn.upright_picture(picture)), info
        except (InputError, MemoryError):
            raise
        except Exception as error:
            raise InputError(
                f"photo {path.name} is truncated or damaged ({error})",
                "Copy the photo again from the camera.",
            ) from None


def _decode_jpeg(path: Path) -> Bytes:
    import simplejpeg

    data = path.read_bytes()
    if b"\xff\xd9" not in data[-65536:] and b"\xff\xd9" not in data[len(data) // 2 :]:
        raise ValueError("its end is missing")
    return np.asarray(
        simplejpeg.decode_jpeg(
            data, colorspace="RGB", fastdct=False, fastupsample=False, strict=True
        )
    )


def _is_deep(path: Path, image: Any) -> bool:
    """Whether a colour picture has more than 8 bits, which Pillow would cut off."""
    if image.format == "PNG":
        with path.open("rb") as file:
            return file.read(25)[24:] == b"\x10"  # bit depth of the header chunk
    bits = getattr(image, "tag_v2", {}).get(258, (8,)) if image.format == "TIFF" else (8,)
    return max(bits) > 8


def read_deep_picture(path: Path, info: PictureInfo) -> NDArray[np.uint16] | None:
    """A picture of 16 bits a colour with all of them, upright RGB; None where it has fewer."""
    if info.format not in ("PNG", "TIFF", "PPM"):
        return None
    try:
        picture = _decode_deep(path, info)
    except ValueError:
        return None
    return picture if picture.dtype == np.uint16 else None


def _decode_deep(path: Path, info: PictureInfo) -> NDArray[Any]:
    """Decode with all bits, upright RGB, by readers that are known to leave the picture as it is stored."""
    picture = _decode_tiff(path) if info.format == "TIFF" else _decode_other(path)
    if picture is None:
        raise ValueError("its pixel format is not known")
    return info.turn.upright_picture(picture)


def _decode_tiff(path: Path) -> NDArray[Any] | None:
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        try:
            with rasterio.open(path, driver="GTiff") as file:
                bands = file.read([1, 2, 3] if file.count >= 3 else [1, 1, 1])
        except RasterioError:
            return None
    return np.ascontiguousarray(np.moveaxis(bands, 0, 2))


def _decode_other(path: Path) -> NDArray[Any] | None:
    import cv2

    picture = cv2.imread(
        str(path), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    )
    return None if picture is None else np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB))


def _eight_bit(picture: NDArray[Any]) -> Bytes:
    if picture.dtype == np.uint16:
        scale = np.float32(255 / white_of_depth(int(picture.max())))
        return np.asarray(np.round(picture * scale).astype(np.uint8))
    if picture.dtype != np.uint8:
        raise ValueError(f"pixels of type {picture.dtype} have no defined white")
    return picture


def hash_file(path: Path) -> str:
    """SHA-256 of a file's content, hexadecimal: photos are known by it."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_png(path: Path, picture: Bytes) -> None:
    """Write a PNG whole or not at all."""
    from PIL import Image

    with open_whole(path) as file:
        Image.fromarray(picture).save(file, format="PNG")
