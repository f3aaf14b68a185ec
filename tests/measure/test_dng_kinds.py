"""Kinds of DNG (specification 1.4) that are no mosaic of two by two red, green and blue."""

from __future__ import annotations

import io
import struct
from typing import Any

import numpy as np
import pytest
import tifffile

from auditor.measure.decode import Undecodable, decode
from auditor.measure.frame import measure_file

LINEAR_RAW, MOSAIC, GREY = 34892, 32803, 1
BLACK, WHITE = 512, 16_383


def _dng(raw: np.ndarray, photometric: int, *extra: tuple[Any, ...]) -> bytes:
    identity = [n for value in np.eye(3).ravel() for n in (int(value), 1)]
    tags = [
        (271, "s", 0, "Alder", True),
        (272, "s", 0, "One", True),
        (50706, "B", 4, bytes((1, 4, 0, 0)), True),  # DNGVersion
        (50708, "s", 0, "Alder One", True),
        (50714, "H", 1, BLACK, True),
        (50717, "H", 1, WHITE, True),
        (50721, "2i", 9, identity, True),  # ColorMatrix1
        *extra,
    ]
    out = io.BytesIO()
    tifffile.imwrite(
        out, raw, photometric=photometric, metadata=None, extratags=tags, rowsperstrip=len(raw)
    )
    return out.getvalue()


def _without_colours(raw: np.ndarray) -> bytes:
    """LinearRaw of one sample, which the writer does not know: its tag is set afterwards."""
    data = bytearray(_dng(raw, GREY))
    (at,) = struct.unpack_from("<I", data, 4)
    (entries,) = struct.unpack_from("<H", data, at)
    for entry in range(at + 2, at + 2 + 12 * entries, 12):
        if struct.unpack_from("<H", data, entry)[0] == 262:
            struct.pack_into("<H", data, entry + 8, LINEAR_RAW)
    return bytes(data)


def _light(channels: int) -> np.ndarray:
    rng = np.random.default_rng(4)
    ramp = np.linspace(0.05, 0.9, 300)[None, :, None] * np.array([0.6, 1.0, 0.8])[:channels]
    return ramp * rng.uniform(0.9, 1, (200, 300, channels))


def _numbers(light: np.ndarray) -> np.ndarray:
    return np.round(BLACK + light * (WHITE - BLACK)).astype(np.uint16)


def test_developed_light_is_measured_as_light() -> None:
    light = _light(3)
    data = _dng(_numbers(light), LINEAR_RAW)
    picture = decode(data, "a.dng")
    assert picture.code is not None
    assert picture.transfer == "linear"
    assert np.abs(picture.code[..., ::-1] - light).max() < 1e-4
    record = measure_file(data, "a.dng")
    assert (record.status, record.settings.source) == ("measured", "unknown")


def test_a_sensor_without_colours_is_raw_and_measured() -> None:
    light = _light(1)[..., 0]
    data = _without_colours(_numbers(light))
    picture = decode(data, "a.dng")
    assert picture.monochrome
    assert np.abs(picture.code - light).max() < 1e-4
    record = measure_file(data, "a.dng")
    assert (record.status, record.settings.source) == ("measured", "raw")
    assert record.fringing is None


@pytest.mark.parametrize(
    ("side", "colours"),
    [
        (4, "RRGGRRGGGGBBGGBB"),
        (6, "GBGGRGRGRBGBGBGGRGGRGGBGBGBRGRGRGGBG"),
    ],
)
def test_other_mosaics_without_a_preview_are_not_called_damaged(side: int, colours: str) -> None:
    pattern = bytes("RGB".index(c) for c in colours)
    raw = _numbers(_light(1)[..., 0])
    dimensions = (33421, "H", 2, (side, side), True)
    data = _dng(raw, MOSAIC, dimensions, (33422, "B", side * side, pattern, True))
    with pytest.raises(Undecodable, match=r"no readable mosaic and no full-size preview"):
        decode(data, "a.dng")
