"""Opens a picture: any usual format, upright, in sRGB, transparency laid onto white."""

from __future__ import annotations

import hashlib
import io
import pathlib
import re
import warnings

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from raster2path.errors import NothingFoundError, UnreadableError
from raster2path.job import PhotoRules
from raster2path.model import Note, NoteKind, Picture, frozen

Rgb = npt.NDArray[np.uint8]

MOST_MPX = 120
"""Larger pictures would need more memory than a workshop's laptop has to spare."""

LONGEST_SIDE_PX = 65_000
"""More than any camera or scanner gives."""

LEAST_SIDE_PX = 16
"""Below this nothing drawn can be told from a smudge."""

_FORMATS = "JPEG, PNG, TIFF, WebP, BMP, GIF or HEIC"


def open_picture(path: pathlib.Path, *, rules: PhotoRules) -> Picture:  # noqa: ARG001 (every room takes its rules; paper is squared up by `paper`)
    """The picture in a file, upright and in sRGB.

    Args:
        path: JPEG, PNG, TIFF, WebP, BMP, GIF (first frame) or HEIC.
        rules: nothing in them concerns opening; they are for `square_up`.

    Returns:
        The picture as it is meant to be seen (EXIF turn honoured), not squared up.

    Raises:
        UnreadableError: the file is missing, damaged, not a picture or too large.
        NothingFoundError: the picture is too small to hold anything drawn.
    """
    content = _read(path)
    rgb, notes = decoded(content, path.name)
    frozen(rgb)
    rows, cols = rgb.shape[:2]
    return Picture(
        name=path.stem,
        sha256=hashlib.sha256(content).hexdigest(),
        rgb=rgb,
        upright_size_px=(cols, rows),
        work_from_upright=np.eye(3),
        notes=notes,
    )


def _read(path: pathlib.Path) -> bytes:
    name = path.name or str(path)
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise UnreadableError(f"{path}: no such file; check the name and the folder") from None
    except IsADirectoryError:
        raise UnreadableError(
            f"{path} is a folder, expected a picture; name a file in it"
        ) from None
    except PermissionError:
        if path.is_dir():  # how some systems answer for a folder
            raise UnreadableError(f"{path} is a folder; name a picture in it") from None
        raise UnreadableError(
            f"{name} may not be read by you; change its permissions or copy it"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UnreadableError(f"{name} can't be read ({reason}); copy it and try again") from None
    if not content:
        raise UnreadableError(f"{name} is empty (0 bytes); copy or save the picture again")
    return content


def decoded(content: bytes, name: str) -> tuple[Rgb, tuple[Note, ...]]:
    """A picture's pixels from the bytes of its file, upright and in sRGB.

    Args:
        content: as `open_picture` takes it.
        name: what the maker calls it.

    Returns:
        Shape (rows, columns, 3), and what was noticed.

    Raises:
        UnreadableError: damaged, not a picture or too large.
        NothingFoundError: too small to hold anything drawn.
    """
    with warnings.catch_warnings():
        # A decoder's warnings are for programmers; what concerns the maker is an error below.
        warnings.simplefilter("ignore")
        return _decode(content, name)


def _decode(content: bytes, name: str) -> tuple[Rgb, tuple[Note, ...]]:
    image = _open_header(content, name)
    with image:
        _check_size(image.size, name)
        if _is_plain_jpeg(image, content):
            plain = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
            if plain is not None:
                return cv2.cvtColor(plain, cv2.COLOR_BGR2RGB, dst=plain).astype(
                    np.uint8, copy=False
                ), ()
        notes = _notes_on(image, name)
        try:
            rgb = _to_rgb(image)
        except MemoryError:
            raise UnreadableError(
                f"{name} is too large for this machine's memory; save it smaller"
            ) from None
        except Exception as error:  # noqa: BLE001 (damaged files make decoders raise anything)
            raise UnreadableError(
                f"{name} is damaged or cut short ({_clause(error)}); copy or save it again"
            ) from None
    return rgb, notes


def _open_header(content: bytes, name: str) -> Image.Image:
    """The picture with its header read, nothing decoded yet."""
    if content[4:8] == b"ftyp":
        import pillow_heif

        pillow_heif.register_heif_opener()
    try:
        return Image.open(io.BytesIO(content))
    except Image.DecompressionBombError as error:
        pixels = re.search(r"\d{6,}", str(error))
        size = f"{int(pixels[0]) / 1e6:.0f}" if pixels else f"over {MOST_MPX}"
        raise UnreadableError(
            f"{name} is declared to hold {size} million pixels, at most {MOST_MPX} are accepted; "
            "save it smaller"
        ) from None
    except UnidentifiedImageError:
        wide = _wide_tiff(content, name)
        if wide is not None:
            return wide
        raise UnreadableError(f"{name} is not a picture; expected {_FORMATS}") from None
    except Exception as error:  # noqa: BLE001 (damaged files make decoders raise anything)
        raise UnreadableError(
            f"{name} is damaged ({_clause(error)}); copy or save the picture again"
        ) from None


def _wide_tiff(content: bytes, name: str) -> Image.Image | None:
    """A TIFF of 16 bits a colour, which Pillow does not take, in 8 bits; else None."""
    if content[:4] not in {b"II*\0", b"MM\0*"}:
        return None
    logs = getattr(cv2.utils, "logging", cv2)  # OpenCV 4 has it in cv2 itself
    level = logs.setLogLevel(0)  # silent: we say it in one line
    try:
        found = cv2.imdecode(
            np.frombuffer(content, np.uint8), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR
        )
    except cv2.error:
        return None
    finally:
        logs.setLogLevel(level)
    if found is None:
        return None
    _check_size((found.shape[1], found.shape[0]), name)
    if found.dtype == np.uint16:
        found = _bytes_from(found / np.float32(257))
    return Image.fromarray(cv2.cvtColor(_bytes_from(found), cv2.COLOR_BGR2RGB))


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if max(size) > LONGEST_SIDE_PX or width * height > MOST_MPX * 1e6:
        raise UnreadableError(
            f"{name} is {width} x {height} pixels, at most {MOST_MPX} million and "
            f"{LONGEST_SIDE_PX} a side are accepted; save it smaller"
        )
    if min(size) < LEAST_SIDE_PX:
        raise NothingFoundError(
            f"{name} is only {width} x {height} pixels, too small to hold a drawing; "
            "send the picture itself, not its thumbnail"
        )


def _is_plain_jpeg(image: Image.Image, content: bytes) -> bool:
    """True where OpenCV decodes it rightly, and three times as fast: whole, no odd colours."""
    return (
        image.format in {"JPEG", "MPO"}
        and image.mode in {"L", "RGB"}
        # Without its end mark it is cut short, which OpenCV would fill with grey.
        and content.rstrip(b"\0").endswith(b"\xff\xd9")
        and _odd_profile(image) is None
    )


def _notes_on(image: Image.Image, name: str) -> tuple[Note, ...]:
    n_pages = _n_pages(image)
    if image.format in {"MPO", "HEIF", "AVIF"} or n_pages < 2:
        return ()
    sentence = f"{name} holds {n_pages} pictures; the first was taken"
    return (Note(NoteKind.PICTURE, sentence),)


def _n_pages(image: Image.Image) -> int:
    """How many pictures the file holds; one, where those after the first are damaged."""
    try:
        return int(getattr(image, "n_frames", 1))
    except Exception:  # noqa: BLE001 (damaged files make decoders raise anything)
        return 1
    finally:
        image.seek(0)


def _to_rgb(image: Image.Image) -> Rgb:
    image.load()
    profile = _odd_profile(image)
    upright = ImageOps.exif_transpose(image)
    if upright.mode in {"F", "I"} or upright.mode.startswith("I;"):
        return np.repeat(_eight_bits(np.asarray(upright))[:, :, None], 3, axis=2)
    if upright.has_transparency_data:
        rgba = upright.convert("RGBA")
        white = Image.new("RGBA", rgba.size, (255, 255, 255, 255))
        colours = Image.alpha_composite(white, rgba).convert("RGB")
    elif upright.mode in {"CMYK", "L", "RGB"}:
        colours = upright
    else:
        colours = upright.convert("RGB")
    if profile is not None:
        colours = _in_srgb(colours, profile)
    return np.array(colours.convert("RGB"), np.uint8)


def _eight_bits(grey: npt.NDArray[np.generic]) -> Rgb:
    """Grey of 16 or 32 bits or of fractions, in 8 bits; the scale is guessed by the largest."""
    values = np.nan_to_num(grey.astype(np.float32))
    top = float(values.max(initial=0))
    if grey.dtype.kind == "f":
        scale = 255.0 if top <= 1 else 1.0 if top <= 255 else 255 / top
    elif grey.dtype.itemsize == 2 or 255 < top <= 65535:
        scale = 1 / 257
    else:
        scale = 1.0 if top <= 255 else 255 / top
    return _bytes_from(values * np.float32(scale))


def _bytes_from(values: npt.NDArray[np.generic]) -> Rgb:
    return np.asarray(np.clip(np.rint(values), 0, 255), np.uint8)


def _odd_profile(image: Image.Image) -> ImageCms.ImageCmsProfile | None:
    """The picture's colour profile, where there is one that fits it and is not sRGB itself."""
    icc = image.info.get("icc_profile")
    if not icc:
        return None
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        told = (ImageCms.getProfileDescription(profile) or "").lower()
        space = profile.profile.xcolor_space.strip()
    except Exception:  # noqa: BLE001 (a broken profile is as good as none)
        return None
    fits = {"RGB": "RGB", "RGBA": "RGB", "P": "RGB", "L": "GRAY", "CMYK": "CMYK"}.get(image.mode)
    return None if "srgb" in told or space != fits else profile


def _in_srgb(image: Image.Image, profile: ImageCms.ImageCmsProfile) -> Image.Image:
    try:
        srgb = ImageCms.createProfile("sRGB")
        changed = ImageCms.profileToProfile(image, profile, srgb, outputMode="RGB")
    except Exception:  # noqa: BLE001 (a profile that can't be used is as good as none)
        return image
    return image if changed is None else changed


def _clause(error: Exception) -> str:
    """What a library said, short enough for a sentence."""
    words = " ".join(str(error).split()) or type(error).__name__
    return words if len(words) <= 80 else words[:77] + "..."
