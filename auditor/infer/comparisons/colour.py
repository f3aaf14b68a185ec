"""What an accessory does to colour and light: cast and its evenness, light lost and vignetting, from small colour grids
of paired frames.

The grids hold area means in linear light. The ratio of two grids of one scene is what the accessory
(and the camera's exposure and white balance) did, whatever the scene is; clouds and water that moved
are outliers among the cells, changing light among the pairs.

A white balance that differs between the two frames of a pair, by setting or by colour temperature,
would pass for a cast of the filter: such pairs are left out of it. An automatic one may follow the
filter: such pairs are left out where enough pairs with a fixed one remain, and marked otherwise. How
even a cast is across the frame no white balance can change, so every pair counts there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtr

from auditor.infer.comparisons.choose import by_scene
from auditor.infer.comparisons.pairs import FrameColumns, Pair
from auditor.infer.comparisons.small_pictures import GRID_SHAPE
from auditor.infer.comparisons.verdict import (
    USUAL_PAIRS,
    entry,
    few_scenes,
    pairs_to_settle,
    verdict,
)
from auditor.infer.criteria import Criteria
from auditor.infer.enough import FEWEST
from auditor.model import Finding, LeftOutPairs
from auditor.record import ZONE_RADII
from auditor.robust import Location, bisquare_regression, robust_location

__all__ = ["PairColour", "cast_entries", "light_entries", "pair_colour", "uv_of"]

Floats = NDArray[np.float64]

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
_NO_CAST: Final = 0.004
"""A cast below this in u'v' is hard to see side by side (common practice, no source)."""
_LEAST_UNEVEN: Final = _NO_CAST / 4
"""Unevenness in u'v' across a frame below which nobody sees it."""
_UV_SD: Final = 2e-4
"""Scatter that even agreeing pairs have in u'v' of a neutral: rounding of the pictures that the grids come from, of
which 1% of a channel moves some 5e-4."""
_RANGE_QUANTILES: Final = (0.05, 0.95)
"""Quantiles between which unevenness is measured: single corner cells do not count."""
_SAME_KELVIN: Final = 0.01
"""Share by which two colour temperatures may differ and count as one setting."""
_LIGHT_SD: Final = 0.03
"""Scatter in stops that even agreeing pairs have: cameras time and stop down to a thirtieth of a stop."""

DIFFERS: Final = "the white balance differs between the two frames"
AUTOMATIC: Final = "the white balance was automatic, and others had a fixed one"
FLASH: Final = "a flash lit the frames, and makes up for light that is lost"


_ROWS, _COLUMNS = np.indices(GRID_SHAPE[:2])
_X = ((_COLUMNS + 0.5) / GRID_SHAPE[1] - 0.5).ravel() * 2
_Y = ((_ROWS + 0.5) / GRID_SHAPE[0] - 0.5).ravel() * 2
# Distance from the centre over the half-diagonal of a 3:2 frame.
_RADIUS = np.hypot(_X * 3, _Y * 2) / np.hypot(3, 2)
_ZONE = np.digitize(_RADIUS, ZONE_RADII)
# A shift is the same everywhere, or a slope across, one down, or goes with the square of the distance; all but the
# first are 0 in the mean.
_PATTERNS = np.stack([np.ones(len(_X)), _X, _Y, _RADIUS**2 - np.mean(_RADIUS**2)], axis=1)


@dataclass(frozen=True, slots=True)
class PairColour:
    """What an accessory did to the colours of one pair.

    Attributes
    ----------
    shift : ndarray of float64, shape (4, 2)
        Shift of a neutral in u'v': in the mean of the frame, and how it changes from left to right, from top to
        bottom and from centre to corner; NaN for raw files.
    light : float
        How much brighter the centre, in stops; NaN where too few cells are usable.
    corner : float
        The same of the corners over the centre.
    """

    shift: Floats
    light: float
    corner: float


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
    valid = (np.minimum(ya, yb) > _DARK) & (np.maximum(a, b).max(1) < _BRIGHT)
    if colour:
        valid &= np.minimum(a, b).min(1) > _DARK / 3
    if valid.sum() < _FEWEST_CELLS:
        return None
    stops, zone = np.log2(ya[valid] / yb[valid]), _ZONE[valid]
    centre, corner = (
        float(np.median(stops[zone == z])) if (zone == z).sum() >= _FEWEST_CELLS // 4 else np.nan
        for z in (0, len(ZONE_RADII))
    )
    shift = np.full((_PATTERNS.shape[1], 2), np.nan)
    if colour:
        ratio = a[valid] / b[valid]
        moved = uv_of(ratio / ratio[:, 1:2]) - uv_of(np.ones(3))
        shift = np.stack([bisquare_regression(m, _PATTERNS[valid])[0] for m in moved.T], axis=1)
    return PairColour(shift, centre, corner - centre)


@dataclass(frozen=True, slots=True)
class Cast:
    """What a label does to a neutral, over all its pairs.

    Attributes
    ----------
    size, low, high : float
        Shift in u'v', or by how much it differs across the frame, with its interval; `low` is 0 unless `found`.
    found : bool
        Whether it is significant.
    scenes : int
        Scenes behind it.
    """

    size: float
    low: float
    high: float
    found: bool
    scenes: int


def _cast(shifts: Floats, size_of: Callable[[Floats], float], least: float, share: float) -> Cast:
    """A size that follows from means of shifts (scenes, k), with an interval that holds a share of the truth;
    found where the means together differ from none (Hotelling-like F test) and the size is `least` or more. Plain
    means: a scene whose light changed widens the interval, where weights by residuals, of a handful of scenes, make it
    too narrow (of accessories that do nothing 5 to 6% were said to tint by six or eight scenes, so 1 to 3%)."""
    count, value = len(shifts), shifts.mean(axis=0)
    stderr = np.hypot(shifts.std(axis=0, ddof=1), _UV_SD) / np.sqrt(count)
    size = size_of(value)
    # Errors are propagated by differences (JCGM 100:2008, 5.1.3).
    steps = [size_of(value + step) - size for step in np.diag(stderr)]
    low, high = Location(size, float(np.hypot.reduce(steps)), count, count).bounds(share)
    chance = fdtr(len(value), count - 1, np.mean((value / stderr) ** 2))
    found = bool(count >= FEWEST and chance > _FOUND and size > least and low > 0)
    return Cast(size, low if found else 0.0, high, found, count)


def _spread(value: Floats) -> float:
    """Largest less smallest u'v' of a neutral over nine tenths of the frame, of patterns (6,)."""
    across = _PATTERNS[:, 1:] @ value.reshape(-1, 2)
    low, high = np.quantile(across, _RANGE_QUANTILES, axis=0)
    return float(np.hypot(*(high - low)))


def _balance(table: FrameColumns, pair: Pair) -> str:
    """White balance of the two frames of a pair by their tags: 'fixed', 'auto', 'differs' or 'unknown'."""
    a, b = table.white_balance[pair.labelled], table.white_balance[pair.control]
    with np.errstate(invalid="ignore", divide="ignore"):
        kelvin = abs(np.log(table.kelvin[pair.labelled] / table.kelvin[pair.control]))
    # An automatic balance that settled on another temperature has changed the colours too.
    if (a and b and a != b) or kelvin > _SAME_KELVIN:
        return "differs"
    if "auto" in (a, b):
        return "auto"
    return "fixed" if a and b else "unknown"


def cast_entries(
    table: FrameColumns, pairs: list[Pair], colours: list[PairColour | None], criteria: Criteria
) -> list[Finding]:
    """Colour cast of a label and its evenness across the frame.

    Parameters
    ----------
    table : FrameColumns
        Columns of all frames.
    pairs : list of Pair
        Of one label and lens.
    colours : list of PairColour or None
        Of the same pairs.
    criteria : Criteria
        Interval.

    Returns
    -------
    list of Finding
        Empty with fewer than two pairs that hold colour.
    """
    coloured = [
        (_balance(table, p), p.scene, c.shift)
        for p, c in zip(pairs, colours, strict=True)
        if c is not None and np.isfinite(c.shift).all()
    ]
    if len(coloured) < 2:
        return []
    kinds, scene, shifts = (np.array(column) for column in zip(*coloured, strict=True))
    if len(np.unique(scene)) < 2:
        told = entry("cast", None, len(scene), "u'v'", few_scenes(len(scene), 1))
        return [told | {"found": False}]
    patterns = by_scene(shifts[:, 1:].reshape(len(shifts), -1), scene)
    even = _cast(patterns, _spread, _LEAST_UNEVEN, criteria.interval)
    differs, automatic = kinds == "differs", kinds == "auto"
    left_out: list[LeftOutPairs] = []
    if differs.any():
        left_out.append({"reason": DIFFERS, "count": int(differs.sum())})
    if automatic.any() and len(np.unique(scene[~differs & ~automatic])) >= FEWEST:
        left_out.append({"reason": AUTOMATIC, "count": int(automatic.sum())})
        differs, automatic = differs | automatic, np.zeros(len(kinds), bool)
    used = by_scene(shifts[~differs][:, 0], scene[~differs])
    text = (
        f"uneven: differs across the frame by {even.size:.4f} ({even.low:.4f} to {even.high:.4f} in u'v')"
        if even.found
        else f"the same across the frame to within {even.high:.4f} in u'v'"
    )
    across = entry("cast evenness", None, len(scene), "u'v'", text, even.size, even.low, even.high)
    if len(used) < 2:
        text = (
            f"cannot tell: {DIFFERS} in {left_out[0]['count']} of {len(coloured)} pairs; "
            f"about {USUAL_PAIRS} pairs with one fixed setting would settle it"
        )
        first = entry("cast", None, int((~differs).sum()), "u'v'", text) | {
            "even": not even.found, "found": False,
        }  # fmt: skip
    else:
        cast = _cast(used, lambda value: float(np.hypot(*value)), 0.0, criteria.interval)
        first = _cast_entry(cast, even, bool(automatic.any()), bool((kinds == "unknown").any()))
        first["pairs"] = int((~differs).sum())
    return [{**first, "left_out": left_out}, across]


def _cast_entry(cast: Cast, even: Cast, automatic: bool, unknown: bool) -> Finding:
    bounds = f"{cast.low:.4f} to {cast.high:.4f} in u'v'"
    if cast.found:
        kind = "uneven across the frame" if even.found else "even, so harmless after white balance"
        text = f"tints by {cast.size:.4f} ({bounds}), {kind}"
    elif even.found:
        text = (
            f"tints the parts of the frame differently, uneven by {even.size:.4f} in u'v'; no cast "
            f"of the frame as a whole ({bounds})"
        )
    elif cast.high < _NO_CAST:
        text = (
            f"no cast found; one of more than {cast.high:.4f} in u'v' can be ruled out ({bounds})"
        )
    else:
        more = pairs_to_settle(cast.scenes, (cast.high - cast.low) / 2, _NO_CAST / 2)
        text = f"cannot tell ({bounds}): white balance or light changed; about {more} pairs would settle it"
    note = None
    if automatic or unknown:
        which = "was automatic" if automatic else "is not told by the files"
        note = f"the white balance {which}: it may have hidden part of an even cast, or added to it"
    return {
        **entry("cast", None, cast.scenes, "u'v'", text, cast.size, cast.low, cast.high),
        "even": not even.found,
        "found": cast.found or even.found,
        "automatic_white_balance": automatic,
        "note": note,
    }


def light_entries(
    table: FrameColumns,
    pairs: list[Pair],
    colours: list[PairColour | None],
    criteria: Criteria,
    bare: bool,
) -> list[Finding]:
    """Light that a label costs, and vignetting: robust means over scenes, in stops.

    Parameters
    ----------
    table : FrameColumns
        Columns of all frames.
    pairs : list of Pair
        Of one label and lens.
    colours : list of PairColour or None
        Of the same pairs.
    criteria : Criteria
        Interval.
    bare : bool
        The controls have nothing in the label's place: as nothing on a lens adds light, more of it is chance.

    Returns
    -------
    list of Finding
        No entry where no pair holds a value.
    """
    labelled, control, scene = np.array(pairs, np.int64).T
    brighter = np.array([np.nan if c is None else c.light for c in colours])
    stops = brighter - (table.exposure[labelled] - table.exposure[control])
    flashed = int((table.flash[labelled] | table.flash[control]).sum())
    left_out: list[LeftOutPairs] = [{"reason": FLASH, "count": flashed}] if flashed else []
    more = None if bare else "{:.1f} stops more light"
    texts = ("takes {:.1f} stops of light", more, "no light lost")
    out = _in_stops("light", None, stops, scene, texts, criteria)
    if flashed and not out:
        text = f"cannot tell: {FLASH}; about {USUAL_PAIRS} pairs without it would settle it"
        out = [entry("light", None, 0, "stops", text)]
    elif flashed:
        out[0]["left_out"] = left_out
    corners = np.array([np.nan if c is None else c.corner for c in colours])
    texts = (
        *("corners darker by {:.1f} stops", "corners brighter by {:.1f} stops"),
        "no darker corners found",
    )
    return out + _in_stops("vignetting", "corner", corners, scene, texts, criteria)


def _in_stops(
    what: str, zone: str | None, stops: Floats, scene: NDArray[np.int64],
    texts: tuple[str, str | None, str], criteria: Criteria,
) -> list[Finding]:  # fmt: skip
    """Robust mean of what pairs differ by, those of one scene as one, with its verdict in `texts`, which name its size;
    none where no pair holds a value."""
    pairs = int(np.isfinite(stops).sum())
    if not pairs:
        return []
    middle = robust_location(by_scene(stops, scene)[:, 0], _LIGHT_SD)
    low, high = middle.bounds(criteria.interval)
    less, more, none = (text and text.format(abs(middle.value)) for text in texts)
    text = verdict(low, high, middle.count, (less or "", more, none or ""))
    if middle.count < 2:
        text = few_scenes(pairs, 1)
    return [entry(what, zone, pairs, "stops", text, middle.value, low, high)]
