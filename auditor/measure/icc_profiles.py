"""The tone curve that a colour profile states."""

from __future__ import annotations

import struct
from typing import Final

import numpy as np
from numpy.typing import NDArray

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
_LINEAR: Final = 0.01
"""How close to 1 a power is that of linear light: profiles round it."""
_SAME_CURVE: Final = 0.003
"""Light, 1 = white, by which a curve may lie off sRGB's, or off none, anywhere to pass for it: profiles round
theirs, and a power of 2.2 lies off sRGB's by more than twice as much."""
_SAMPLES: Final = 1024
"""Steps in which curves given by a formula are sampled."""
_PARAMETERS: Final = (1, 3, 4, 5, 7)
"""How many parameters each kind of parametricCurveType has (ICC.1:2022, table 68; from memory)."""


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

    Curves that are sRGB's within `_SAME_CURVE` are taken for it; others are given as they are.

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
        for i in range(count):
            tag, offset, _ = _TAG.unpack_from(icc, _HEADER_BYTES + 4 + _TAG.size * i)
            if tag in (b"gTRC", b"kTRC"):
                return _curve(icc, offset)
    except (struct.error, ValueError):
        return None
    return None


def _curve(icc: bytes, at: int) -> Transfer | None:
    kind = icc[at : at + 4]
    if kind == b"para":
        (function,) = struct.unpack_from(">8xH", icc, at)
        if function >= len(_PARAMETERS):
            return None
        fixed = struct.unpack_from(f">12x{_PARAMETERS[function]}i", icc, at)
        power, *rest = (value / 2**16 for value in fixed)
        if power <= 0:
            return None
        return _sampled(_parametric(function, power, *rest)) if rest else _plain(power)
    if kind != b"curv":
        return None
    (n,) = struct.unpack_from(">8xI", icc, at)
    if n == 0:
        return "linear"
    if n == 1:
        return _plain(struct.unpack_from(">12xH", icc, at)[0] / 256)
    return _sampled(np.array(struct.unpack_from(f">12x{n}H", icc, at)) / WHITE_16)


def _parametric(function: int, power: float, *rest: float) -> NDArray[np.float64]:
    """Light at even steps by one of the functions of parametricCurveType with a straight part or an offset."""
    a, b, c, d, e, f = (*rest, *(0.0,) * (_PARAMETERS[-1] - 1 - len(rest)))
    share = np.linspace(0, 1, _SAMPLES + 1)
    bent = np.maximum(a * share + b, 0) ** power
    if function < 3:  # where the power ends there is nothing but the offset
        return bent + c
    return np.where(share >= d, bent + e, c * share + f)


def _sampled(light: NDArray[np.float64]) -> Transfer | None:
    """A curve from its light at even steps of code; None where it falls, or is none."""
    if not np.isfinite(light).all() or light[-1] <= light[0]:
        return None
    rising = np.maximum.accumulate(light)
    if (rising - light).max() > _SAME_CURVE:  # less is rounding
        return None
    # Few samples stand for straight lines between them.
    share = np.linspace(0, 1, max(len(rising), _SAMPLES + 1))
    light = np.interp(share, np.linspace(0, 1, len(rising)), rising)
    if np.abs(light - srgb.linear(share)).max() < _SAME_CURVE:
        return "srgb"
    if np.abs(light - share).max() < _SAME_CURVE:
        return "linear"
    return tuple(light.clip(0, 1).tolist())


def _plain(power: float) -> Transfer:
    """The curve of a plain power."""
    return "linear" if abs(power - 1) < _LINEAR else power
