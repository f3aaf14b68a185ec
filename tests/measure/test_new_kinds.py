"""JPEG XL and JPEG 2000: decoded as stored, refused in one line. Files are written by the libraries."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from timing_frames import develop_frame

from auditor.measure.decode import Undecodable, decode

with contextlib.suppress(ImportError):
    import pillow_jxl  # noqa: F401  (has Pillow write such files)


def _saved(code: np.ndarray, kind: str, **how: object) -> bytes:
    out = io.BytesIO()
    picture = Image.fromarray(np.ascontiguousarray(code[..., ::-1]) if code.ndim == 3 else code)
    picture.save(out, kind, **how)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JXL", "JPEG2000"])
@pytest.mark.parametrize("colour", [True, False])
def test_jpeg_xl_and_jpeg_2000_without_loss_give_the_pixels_that_went_in(
    kind: str, colour: bool
) -> None:
    """Written by general libraries (libjxl, OpenJPEG)."""
    pytest.importorskip("pillow_jxl")
    code = develop_frame(300, 200, seed=2)
    code = code if colour else np.ascontiguousarray(code[..., 1])
    how = {"lossless": True} if kind == "JXL" else {"irreversible": False}
    picture = decode(_saved(code, kind, **how), "a.jxl" if kind == "JXL" else "a.jp2")
    assert np.array_equal(picture.code, code)
    assert picture.lossy


def test_a_jpeg_packed_into_jpeg_xl_is_measured_as_the_jpeg_it_was(tmp_path: Path) -> None:
    pytest.importorskip("pillow_jxl")
    data = _saved(develop_frame(300, 200, seed=2), "JPEG", quality=92)
    (tmp_path / "a.jpg").write_bytes(data)
    with Image.open(tmp_path / "a.jpg") as picture:
        picture.save(tmp_path / "a.jxl", lossless_jpeg=True)
    one, other = decode((tmp_path / "a.jxl").read_bytes(), "a.jxl"), decode(data, "a.jpg")
    assert np.array_equal(one.code, other.code)
    assert one.luma_steps is not None
    assert np.array_equal(one.luma_steps, other.luma_steps)


@pytest.mark.parametrize("size", [(256, 256), (1500, 1000), (777, 333), (9000, 120)])
def test_the_size_of_jpeg_xl_is_read_before_anything_is_decoded(size: tuple[int, int]) -> None:
    pytest.importorskip("pillow_jxl")
    from auditor.measure.heif_jxl import size_of_jxl

    data = _saved(np.zeros((size[1], size[0], 3), np.uint8), "JXL")
    assert size_of_jxl(data) == size
    if size[0] * size[1] > 10**6:
        with pytest.raises(Undecodable, match="the limit is 1 million"):
            decode(data, "a.jxl", max_pixels=10**6)


@pytest.mark.parametrize("kind", ["JXL", "JPEG2000"])
def test_damaged_jpeg_xl_and_jpeg_2000_are_refused_or_decoded_and_nothing_else(kind: str) -> None:
    pytest.importorskip("pillow_jxl")
    whole = _saved(develop_frame(300, 200, seed=2), kind)
    rng = np.random.default_rng(5)
    for n in range(60):
        data = bytearray(whole[: int(rng.integers(4, len(whole)))] if n % 2 else whole)
        for at in rng.integers(0, len(data), 4):
            data[at] = int(rng.integers(256))
        with contextlib.suppress(Undecodable):
            decode(bytes(data), "a.jxl" if kind == "JXL" else "a.jp2")


def test_a_frame_measures_alike_in_its_new_kind() -> None:
    """The same pixels in PNG: sharpness to the last digit."""
    pytest.importorskip("pillow_jxl")
    from auditor.measure import measure_file

    code = develop_frame(600, 400, seed=4)
    files = (
        ("a.jxl", _saved(code, "JXL", lossless=True)),
        ("a.jp2", _saved(code, "JPEG2000", irreversible=False)),
        ("a.png", _saved(code, "PNG")),
    )
    *ones, other = (measure_file(data, name) for name, data in files)
    for one in ones:
        assert one.status == other.status == "measured"
        assert one.sharpness is not None
        assert other.sharpness is not None
        for zone in ("centre", "middle", "corner"):
            a, b = one.sharpness.zones[zone], other.sharpness.zones[zone]
            assert a is not None
            assert b is not None
            assert a.mtf50_cpp == pytest.approx(b.mtf50_cpp, rel=0.02)
