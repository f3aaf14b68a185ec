"""Tone curves of colour profiles (ICC.1:2022, curveType and parametricCurveType) against their standards."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable

import cv2
import numpy as np
import pytest

from auditor import srgb
from auditor.measure.decode import Undecodable, decode
from auditor.measure.dust_shadows import _slope
from auditor.measure.icc_profiles import transfer_from_icc
from auditor.measure.picture import Picture

Curve = Callable[[np.ndarray], np.ndarray]


def rec709(code: np.ndarray) -> np.ndarray:
    """ITU-R BT.709, item 1.2, inverted."""
    return np.where(code < 0.081, code / 4.5, ((code + 0.099) / 1.099) ** (1 / 0.45))


def lightness(code: np.ndarray) -> np.ndarray:
    """CIE 1976 L* over 100 to luminance."""
    return np.where(code < 0.08, code / 9.033, ((code + 0.16) / 1.16) ** 3)


def romm(code: np.ndarray) -> np.ndarray:
    """ISO 22028-2 (ROMM RGB)."""
    return np.where(code < 1 / 32, code / 16, code**1.8)


def profile(curve: bytes, more: bytes = b"") -> bytes:
    table = struct.pack(">I", 1) + struct.pack(">4sII", b"gTRC", 144, len(curve))
    return bytes(128) + table + curve + more


def sampled(curve: Curve, n: int = 1024) -> bytes:
    values = np.round(curve(np.linspace(0, 1, n)) * 65_535).astype(">u2")
    return profile(b"curv" + bytes(4) + struct.pack(">I", n) + values.tobytes())


def rounded_badly(code: np.ndarray) -> np.ndarray:
    """No curve, but for one step of 16 bits down."""
    return code - np.where(np.arange(len(code)) == 500, 1.02 / (len(code) - 1), 0)


def formula(kind: int, *parameters: float) -> bytes:
    fixed = b"".join(struct.pack(">i", round(p * 65_536)) for p in parameters)
    return profile(b"para" + bytes(4) + struct.pack(">HH", kind, 0) + fixed)


@pytest.mark.parametrize(
    ("icc", "curve"),
    [
        (sampled(rec709), rec709),
        (formula(3, 1 / 0.45, 1 / 1.099, 0.099 / 1.099, 1 / 4.5, 0.081), rec709),
        (sampled(lightness), lightness),
        (formula(3, 3, 1 / 1.16, 0.16 / 1.16, 1 / 9.033, 0.08), lightness),
        (formula(3, 1.8, 1, 0, 1 / 16, 1 / 32), romm),
        (sampled(lambda code: code**2.2), lambda code: code**2.2),
        (formula(0, 1.8), lambda code: code**1.8),
    ],
)
def test_light_is_what_the_curve_says(icc: bytes, curve: Curve) -> None:
    transfer = transfer_from_icc(icc)
    assert transfer is not None
    code = np.arange(256, dtype=np.uint8)
    light = Picture(code[None], transfer).linear(code)
    assert np.abs(light - curve(code / 255)).max() < 2e-4


@pytest.mark.parametrize(
    ("icc", "transfer"),
    [
        (sampled(srgb.linear), "srgb"),
        (formula(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), "srgb"),
        (formula(3, 1, 1, 0, 1, 0), "linear"),
        (sampled(lambda code: code), "linear"),
        (sampled(lambda code: code, 2), "linear"),
        (sampled(rounded_badly), "linear"),
        (formula(0, -2.2), None),
        (sampled(lambda code: 1 - code), None),
        (formula(0, 2.2)[:-4], None),
        (formula(9, 2.2), None),
    ],
)
def test_known_curves_have_their_name_and_damaged_ones_none(
    icc: bytes, transfer: str | None
) -> None:
    assert transfer_from_icc(icc) == transfer


def test_a_shadow_is_as_deep_in_light_by_any_way_to_write_the_curve() -> None:
    """A power has the same slope everywhere; sampled, it has it still."""
    code = np.full((4, 4), 100, np.uint8)
    picture = Picture(code, transfer_from_icc(sampled(lambda share: share**2.2)) or "srgb")
    slope = _slope(np.array([60.0, 100.0, 200.0], np.float32), picture, 255.0)
    assert np.asarray(slope) == pytest.approx(2.2, rel=0.01)


@pytest.mark.parametrize(("number", "word"), [(16, "PQ"), (18, "HLG")])
@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
def test_profiles_for_bright_screens_are_refused_in_any_file(
    kind: str, number: int, word: str
) -> None:
    icc = profile(b"curv" + bytes(8), b"cicp" + bytes(4) + bytes((9, number, 0, 1)))
    data = cv2.imencode(f".{kind}", np.full((200, 300, 3), 90, np.uint8))[1].tobytes()
    with pytest.raises(Undecodable, match=f"written with the {word} tone curve"):
        decode(data, f"a.{kind}", icc=icc)


@pytest.mark.parametrize(("number", "refused"), [(16, True), (18, True), (13, False)])
def test_png_names_its_curve_without_a_profile(number: int, refused: bool) -> None:
    """Portable Network Graphics, third edition (W3C), 11.3.2.6: cICP."""
    data = cv2.imencode(".png", np.full((200, 300, 3), 90, np.uint8))[1].tobytes()
    chunk = b"cICP" + bytes((9, number, 0, 1))
    header = 8 + 25  # mark and IHDR
    whole = struct.pack(">I", 4) + chunk + struct.pack(">I", zlib.crc32(chunk))
    data = data[:header] + whole + data[header:]
    if refused:
        with pytest.raises(Undecodable, match="tone curve for bright screens"):
            decode(data, "a.png")
    else:
        assert decode(data, "a.png").transfer == "srgb"
