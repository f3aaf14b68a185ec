"""The tone curve that a colour profile states."""

from __future__ import annotations

import struct

import numpy as np

from auditor import srgb
from auditor.measure.picture import Transfer

__all__ = ["curve_number", "transfer_from_icc"]


def curve_number(icc: bytes | None) -> int | None:
    """The transfer characteristic that a profile names (ICC.1:2022, cicpType), None where it doesn't."""
    at = (icc or b"").find(b"cicp\0\0\0\0")
    return icc[at + 9] if icc and 0 <= at < len(icc) - 9 else None


def transfer_from_icc(icc: bytes) -> Transfer | None:
    """The tone curve of an ICC profile's green (or grey) channel; None when it can't be told.

    Source: ICC.1:2022, curveType and parametricCurveType. Sampled curves are matched to sRGB when
    their middle lies within 2% of it, else to the power that passes through their middle.
    """
    try:
        count = struct.unpack_from(">I", icc, 128)[0]
        for i in range(min(count, 200)):
            tag, offset, _ = struct.unpack_from(">4sII", icc, 132 + 12 * i)
            if tag in (b"gTRC", b"kTRC"):
                return _curve(icc, offset)
    except struct.error:
        return None
    return None


def _curve(icc: bytes, at: int) -> Transfer | None:
    kind = icc[at : at + 4]
    if kind == b"para":
        function, gamma = struct.unpack_from(">H2xi", icc, at + 8)
        power = gamma / 65536
        if function == 0:
            return "linear" if abs(power - 1) < 0.01 else power
        return "srgb" if abs(power - 2.4) < 0.05 else power
    if kind != b"curv":
        return None
    (n,) = struct.unpack_from(">I", icc, at + 8)
    if n == 0:
        return "linear"
    if n == 1:
        power = struct.unpack_from(">H", icc, at + 12)[0] / 256
        return "linear" if abs(power - 1) < 0.01 else power
    position = n // 2
    share = position / (n - 1)
    value = struct.unpack_from(">H", icc, at + 12 + 2 * position)[0] / 65535
    if not 0 < value < 1:
        return None
    if abs(value / float(srgb.linear(share)) - 1) < 0.02:
        return "srgb"
    power = float(np.log(value) / np.log(share))
    return "linear" if abs(power - 1) < 0.01 else power
