"""Artificial files read back by libraries that know nothing of how they were written."""

import io

import exifread
import numpy as np
import pyexiv2
import pytest
import rawpy
from PIL import Image
from timing_frames import develop_frame

from auditor.artificial.camera import Sensor, expose, mosaic
from auditor.artificial.files import (
    FrameTags,
    jpeg_bytes,
    mosaic_bytes,
    write_picture,
)
from auditor.artificial.lightpath import Optics

TAGS = FrameTags(
    make="Tarn",
    model="Tarn One",
    body_serial="T1-004",
    lens="Halden 24-70mm f/4",
    focal_length_mm=24.0,
    f_number=6.3,
    exposure_time_s=1 / 250,
    iso=400,
    taken="2023-07-01T06:10:20.25",
    pixel_pitch_um=4.2,
    rating=3,
    keywords=("polariser", "lake"),
)


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(1)
    return rng.random((400, 600, 3)).astype(np.float32) * 0.8


def test_developed_files_come_back_with_their_tags(tmp_path, scene):
    picture = expose(scene, Optics(6.3, 4.2), Sensor(), 400)
    path = tmp_path / "one.jpg"
    write_picture(path, picture, TAGS)
    back = np.asarray(Image.open(path))
    assert back.shape == picture.shape
    weights = (0.299, 0.587, 0.114)  # colour is stored at half size, so the luminance is compared
    assert np.abs(back @ weights - picture @ weights).mean() < 3
    with pyexiv2.Image(str(path)) as image:
        exif, xmp = image.read_exif(), image.read_xmp()
    assert exif["Exif.Photo.FNumber"] == "63/10"
    assert exif["Exif.Photo.ExposureTime"] == "1/250"
    assert exif["Exif.Photo.LensModel"] == TAGS.lens
    assert exif["Exif.Photo.SubSecTimeOriginal"] == "25"
    top, bottom = exif["Exif.Photo.FocalPlaneXResolution"].split("/")
    assert 10_000 / (int(top) / int(bottom)) == pytest.approx(4.2, rel=1e-4)
    assert xmp["Xmp.xmp.Rating"] == "3"
    assert xmp["Xmp.dc.subject"] == ["polariser", "lake"]


def test_mosaic_is_read_by_a_raw_library(scene):
    raw = mosaic(scene, Optics(6.3, 4.2), Sensor(), 400, seed=2)
    data = mosaic_bytes(raw, TAGS)
    with rawpy.imread(io.BytesIO(data)) as image:
        assert np.array_equal(image.raw_image_visible, raw.data)
        assert image.black_level_per_channel[0] == raw.black
        assert image.white_level == raw.white
        assert image.color_desc == b"RGBG"
        assert image.raw_pattern.tolist() == [[0, 1], [3, 2]]
        balance = image.camera_whitebalance
        assert balance[1] / balance[0] == pytest.approx(raw.neutral[0], rel=0.01)
        picture = image.postprocess()
    assert picture.shape == (200, 300, 3)


def test_mosaic_tags_are_read_by_two_readers(scene):
    data = mosaic_bytes(mosaic(scene, Optics(6.3, 4.2), Sensor(), 400), TAGS)
    with pyexiv2.ImageData(data) as image:
        exif = image.read_exif()
        xmp = image.read_xmp()
    assert exif["Exif.Image.Model"] == "Tarn One"
    assert exif["Exif.Photo.FNumber"] == "63/10"
    assert exif["Exif.Image.WhiteLevel"] == "16383"
    assert xmp["Xmp.dc.subject"] == ["polariser", "lake"]
    other = exifread.process_file(io.BytesIO(data))
    assert str(other["EXIF FNumber"]) == "63/10"
    assert str(other["EXIF LensModel"]) == TAGS.lens


def test_same_call_same_bytes(scene):
    picture = expose(scene, Optics(6.3, 4.2), Sensor(), 400, seed=3)
    assert jpeg_bytes(picture, TAGS) == jpeg_bytes(picture, TAGS)
    raw = mosaic(scene, Optics(6.3, 4.2), Sensor(), 400, seed=3)
    assert mosaic_bytes(raw, TAGS) == mosaic_bytes(raw, TAGS)


def test_wrong_endings_are_refused(tmp_path, scene):
    raw = mosaic(scene, Optics(6.3), Sensor())
    with pytest.raises(ValueError, match="dng"):
        write_picture(tmp_path / "a.jpg", raw)
    with pytest.raises(ValueError, match="ending"):
        write_picture(tmp_path / "a.gif", np.zeros((4, 4), np.uint8))


def test_timing_frames_have_any_size_and_their_settings(tmp_path):
    code = develop_frame(640, 430, seed=1)
    assert code.shape == (430, 640, 3)
    assert code.std() > 20
    path = tmp_path / "a.jpg"
    tags = FrameTags(model="Bench", lens="Lens", f_number=8.0, iso=200, keywords=("a",))
    write_picture(path, code[..., ::-1], tags)
    assert np.abs(np.asarray(Image.open(path), int)[..., ::-1] - code).mean() < 6
    with pyexiv2.Image(str(path)) as image:
        assert image.read_exif()["Exif.Image.Model"] == "Bench"
        assert image.read_xmp()["Xmp.dc.subject"] == ["a"]


def test_large_timing_frames_are_continued_in_mirrors(monkeypatch):
    monkeypatch.setattr("timing_frames.LARGEST_PLACE", 20_000)
    code = develop_frame(401, 301, seed=2)
    assert code.shape == (301, 401, 3)
