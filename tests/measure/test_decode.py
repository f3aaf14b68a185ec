"""Decoding from memory: what is read, with which curve, and what is refused in one line."""

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from auditor.artificial.camera import Mosaic
from auditor.artificial.files import FrameTags, mosaic_bytes
from auditor.measure.decode import Undecodable, decode
from auditor.measure.frame import measure_file
from auditor.measure.icc_profiles import transfer_from_icc
from auditor.measure.picture import Picture


def ramp(width: int = 400, height: int = 300) -> np.ndarray:
    x = np.linspace(0, 255, width)[None, :, None]
    y = np.linspace(0.2, 1, height)[:, None, None]
    return np.broadcast_to(x * y, (height, width, 3)).round().astype(np.uint8)


def encoded(array: np.ndarray, suffix: str, **save: object) -> bytes:
    out = io.BytesIO()
    Image.fromarray(array).save(out, suffix, **save)
    return out.getvalue()


@pytest.mark.parametrize(("kind", "suffix"), [("PNG", "png"), ("TIFF", "tif"), ("WEBP", "webp")])
def test_lossless_files_come_back_exactly(kind: str, suffix: str) -> None:
    array = ramp()
    options = {"lossless": True} if kind == "WEBP" else {}
    picture = decode(encoded(array, kind, **options), f"a.{suffix}")
    assert picture.code is not None
    np.testing.assert_array_equal(picture.code[..., ::-1], array)


def test_jpeg_luma_is_the_coded_grey_plane() -> None:
    data = encoded(ramp(), "JPEG", quality=95)
    picture = decode(data, "a.jpg")
    grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert np.abs(picture.luma.astype(int) - grey).max() <= 2
    assert picture.lossy


def test_a_jpeg_under_a_raw_file_s_name_is_read_as_jpeg() -> None:
    picture = decode(encoded(ramp(), "JPEG"), "a.nef")
    assert picture.code is not None
    assert picture.lossy


def test_sixteen_bit_files_keep_their_depth() -> None:
    data = cv2.imencode(".png", (ramp().astype(np.uint16) * 257))[1].tobytes()
    picture = decode(data, "a.png")
    assert picture.code is not None
    assert picture.code.dtype == np.uint16
    assert picture.peak == 65535


def test_orientation_is_left_to_the_sensor() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    picture = decode(encoded(ramp(), "JPEG", exif=exif), "a.jpg")
    assert picture.shape == (300, 400)


def test_srgb_curve_is_the_standards() -> None:
    """IEC 61966-2-1: code 0.5 is 0.2140 of white, code 10/255 lies on the straight part."""
    picture = Picture(np.zeros((8, 8), np.uint8))
    assert picture.linear(np.array([0.5], np.float32))[0] == pytest.approx(0.21404, abs=1e-4)
    assert picture.linear(np.array([10], np.uint8))[0] == pytest.approx(10 / 255 / 12.92, abs=1e-6)
    assert picture.linear(np.array([255], np.uint8))[0] == pytest.approx(1)


def test_profiles_give_their_curve() -> None:
    """A profile made by littlecms, which we did not write, is recognised as sRGB."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert transfer_from_icc(profile) == "srgb"
    curve = b"curv" + bytes(4) + struct.pack(">IH", 1, int(2.2 * 256)) + bytes(2)
    header = bytes(128) + struct.pack(">I", 1) + struct.pack(">4sII", b"gTRC", 144, len(curve))
    assert transfer_from_icc(header + curve) == pytest.approx(2.2, abs=0.01)
    assert transfer_from_icc(b"nonsense") is None


def huge_png(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    pixels = chunk(b"IDAT", zlib.compress(bytes(100)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + pixels + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("data", "name", "reason"),
    [
        (b"", "a.jpg", "empty"),
        (b"plain text, no picture", "a.jpg", "not a picture"),
        (b"plain text, no picture", "a.nef", "^not a picture, whatever its name says$"),
        (np.random.default_rng(3).bytes(307_200), "a.nef", "^not a picture, whatever"),
        (bytes(307_200), "a.nef", "not a picture, whatever its name says"),
        (b"II*\x00" + bytes(20_000), "a.gpr", "can't be read: damaged, or of a kind"),
        (huge_png(65000, 65000), "a.png", "65000 x 65000"),
        (encoded(ramp(40, 30), "PNG"), "a.png", "too small"),
        (encoded(ramp(), "JPEG")[:4000], "a.jpg", "truncated"),
        (b"\x00\x00\x00\x18ftypheic" + bytes(50), "a.heic", "HEIC"),
    ],
)
def test_refusals_name_the_reason(data: bytes, name: str, reason: str) -> None:
    with pytest.raises(Undecodable, match=reason):
        decode(data, name)


def test_one_bit_pictures_are_refused() -> None:
    out = io.BytesIO()
    Image.fromarray(ramp()).convert("1").save(out, "PNG")
    with pytest.raises(Undecodable, match="1-bit"):
        decode(out.getvalue(), "a.png")


@pytest.mark.parametrize("mode", ["L", "P", "RGBA", "LA", "CMYK"])
def test_unusual_modes_are_read(mode: str) -> None:
    out = io.BytesIO()
    picture_in = Image.fromarray(ramp()).convert(mode)
    kind = "JPEG" if mode == "CMYK" else "PNG"
    picture_in.save(out, kind)
    picture = decode(out.getvalue(), f"a.{kind.lower()}")
    theirs = np.asarray(picture_in.convert("RGB").convert("L"), float)
    assert np.abs(picture.luma.astype(float) - theirs).mean() < 2


def test_float_tiff_with_holes_is_finite() -> None:
    import tifffile

    array = ramp()[..., 0].astype(np.float32) / 255
    array[5, 5] = np.nan
    out = io.BytesIO()
    tifffile.imwrite(out, array)
    picture = decode(out.getvalue(), "a.tif")
    assert picture.code is not None
    assert np.isfinite(picture.code).all()
    assert picture.transfer == "linear"


def test_a_raw_file_without_an_ending_is_raw_all_the_same() -> None:
    rng = np.random.default_rng(5)
    dots = rng.integers(600, 3000, (240, 320)).astype(np.uint16)
    drawn = Mosaic(dots, 512, 4095, (1, 1, 1), 1, 1)
    data = mosaic_bytes(drawn)
    named, bare = decode(data, "x.dng"), decode(data, "x")
    assert named.mosaic is not None
    assert bare.mosaic is not None
    assert np.array_equal(named.mosaic.raw, bare.mosaic.raw)


def test_a_tiff_without_an_ending_is_the_same_tiff() -> None:
    slope = np.linspace(0, 65535, 240 * 320).reshape(240, 320).astype(np.uint16)
    data = cv2.imencode(".tiff", slope)[1].tobytes()
    bare, named = decode(data, "x"), decode(data, "x.tif")
    assert named.code is not None
    assert bare.code is not None
    assert np.array_equal(bare.code, named.code)


@pytest.mark.parametrize(
    ("name", "kind"),
    [("a.jpg", "JPG "), ("a.TIFF", "TIFF "), ("a.txt", ""), ("a", ""), ("b.mp4", "")],
)
def test_what_is_no_picture_is_told_without_calling_its_ending_one(name: str, kind: str) -> None:
    said = "^not a picture, whatever its name says$" if kind else "^not a picture$"
    with pytest.raises(Undecodable, match=said):
        decode(b"no picture at all", name)
    with pytest.raises(Undecodable, match=f"^not a picture, or its {kind}header is damaged$"):
        decode(b"\xff\xd8\xff no picture at all", name)


def test_a_raw_file_of_an_unknown_coding_is_called_that_and_by_its_camera() -> None:
    tags = FrameTags(make="Northlight", model="NL-7", f_number=8, iso=100, pixel_pitch_um=4.0)
    raw = Mosaic(np.full((400, 600), 500, np.uint16), 64, 1023, (1.0, 1.0, 1.0), 1.0, 2.0)
    data = bytearray(mosaic_bytes(raw, tags))
    # TIFF 6.0, tag 259, one SHORT: another number for Compression than any that is in use.
    at = data.find(struct.pack("<HHI", 259, 3, 1)) + 8
    data[at : at + 2] = struct.pack("<H", 65_000)
    record = measure_file(bytes(data), "a.gpr")
    assert record.status == "set-aside"
    assert record.reason == (
        "a file of the Northlight NL-7 in a format that the decoder does not know"
    )
    cut = measure_file(mosaic_bytes(raw, tags)[:100_000], "a.dng")
    assert cut.reason == "the raw data is damaged or breaks off"
