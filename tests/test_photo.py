"""Any usual file opens upright, in sRGB, on white; and a bad one is one plain sentence.

Reference: Pillow writes the files; what it wrote is known pixel by pixel. EXIF orientations after
CIPA DC-008 (Exif 2.32), table of tag 0x0112.
"""

from __future__ import annotations

import hashlib
import io
import pathlib
import struct
import zlib
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageCms

from raster2path.errors import NothingFoundError, Raster2PathError, UnreadableError
from raster2path.job import PhotoRules
from raster2path.model import Picture
from raster2path.picture.photo import open_picture

Bytes = npt.NDArray[np.uint8]


def opened(path: pathlib.Path) -> Picture:
    return open_picture(path, rules=PhotoRules())


def colours() -> Bytes:
    """Red, green, blue and grey quarters, 40 wide and 24 high."""
    rgb = np.zeros((24, 40, 3), np.uint8)
    rgb[:12, :20] = 200, 30, 20
    rgb[:12, 20:] = 20, 180, 40
    rgb[12:, :20] = 30, 40, 220
    rgb[12:, 20:] = 128
    return rgb


@pytest.mark.parametrize("ending", ["png", "tif", "bmp", "webp", "jpg", "heic", "gif"])
def test_usual_formats_open(tmp_path: pathlib.Path, ending: str) -> None:
    path = tmp_path / f"ferry.v2.{ending}"
    if ending == "heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
    options: dict[str, dict[str, Any]] = {
        "webp": {"lossless": True},
        "jpg": {"quality": 95, "subsampling": 0},
    }
    Image.fromarray(colours()).save(path, **options.get(ending, {}))
    picture = opened(path)
    assert picture.name == "ferry.v2"
    assert picture.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert picture.upright_size_px == (40, 24)
    assert picture.mm_per_px is None
    assert not picture.is_squared
    assert (picture.work_from_upright == np.eye(3)).all()
    assert not picture.rgb.flags.writeable
    loss = {"jpg": 12, "heic": 40, "gif": 3}.get(ending, 0)
    middles = picture.rgb[6::12, 10::20].astype(int)
    assert np.abs(middles - colours()[6::12, 10::20]).max() <= loss


TURNED = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: np.transpose(a, (1, 0, 2)),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: np.rot90(np.transpose(a, (1, 0, 2)), 2),
    8: lambda a: np.rot90(a, -1),
}
"""How an upright picture is stored under each orientation."""


@pytest.mark.parametrize("ending", ["jpg", "png", "tif"])
@pytest.mark.parametrize("orientation", TURNED)
def test_exif_turn_is_honoured(tmp_path: pathlib.Path, orientation: int, ending: str) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = np.ascontiguousarray(TURNED[orientation](colours()))
    path = tmp_path / f"turned.{ending}"
    options: dict[str, Any] = {"quality": 95, "subsampling": 0} if ending == "jpg" else {}
    Image.fromarray(stored).save(path, exif=exif, **options)
    rgb = opened(path).rgb.astype(int)
    assert rgb.shape == (24, 40, 3)
    assert np.abs(rgb[6::12, 10::20] - colours()[6::12, 10::20]).max() <= 12


def test_transparency_lies_on_white(tmp_path: pathlib.Path) -> None:
    rgba = np.zeros((20, 30, 4), np.uint8)
    rgba[:, 10:20, 3] = 255
    rgba[:, 20:, 3] = 128
    Image.fromarray(rgba).save(tmp_path / "clear.png")
    rgb = opened(tmp_path / "clear.png").rgb
    assert (rgb[:, :10] == 255).all()
    assert (rgb[:, 10:20] == 0).all()
    assert np.abs(rgb[:, 20:].astype(int) - 127).max() <= 1


def test_transparent_colour_of_a_palette_lies_on_white(tmp_path: pathlib.Path) -> None:
    image = Image.new("P", (20, 20), 1)
    image.putpalette([10, 20, 30, 200, 0, 0])
    image.paste(0, (0, 0, 10, 20))
    image.save(tmp_path / "palette.png", transparency=0)
    rgb = opened(tmp_path / "palette.png").rgb
    assert (rgb[:, :10] == 255).all()
    assert (rgb[:, 10:] == (200, 0, 0)).all()


@pytest.mark.parametrize("ending", ["png", "tif"])
def test_sixteen_bit_grey_keeps_its_scale(tmp_path: pathlib.Path, ending: str) -> None:
    grey = np.full((20, 20), 257 * 10, np.uint16)
    grey[:, 10:] = 257 * 200
    Image.fromarray(grey).save(tmp_path / f"deep.{ending}")
    rgb = opened(tmp_path / f"deep.{ending}").rgb
    assert (rgb[:, :10] == 10).all()
    assert (rgb[:, 10:] == 200).all()


def test_sixteen_bit_colours_in_tiff(tmp_path: pathlib.Path) -> None:
    import cv2

    bgr = np.zeros((20, 20, 3), np.uint16)
    bgr[..., 2] = 257 * 90
    assert cv2.imwrite(str(tmp_path / "deep.tif"), bgr)
    assert (opened(tmp_path / "deep.tif").rgb == (90, 0, 0)).all()


def test_fractions_and_one_bit(tmp_path: pathlib.Path) -> None:
    Image.fromarray(np.full((20, 20), 0.5, np.float32)).save(tmp_path / "part.tif")
    assert np.abs(opened(tmp_path / "part.tif").rgb.astype(int) - 128).max() <= 1
    Image.new("1", (20, 20), 1).save(tmp_path / "bit.png")
    assert (opened(tmp_path / "bit.png").rgb == 255).all()


def test_cmyk_black_is_dark_and_bare_paper_white(tmp_path: pathlib.Path) -> None:
    image = Image.new("CMYK", (40, 20), (0, 0, 0, 0))
    image.paste((0, 0, 0, 255), (0, 0, 20, 20))
    image.save(tmp_path / "print.jpg", quality=95)
    rgb = opened(tmp_path / "print.jpg").rgb
    assert rgb[:, :12].max() < 20
    assert rgb[:, 28:].min() > 235


def test_another_colour_space_becomes_srgb_and_srgb_is_left(tmp_path: pathlib.Path) -> None:
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    Image.fromarray(colours()).save(tmp_path / "srgb.png", icc_profile=lab)
    assert (opened(tmp_path / "srgb.png").rgb == colours()).all()
    Image.fromarray(colours()).save(tmp_path / "odd.png", icc_profile=b"no profile at all")
    assert (opened(tmp_path / "odd.png").rgb == colours()).all()


def test_several_pages_are_told(tmp_path: pathlib.Path) -> None:
    first, second = Image.new("L", (20, 20), 255), Image.new("L", (20, 20), 0)
    first.save(tmp_path / "two.tif", save_all=True, append_images=[second])
    picture = opened(tmp_path / "two.tif")
    assert (picture.rgb == 255).all()
    assert "2 pictures" in picture.notes[0].sentence


def png_header(width: int, height: int) -> bytes:
    body = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    head = b"IHDR" + body
    chunk = struct.pack(">I", len(body)) + head + struct.pack(">I", zlib.crc32(head))
    return b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 10) + b"IDAT" + bytes(14)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", r"bad.png is empty"),
        (b"not a picture at all", r"bad.png is not a picture; expected JPEG"),
        (png_header(30_000, 30_000), r"900 million pixels"),
        (png_header(12_000, 12_000), r"12000 x 12000 pixels, at most 120 million"),
        (png_header(70_000, 20), r"70000 x 20 pixels"),
        (png_header(100, 100), r"bad.png is damaged or cut short"),
    ],
)
def test_bad_files_are_one_sentence(tmp_path: pathlib.Path, content: bytes, said: str) -> None:
    path = tmp_path / "bad.png"
    path.write_bytes(content)
    with pytest.raises(UnreadableError, match=said) as caught:
        opened(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("ending", ["jpg", "png", "webp", "tif", "heic", "gif", "bmp"])
@pytest.mark.parametrize("share", [0.01, 0.3, 0.7, 0.97])
def test_a_cut_short_file_is_never_a_traceback(
    tmp_path: pathlib.Path, ending: str, share: float
) -> None:
    if ending == "heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
    noise = np.random.default_rng(1).integers(0, 255, (60, 60, 3), np.uint8)
    kept = io.BytesIO()
    names = {"jpg": "JPEG", "tif": "TIFF", "heic": "HEIF"}
    Image.fromarray(noise).save(kept, format=names.get(ending, ending.upper()))
    path = tmp_path / f"cut.{ending}"
    path.write_bytes(kept.getvalue()[: int(share * len(kept.getvalue()))])
    with pytest.raises(UnreadableError, match="cut"):
        opened(path)


def test_missing_and_folder(tmp_path: pathlib.Path) -> None:
    with pytest.raises(UnreadableError, match="no such file"):
        opened(tmp_path / "nowhere.png")
    with pytest.raises(UnreadableError, match="is a folder"):
        opened(tmp_path)


def test_no_permission(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.png"
    path.write_bytes(b"x")

    def refuse(_: pathlib.Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(pathlib.Path, "read_bytes", refuse)
    with pytest.raises(UnreadableError, match="may not be read by you"):
        opened(path)


@pytest.mark.parametrize("size", [(1, 1), (15, 400)])
def test_too_small(tmp_path: pathlib.Path, size: tuple[int, int]) -> None:
    Image.new("L", size, 0).save(tmp_path / "dot.png")
    with pytest.raises(NothingFoundError, match="too small"):
        opened(tmp_path / "dot.png")


def test_every_error_is_for_the_maker() -> None:
    assert issubclass(UnreadableError, Raster2PathError)
    assert UnreadableError.exit_status == 4
    assert NothingFoundError.exit_status == 3
