"""HEIC and AVIF: decoded as stored, turned once, refused in one line. Files are made by the libraries
(libheif with x265, libavif), from pictures and settings that are known."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps, features
from test_decode import ramp

from auditor.measure import measure_file
from auditor.measure.decode import Undecodable, decode
from auditor.measure.isobmff import is_container, read_container
from auditor.measure.noise.spectrum import input_rounding

pillow_heif = pytest.importorskip("pillow_heif")

CAMERA_FILES = Path(__file__).parents[3] / "shared" / "data" / "camera-files"


def smooth(width: int = 400, height: int = 300, seed: int = 1) -> np.ndarray:
    """Soft blobs without any symmetry, so that no turn goes unseen; (H, W, 3) uint8, R G B."""
    noise = np.random.default_rng(seed).normal(size=(height, width, 3)).astype(np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), 8)
    return ((soft - soft.min()) / np.ptp(soft) * 255).round().astype(np.uint8)


def exif(orientation: int = 1, **more: object) -> Image.Exif:
    tags = Image.Exif()
    tags[0x0112] = orientation
    for key, value in more.items():
        tags[int(key.lstrip("t"), 16)] = value
    return tags


def heic(array: np.ndarray, tags: Image.Exif | None = None, quality: int = 95) -> bytes:
    out = io.BytesIO()
    mode = "RGB" if array.dtype == np.uint8 else "RGB;16"
    made = pillow_heif.from_bytes(mode, array.shape[1::-1], np.ascontiguousarray(array).tobytes())
    made.save(out, quality=quality, exif=(tags or exif()).tobytes())
    return out.getvalue()


def avif(array: np.ndarray, tags: Image.Exif | None = None) -> bytes:
    if not features.check("avif"):
        pytest.skip("this Pillow has no AVIF")
    out = io.BytesIO()
    Image.fromarray(array).save(out, "AVIF", quality=95, exif=tags or exif())
    return out.getvalue()


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("encode", [heic, avif])
def test_pixels_lie_as_stored_and_the_turn_is_told_once(encode, orientation: int) -> None:
    """The encoders turn Exif's orientation into `irot` and `imir`; libheif then turns pixels by
    itself, libavif does not. Either way the frame comes back as it was handed over, and turning
    it by `orientation` gives what Pillow makes of the same file by Exif's rule."""
    array = smooth(200, 150)
    data = encode(array, exif(orientation))
    picture = decode(data, "a." + encode.__name__)
    assert picture.code is not None
    rgb = picture.code[..., ::-1]
    assert rgb.shape == array.shape
    assert np.abs(rgb.astype(int) - array).mean() < 4
    assert picture.orientation == (orientation if orientation > 1 else None)
    tagged = Image.fromarray(array)
    tagged.getexif()[0x0112] = orientation
    upright = np.asarray(ImageOps.exif_transpose(tagged))
    container = read_container(data)
    np.testing.assert_array_equal(container.shown(array), upright)
    np.testing.assert_array_equal(container.stored(upright), array)


def test_the_container_s_turn_goes_before_exif_s() -> None:
    """Two tags that contradict each other: the frame is not turned twice, nor by the wrong one."""
    data = heic(smooth(), exif(6))
    ours = exif(6).tobytes()
    assert data.count(ours) == 1
    contrary = data.replace(ours, exif(1).tobytes())
    record = measure_file(contrary, "a.heic")
    assert record.settings.orientation == 6
    assert (record.settings.width_px, record.settings.height_px) == (400, 300)
    thumb = Image.open(io.BytesIO(record.thumb_jpeg))
    assert thumb.height > thumb.width


@pytest.mark.parametrize("name", ["a.heic", "a.avif"])
def test_settings_come_from_its_exif(name: str) -> None:
    tags = exif(1, t010f="Orrin", t0110="Orrin Fell Two")
    tags.get_ifd(0x8769).update(
        {0x829D: 8.0, 0x829A: 1 / 250, 0x8827: 400, 0x920A: 35.0, 0xA434: "Halde 35mm f/2"}
    )
    array = smooth()
    record = measure_file((heic if name.endswith("heic") else avif)(array, tags), name)
    assert record.status == "measured", record.reason
    found = record.settings
    assert (found.f_number, found.iso, found.focal_length_mm) == (8.0, 400.0, 35.0)
    assert found.exposure_time_s == pytest.approx(1 / 250, rel=1e-3)
    assert found.lens == "Halde 35mm f/2"
    assert found.body == "Orrin Fell Two"


def test_ten_bits_are_kept_and_white_stays_white() -> None:
    ten = np.broadcast_to(np.linspace(0, 1023, 400)[None, :, None], (300, 400, 3)).round()
    ten = np.where(np.arange(400)[None, :, None] >= 350, 1023, ten).astype(np.uint16)
    deep = [decode(heic(ten << 6, quality=-1), "a.heic")]
    options = [cv2.IMWRITE_AVIF_DEPTH, 10, cv2.IMWRITE_AVIF_QUALITY, 100]
    done, data = cv2.imencode(".avif", ten, options)
    if done:
        deep.append(decode(data.tobytes(), "a.avif"))
    for picture in deep:
        assert picture.code is not None
        assert picture.code.dtype == np.uint16
        assert picture.code.max() == 65535
        green = picture.code[150, :, 1]
        expected = ten[150, :, 1] / 1023 * 65535
        assert np.abs(green[:340] - expected[:340]).max() < 4 * 64
        assert len(np.unique(green)) > 300


@pytest.mark.parametrize(("curve", "word"), [(16, "PQ"), (18, "HLG")])
def test_tone_curves_for_bright_screens_are_refused(curve: int, word: str) -> None:
    data = avif(smooth())
    at = data.index(b"nclx")
    assert int.from_bytes(data[at + 6 : at + 8], "big") not in (16, 18)
    with pytest.raises(Undecodable, match=word):
        decode(data[: at + 6] + curve.to_bytes(2, "big") + data[at + 8 :], "a.avif")


def claiming(data: bytes, width: int, height: int) -> bytes:
    at = data.index(b"ispe") + 8
    return data[:at] + width.to_bytes(4, "big") + height.to_bytes(4, "big") + data[at + 8 :]


@pytest.mark.parametrize("encode", [heic, avif])
def test_damage_is_refused_in_one_line(encode) -> None:
    data = encode(smooth())
    name = "a." + encode.__name__
    for cut in (12, 40, 100, 300, len(data) // 2, len(data) - 1):
        with pytest.raises(Undecodable):
            decode(data[:cut], name)
    for size, reason in (
        ((65000, 65000), "65000 x 65000|damaged"), ((20, 20), "too small|damaged"), ((4000, 3000), "damaged"),
    )[: 3 if encode is heic else 2]:  # fmt: skip
        with pytest.raises(Undecodable, match=reason) as refusal:
            decode(claiming(data, *size), name)
        assert "\n" not in str(refusal.value)


def test_a_picture_of_tiles_that_breaks_off_is_not_filled_up() -> None:
    """libheif leaves missing tiles grey without a word."""
    files = [CAMERA_FILES / n for n in ("045.heic", "100.heic")]
    if not all(f.exists() for f in files):
        pytest.skip("no camera files beside the repository")
    for file in files:
        data = file.read_bytes()
        picture = decode(data, file.name)
        assert picture.code is not None
        assert min(picture.shape) > 1800
        assert picture.transfer == "srgb"
        for share in (0.25, 0.5, 0.9):
            with pytest.raises(Undecodable, match="truncated"):
                decode(data[: int(len(data) * share)], file.name)


def test_boxes_survive_any_bytes() -> None:
    data = bytearray(heic(smooth(120, 90)))
    rng = np.random.default_rng(3)
    head = 600
    for _ in range(3000):
        harmed = data.copy()
        for at in rng.integers(0, head, 3):
            harmed[at] = rng.integers(256)
        read_container(bytes(harmed)).shown(np.zeros((2, 3)))
        read_container(bytes(harmed[: rng.integers(head)]))


def test_only_containers_are_taken_for_such() -> None:
    assert is_container(heic(ramp()))
    assert is_container(avif(ramp()))
    for other in (b"", b"\xff\xd8\xff", b"\0\0\0\x18ftypcrx \0\0\0\1crx isom", bytes(40)):
        assert not is_container(other)


def test_the_library_is_loaded_only_for_its_files() -> None:
    code = (
        "import sys, io; from PIL import Image; from auditor.measure.decode import decode;"
        "out = io.BytesIO(); Image.linear_gradient('L').save(out, 'JPEG');"
        "decode(out.getvalue(), 'a.jpg'); print('pillow_heif' in sys.modules)"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "False"


def tilted_squares(seed: int = 4) -> np.ndarray:
    """Dark and bright tilted squares all over the frame, blurred by a Gaussian of 1.1 px, with noise."""
    rng, scale = np.random.default_rng(seed), 4
    big = np.full((480 * scale, 600 * scale), 120, np.uint8)
    for x in range(60, 600, 120):
        for y in range(60, 480, 120):
            box = ((x * scale, y * scale), (70 * scale, 70 * scale), float(rng.uniform(5, 40)))
            corners = np.int32(cv2.boxPoints(box))
            cv2.fillPoly(big, [corners], int(rng.choice([50, 190])))
    soft = cv2.resize(big, (600, 480), interpolation=cv2.INTER_AREA).astype(np.float32)
    noisy = cv2.GaussianBlur(soft, (0, 0), 1.1) + rng.normal(0, 1.0, soft.shape)
    return np.repeat(noisy.round().clip(0, 255).astype(np.uint8)[..., None], 3, axis=2)


def test_what_is_measured_does_not_hang_on_the_container() -> None:
    """The same pixels as PNG, HEIC and AVIF show the same sharpness and, lossless, the same noise."""
    array = tilted_squares()
    out = io.BytesIO()
    Image.fromarray(array).save(out, "PNG")
    plain = measure_file(out.getvalue(), "a.png")
    lossless = measure_file(heic(array, quality=-1), "a.heic")
    for record in (
        lossless,
        measure_file(heic(array), "a.heic"),
        measure_file(avif(array), "a.avif"),
    ):
        for zone in ("centre", "middle", "corner"):
            ours, theirs = record.sharpness.zones[zone], plain.sharpness.zones[zone]
            assert ours.mtf50_cpp == pytest.approx(theirs.mtf50_cpp, rel=0.02)
    # Rounding is taken off where the coding is known, which a HEIC does not state.
    rounded = np.hypot(plain.noise.sigma_code8, np.sqrt(input_rounding(colour=True)))
    assert lossless.noise.sigma_code8 == pytest.approx(rounded, rel=0.01)
