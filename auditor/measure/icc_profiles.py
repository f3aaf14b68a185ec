"""The tone curve that a colour profile states."""

from __future__ import annotations

import struct
from typing import Final

import numpy as np

from auditor import srgb
from auditor.measure.picture import Transfer
from auditor.units import WHITE_16

__all__ = ["curve_number", "transfer_from_icc"]

_CICP_CURVE_AT: Final = 9
"""Byte of a cicpType that names the transfer characteristic (ICC.1:2022)."""
_HEADER_BYTES: Final = 128
"""Bytes of a profile's header; the table of its tags follows (ICC.1:2022)."""
_TAG: Final = struct.Struct(">4sII")
"""A tag in that table: its name, and where its data begin and how many they are."""
_MOST_TAGS: Final = 200
"""Tags looked at: damage can claim any number, profiles hold a few dozen (common practice, no source)."""
_LINEAR: Final = 0.01
"""How close to 1 a power is that of linear light: profiles round it."""
_SRGB_POWER: Final = 0.05
"""How close to sRGB's that of a curve with a straight part must be to pass for sRGB."""
_SRGB_MIDDLE: Final = 0.02
"""Share by which the middle of a sampled curve may lie off sRGB's to pass for it."""


def curve_number(icc: bytes | None) -> int | None:
    """Transfer characteristic that a colour profile names.

    Parameters
    ----------
    icc : bytes or None
        The profile.

    Returns
    -------
    int or None
        Number of ITU-T H.273, table 3; None where the profile names none.

    References
    ----------
    ICC.1:2022, cicpType.
    """
    at = (icc or b"").find(b"cicp\0\0\0\0")
    return icc[at + _CICP_CURVE_AT] if icc and 0 <= at < len(icc) - _CICP_CURVE_AT else None


def transfer_from_icc(icc: bytes) -> Transfer | None:
    """Tone curve of an ICC profile's green (or grey) channel.

    Sampled curves are matched to sRGB when their middle lies within `_SRGB_MIDDLE` of it, else to the power
    that passes through their middle.

    Parameters
    ----------
    icc : bytes
        The profile.

    Returns
    -------
    Transfer or None
        None when it can't be told.

    References
    ----------
    ICC.1:2022, curveType and parametricCurveType.
    """
    try:
        count = struct.unpack_from(">I", icc, _HEADER_BYTES)[0]
        for i in range(min(count, _MOST_TAGS)):
            tag, offset, _ = _TAG.unpack_from(icc, _HEADER_BYTES + 4 + _TAG.size * i)
            if tag in (b"gTRC", b"kTRC"):
                return _curve(icc, offset)
    except struct.error:
        return None
    return None


def _curve(icc: bytes, at: int) -> Transfer | None:
    kind = icc[at : at + 4]
    if kind == b"para":
        function, gamma = struct.unpack_from(">8xH2xi", icc, at)
        power = gamma / 2**16
        if function == 0:
            return _plain(power)
        return "srgb" if abs(power - srgb.POWER) < _SRGB_POWER else power
    if kind != b"curv":
        return None
    (n,) = struct.unpack_from(">8xI", icc, at)
    if n == 0:
        return "linear"
    if n == 1:
        return _plain(struct.unpack_from(">12xH", icc, at)[0] / 256)
    position = n // 2
    share = position / (n - 1)
    value = struct.unpack_from(">12xH", icc, at + 2 * position)[0] / WHITE_16
    if not 0 < value < 1:
        return None
    if abs(value / float(srgb.linear(share)) - 1) < _SRGB_MIDDLE:
        return "srgb"
    return _plain(float(np.log(value) / np.log(share)))


def _plain(power: float) -> Transfer:
    """The curve of a plain power."""
    return "linear" if abs(power - 1) < _LINEAR else power
