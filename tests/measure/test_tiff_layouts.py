"""TIFF 6.0 knows many layouts of one picture: whatever the layout, the same light is measured."""

from __future__ import annotations

import contextlib
import io
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from auditor.measure.decode import Undecodable, decode


def _tiff(array: np.ndarray, **how: Any) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, array, **how)
    return out.getvalue()


def _share(seed: int = 3) -> np.ndarray:
    """A picture in R, G, B, 1 = white, that no change of order leaves alone."""
    rng = np.random.default_rng(seed)
    ramp = np.linspace(0.1, 0.9, 300)[None, :, None] * np.linspace(0.3, 1, 200)[:, None, None]
    return ramp * np.array([1.0, 0.8, 0.6]) + rng.uniform(0, 0.05, (200, 300, 3))


def _read(data: bytes) -> np.ndarray:
    """Code values as shares of white, R, G, B or grey."""
    picture = decode(data, "a.tif")
    assert picture.code is not None
    code = picture.code if picture.code.ndim == 2 else picture.code[..., ::-1]
    return code / picture.peak


@pytest.mark.parametrize("tile", [None, (64, 64)])
@pytest.mark.parametrize("top", [255, 65_535])
def test_a_plane_for_each_colour_is_the_same_picture(top: int, tile: tuple[int, int]) -> None:
    kind = np.uint8 if top == 255 else np.uint16
    code = np.round(_share() * top).astype(kind)
    planes = np.ascontiguousarray(code.transpose(2, 0, 1))
    data = _tiff(planes, photometric="rgb", planarconfig="separate", tile=tile)
    assert np.abs(_read(data) - code / top).max() < 1 / 255


@pytest.mark.parametrize("top", [255, 65_535])
def test_white_that_is_zero_is_white(top: int) -> None:
    grey = np.round(_share()[..., 1] * top).astype(np.uint8 if top == 255 else np.uint16)
    assert np.abs(_read(_tiff(top - grey, photometric="miniswhite")) - grey / top).max() < 1 / 255


@pytest.mark.parametrize("kind", ["f4", "f8"])
def test_floating_point_in_colour_is_read(kind: str) -> None:
    share = _share().astype(kind)
    data = _tiff(share, photometric="rgb")
    assert np.abs(_read(data) - share).max() < 1e-6
    assert decode(data, "a.tif").transfer == "linear"


def test_grey_of_16_bits_with_alpha_is_read() -> None:
    grey = np.round(_share()[..., 1] * 65_535).astype(np.uint16)
    both = np.dstack([grey, np.full_like(grey, 65_535)])
    how = {"photometric": "minisblack", "extrasamples": ["unassalpha"], "planarconfig": "contig"}
    assert np.abs(_read(_tiff(both, **how)) - grey / 65_535).max() < 1 / 255


def test_light_above_white_is_clipped_and_makes_nothing_else_darker() -> None:
    """Merges of several exposures keep light far above white in floating point."""
    light = _share().astype(np.float32)
    light[:40, :60] = 30
    assert np.abs(_read(_tiff(light, photometric="rgb")) - light.clip(0, 1)).max() < 1e-6


@pytest.mark.parametrize("top", [255, 65_535])
def test_whole_code_values_in_floating_point_are_code_values(top: int) -> None:
    code = np.round(_share() * top).astype(np.float32)
    code[0, 0] = top
    assert np.abs(_read(_tiff(code, photometric="rgb")) - code / top).max() < 1e-6


@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_damaged_headers_are_refused_or_decoded_and_nothing_else(
    kind: type, caplog: pytest.LogCaptureFixture
) -> None:
    planes = np.ascontiguousarray(_share().transpose(2, 0, 1)).astype(kind)
    whole = _tiff(planes, photometric="rgb", planarconfig="separate")
    rng = np.random.default_rng(6)
    for _ in range(150):
        data = bytearray(whole)
        for at in rng.integers(4, 400, 5):
            data[at] = int(rng.integers(256))
        with contextlib.suppress(Undecodable):
            decode(bytes(data), "a.tif")
    assert [r for r in caplog.records if r.name == "tifffile"] == []


@pytest.mark.parametrize(("compression", "lossy"), [("jpeg", True), ("tiff_lzw", False)])
def test_a_picture_that_jpeg_coded_is_known_as_such(compression: str, lossy: bool) -> None:
    """TIFF 6.0 and its second technical note: noise near a code value is what coding left."""
    code = np.round(_share() * 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(code).save(out, "TIFF", compression=compression)
    assert decode(out.getvalue(), "a.tif").lossy is lossy
