"""Colour cast, its evenness, light lost and vignetting, from small colour grids of paired frames.

The grids hold area means in linear light. The ratio of two grids of one scene is what the accessory
(and the camera's exposure and white balance) did, whatever the scene is; clouds and water that moved
are outliers among the cells, changing light among the pairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtr

from auditor.infer.criteria import DRAWS
from auditor.record import ZONE_RADII
from auditor.robust import Location, bisquare_regression, low_middle_high, robust_location
from auditor.units import WHITE_16

__all__ = [
    "GRID_SHAPE",
    "Cast",
    "PairColour",
    "cast_of",
    "evenness_of",
    "pair_colour",
    "read_grid",
    "uv_of",
]

Floats = NDArray[np.float64]

GRID_SHAPE: Final = (16, 24, 3)
"""Rows, columns, R G B."""

_RGB_TO_XYZ: Final = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
"""Linear sRGB to XYZ, D65 white (IEC 61966-2-1)."""
_TO_UV: Final = np.array([[4.0, 0.0, 0.0], [0.0, 9.0, 0.0], [1.0, 15.0, 3.0]]) @ _RGB_TO_XYZ
"""Both numerators and the denominator of CIE 1976 u'v' (CIE 15): 4X, 9Y, X + 15Y + 3Z."""
_DARK: Final = 0.003
"""Light below which a cell's colour is noise and rounding: some 12 code values of sRGB's 8 bits."""
_BRIGHT: Final = 0.85
"""Light above which a channel may be clipped somewhere within a cell, whose value is a mean."""
_FEWEST_CELLS: Final = 40
"""A tenth of the grid: with fewer cells neither dark nor bright two pictures are not compared; nor are their
centres and corners with fewer than a quarter of that."""
_FOUND: Final = 0.98
"""Confidence from which a cast counts as found, or as uneven."""
_UNEVEN_LEAST: Final = 0.0010
"""Unevenness in u'v' across the frame below which nobody sees it (common practice, no source)."""
_CHANNEL_SD: Final = 1e-3
"""Scatter that even agreeing pairs have in log R/G and B/G: rounding of the pictures the grids come from."""
_UV_SD: Final = 2e-4
"""The same in u'v' of a neutral, of which 1% of a channel moves some 5e-4."""
_RANGE_QUANTILES: Final = (0.05, 0.95)
"""Quantiles between which unevenness is measured: single corner cells do not count."""

_ROWS, _COLUMNS = np.indices(GRID_SHAPE[:2])
_X = ((_COLUMNS + 0.5) / GRID_SHAPE[1] - 0.5).ravel() * 2
_Y = ((_ROWS + 0.5) / GRID_SHAPE[0] - 0.5).ravel() * 2
# Distance from the centre over the half-diagonal of a 3:2 frame.
_RADIUS = np.hypot(_X * 3, _Y * 2) / np.hypot(3, 2)
_ZONE = np.digitize(_RADIUS, ZONE_RADII)
# Unevenness: a slope across, one down, and the square of the radius less its mean.
_PATTERN = np.stack([_X, _Y, _RADIUS**2 - np.mean(_RADIUS**2)], axis=1)


@dataclass(frozen=True, slots=True)
class PairColour:
    """What an accessory did to the colours of one pair.

    Attributes
    ----------
    channels : ndarray of float64, shape (2,)
        Natural log of the ratios R/G and B/G, labelled over control; NaN for raw files.
    pattern : ndarray of float64, shape (3, 2)
        How these change across the frame: left to right, top to bottom, centre to corner.
    light : float
        How much brighter, in stops.
    corner : float
        The same of the corners over the centre; NaN where too few cells are usable.
    """

    channels: Floats
    pattern: Floats
    light: float
    corner: float


def read_grid(data: bytes | None) -> Floats | None:
    """Decode a stored colour grid.

    Parameters
    ----------
    data : bytes or None
        Little-endian unsigned 16 bit, `GRID_SHAPE`.

    Returns
    -------
    ndarray of float64, shape GRID_SHAPE, or None
        Linear light, 1 = white; None where there is none or its size is wrong.
    """
    if not isinstance(data, (bytes, bytearray, memoryview)):
        return None
    raw = bytes(data)
    if len(raw) != 2 * int(np.prod(GRID_SHAPE)):
        return None
    return np.frombuffer(raw, "<u2").reshape(GRID_SHAPE).astype(float) / WHITE_16


def uv_of(rgb: ArrayLike) -> Floats:
    """CIE 1976 u'v' chromaticity of linear sRGB.

    Parameters
    ----------
    rgb : array_like, shape (..., 3)
        Linear light.

    Returns
    -------
    ndarray of float64, shape (..., 2)
        u' = 4X / (X + 15Y + 3Z), v' = 9Y / (X + 15Y + 3Z).

    References
    ----------
    CIE 15; IEC 61966-2-1 for sRGB.
    """
    parts = np.asarray(rgb, float) @ _TO_UV.T
    return np.asarray(parts[..., :2] / np.maximum(parts[..., 2:], 1e-9))


def _gains(channels: Floats) -> Floats:
    return np.stack(
        [np.exp(channels[..., 0]), np.ones(channels.shape[:-1]), np.exp(channels[..., 1])], -1
    )


def pair_colour(labelled: Floats, control: Floats, colour: bool = True) -> PairColour | None:
    """Colour and light of a pair of grids.

    Parameters
    ----------
    labelled, control : ndarray of float64, shape GRID_SHAPE
        Area means in linear light, 1 = white.
    colour : bool
        False for raw files, whose grids carry no white balance: only green tells of light.

    Returns
    -------
    PairColour or None
        None when fewer than `_FEWEST_CELLS` cells are neither dark nor blown in both.
    """
    a, b = labelled.reshape(-1, 3), control.reshape(-1, 3)
    # Of raw colour, without a white balance, green is taken for luminance.
    ya, yb = (x @ _RGB_TO_XYZ[1] if colour else x[:, 1] for x in (a, b))
    valid = (ya > _DARK) & (yb > _DARK) & (a.max(1) < _BRIGHT) & (b.max(1) < _BRIGHT)
    if colour:
        valid &= (a.min(1) > _DARK / 3) & (b.min(1) > _DARK / 3)
    if valid.sum() < _FEWEST_CELLS:
        return None
    stops = np.log2(np.maximum(ya, 1e-9) / np.maximum(yb, 1e-9))
    inner, outer = valid & (_ZONE == 0), valid & (_ZONE == 2)
    enough_inner = inner.sum() >= _FEWEST_CELLS // 4
    # Brightness is compared around the centre, where no filter's rim shades.
    level = float(np.median(stops[inner if enough_inner else valid]))
    corner = float("nan")
    if enough_inner and outer.sum() >= _FEWEST_CELLS // 4:
        corner = float(np.median(stops[outer]) - np.median(stops[inner]))
    channels, pattern = np.full(2, np.nan), np.full((3, 2), np.nan)
    if colour:
        ratio = np.log(np.maximum(a, 1e-9) / np.maximum(b, 1e-9))
        logs = np.stack([ratio[:, 0] - ratio[:, 1], ratio[:, 2] - ratio[:, 1]], axis=1)
        channels = np.median(logs[valid], axis=0)
        design = np.column_stack([np.ones(len(_PATTERN)), _PATTERN])[valid]
        pattern = np.stack([bisquare_regression(x, design)[0][1:] for x in logs[valid].T], axis=1)
    return PairColour(channels, pattern, level, corner)


@dataclass(frozen=True, slots=True)
class Cast:
    """What a label does to a neutral, over all its pairs.

    Attributes
    ----------
    size, low, high : float
        Shift in u'v', or by how much it differs across the frame, with its interval; `low` is 0 unless `found`.
    found : bool
        Whether it is significant.
    count : int
        Pairs behind it.
    """

    size: float
    low: float
    high: float
    found: bool
    count: int


def _locations(values: Floats, least_sd: float) -> list[Location]:
    """Robust mean over pairs, the first axis, of each figure."""
    return [robust_location(figure, least_sd) for figure in values.reshape(len(values), -1).T]


def _significant(parts: list[Location]) -> bool:
    """Whether several robust means together differ from none (Hotelling-like F test)."""
    n, k = parts[0].count, len(parts)
    if n < 3 or any(p.count < 3 for p in parts):
        return False
    statistic = sum((p.value / max(p.stderr, 1e-12)) ** 2 for p in parts) / k
    return bool(fdtr(k, max(n - 1, 1), statistic) > _FOUND)


def cast_of(pairs: list[PairColour], share: float) -> Cast | None:
    """Colour cast of a label from its pairs: robust mean shift of a neutral in u'v'.

    Parameters
    ----------
    pairs : list of PairColour
        Pairs without colour are passed over.
    share : float
        Share of the truth that the interval is meant to hold.

    Returns
    -------
    Cast or None
        None with fewer than two pairs that hold colour; `found` by an F test (`_significant`).
    """
    coloured = [p for p in pairs if np.isfinite(p.channels).all()]
    if len(coloured) < 2:
        return None
    uv = np.array([uv_of(_gains(p.channels)) - uv_of(np.ones(3)) for p in coloured])
    parts = _locations(uv, _UV_SD)
    shift = np.array([p.value for p in parts])
    size = float(np.hypot(*shift))
    # Along the shift: the error of its size.
    direction = shift / max(size, 1e-9)
    along = Location(size, float(np.hypot(*(direction * [p.stderr for p in parts]))), len(coloured))
    low, high = along.bounds(share)
    found = _significant(parts) and low > 0
    return Cast(size, low if found else 0.0, high, found, len(coloured))


def evenness_of(pairs: list[PairColour], share: float, seed: int = 0) -> Cast:
    """How much the cast of a label differs across the frame.

    Parameters
    ----------
    pairs : list of PairColour
        At least two, all of which hold colour.
    share : float
        Share of the truth that the interval is meant to hold.
    seed : int
        Seed of the draws behind the interval.

    Returns
    -------
    Cast
        Largest less smallest u'v' of a neutral over nine tenths of the frame; `found` where that is significant
        and could be seen.
    """
    channels = [c.value for c in _locations(np.array([p.channels for p in pairs]), _CHANNEL_SD)]
    pattern = _locations(np.array([p.pattern for p in pairs]), _CHANNEL_SD)
    value, stderr = np.array([(c.value, c.stderr) for c in pattern]).T
    error = np.random.default_rng(seed).standard_t(len(pairs) - 1, (DRAWS, len(value)))
    spread, *drawn = _ranges_across(np.vstack([value, value + stderr * error]), channels)
    low, _, high = low_middle_high(drawn, share)
    found = _significant(pattern) and spread > _UNEVEN_LEAST
    return Cast(spread, float(low) if found else 0.0, float(max(high, spread)), found, len(pairs))


def _ranges_across(coefficients: Floats, channels: list[float]) -> list[float]:
    """Spread of the neutral's u'v' over 90% of the frame for patterns (n, 6) of log channel ratios."""
    logs = np.array(channels) + _PATTERN @ coefficients.reshape(-1, 3, 2)
    low, high = np.quantile(uv_of(_gains(logs)), _RANGE_QUANTILES, axis=1)
    return np.hypot(*(high - low).T).tolist()
