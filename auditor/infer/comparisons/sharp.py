"""Sharpness of pairs: brought to one aperture, compared zone by zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from auditor.infer.comparisons.paired import paired_difference
from auditor.infer.comparisons.pairs import FrameColumns, Pair
from auditor.infer.comparisons.verdict import few_scenes, sharpness_verdict
from auditor.infer.criteria import Criteria
from auditor.infer.enough import FEWEST
from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM, within_range
from auditor.model import Finding
from auditor.optics import blur_sigma_for_mtf50, mtf50
from auditor.record import ZONES
from auditor.robust import low_middle_high

__all__ = [
    "USUAL_BLUR",
    "added_blur_px",
    "compare_sharpness",
    "expected_log_mtf50",
    "find_range",
    "pitch_at",
]

Floats = NDArray[np.float64]

USUAL_BLUR: Final = (0.5, 0.6, 0.75)
"""Blur in px assumed per zone where no curve is known; only ratios between apertures come of it."""
_GRID: Final = np.linspace(0.0, 6.0, 301)
"""Blur in px that a figure is turned into: beyond 6 px nothing can be said, and 0.02 px is 0.5% of MTF50."""


def find_range(
    lenses: Sequence[Mapping[str, Any]],
    lens: str,
    body: str,
    converter: str | None,
    focal_mm: float,
) -> Mapping[str, Any] | None:
    """The focal range of a lens's entry that holds a focal length.

    Parameters
    ----------
    lenses : sequence of mapping
        The profile's `lenses`.
    lens, body : str
        Names.
    converter : str or None
        Name of the converter.
    focal_mm : float
        Focal length.

    Returns
    -------
    mapping or None
        One of `focal_ranges`.
    """
    for entry in lenses:
        if (entry["lens"], entry["body"], entry["converter"]) != (lens, body, converter):
            continue
        for part in entry["focal_ranges"]:
            bounds = part.get("focal_mm")
            if bounds is None or bool(within_range(bounds, focal_mm)):
                return part
    return None


def expected_log_mtf50(
    part: Mapping[str, Any] | None, f_number: ArrayLike, pitch_um: float
) -> Floats:
    """What a lens should show: its inferred curve where there is one, usual optics otherwise.

    Parameters
    ----------
    part : mapping or None
        One of `focal_ranges` of the profile, with `apertures`.
    f_number : array_like, shape (n,)
        Apertures; between those of the curve interpolated over stops, past its ends by the slope of optics.
    pitch_um : float
        Pixel pitch in micrometres.

    Returns
    -------
    ndarray of float64, shape (n, Z)
        ln MTF50, cycles per pixel.
    """
    n = np.atleast_1d(np.asarray(f_number, float))
    out = np.log(mtf50(n[:, None], pitch_um, np.array(USUAL_BLUR)[None, :]))
    apertures = [] if part is None else part["apertures"]
    for z, zone in enumerate(ZONES):
        points = sorted((a["f_number"], a[zone]["mtf50_cpp"]) for a in apertures if a.get(zone))
        if points:
            x, y = np.log2([p[0] for p in points]), np.log([p[1] for p in points])
            # Past the ends only the optics' slope is added.
            inside = np.clip(np.log2(n), x[0], x[-1])
            out[:, z] += np.interp(inside, x, y) - np.log(mtf50(2**inside, pitch_um, USUAL_BLUR[z]))
    return np.asarray(out)


def _blur_px(log_mtf50: ArrayLike, f_number: float, pitch_um: float) -> Floats:
    """Gaussian blur (px) of a lens that shows this MTF50 behind diffraction and pixel, 0 where they alone
    would leave less."""
    family = np.log(mtf50(f_number, pitch_um, _GRID))
    return np.interp(-np.asarray(log_mtf50), -family, _GRID)


def added_blur_px(base_log: Floats, delta: Floats, f_number: float, pitch_um: float) -> Floats:
    """Squared Gaussian blur that turns one MTF50 into another.

    Through the system family (diffraction, pixel, Gaussian) where both lie within it; sharpened files lie
    above it, for them the equivalent Gaussians are compared.

    Parameters
    ----------
    base_log : ndarray of float64
        ln MTF50 without the accessory, cycles per pixel.
    delta : ndarray of float64
        Change of it.
    f_number : float
        Aperture.
    pitch_um : float
        Pixel pitch in micrometres.

    Returns
    -------
    ndarray of float64
        px^2, negative for sharper.
    """
    changed = base_log + delta
    by_system = (
        _blur_px(changed, f_number, pitch_um) ** 2 - _blur_px(base_log, f_number, pitch_um) ** 2
    )
    by_gaussian = (
        blur_sigma_for_mtf50(np.exp(changed)) ** 2 - blur_sigma_for_mtf50(np.exp(base_log)) ** 2
    )
    inside = np.maximum(base_log, changed) < np.log(mtf50(f_number, pitch_um, 0.0))
    return np.asarray(np.where(inside, by_system, by_gaussian))


_APERTURE_ERROR: Final = 0.25
"""Share of an aperture's correction that may be wrong."""
_MULTIPLICITY: Final = 1.15
"""Intervals are so much wider than those of one figure alone (multiple comparisons): with three zones and
the frame judged together, a perfect accessory is then accused in fewer than one archive of twenty."""
_SHAKE_RISK: Final = 2.0
"""Factor on the odds of a fault for a shutter slower than 1 / focal length (common practice, no source)."""
_DIRECTED: Final = 0.2
"""Log ratio of blur along x and y from which a frame looks shaken."""
_DIRECTED_RISK: Final = 8.0
"""The same for a frame that looks shaken."""


def pitch_at(table: FrameColumns, row: int) -> float:
    """Pixel pitch of one frame in micrometres, a usual one where it is not known."""
    return float(table.pitch[row]) if table.pitch[row] > 0 else PITCH_UNKNOWN_UM


def _risk(table: FrameColumns, rows: NDArray[np.int64]) -> Floats:
    """Factor on the odds of a fault: held longer than one over the focal length (common
    practice, no source), and blur that has a direction."""
    slow = table.shutter_stops[rows] > 0
    directed = table.direction[rows] > _DIRECTED
    return np.where(slow, _SHAKE_RISK, 1.0) * np.where(directed, _DIRECTED_RISK, 1.0)


def _at_aperture(
    table: FrameColumns,
    rows: NDArray[np.int64],
    lenses: Sequence[Mapping[str, Any]],
    f_number: float,
    pitch_um: float,
) -> tuple[Floats, Floats]:
    """(rows, zones) log MTF50 as it would be at one aperture by the lens's curve, and its standard error."""
    shifts: dict[tuple[Any, ...], Floats] = {}
    values, errors = np.empty((len(rows), 3)), np.empty((len(rows), 3))
    for k, row in enumerate(rows):
        used = (table.lens[row], table.body[row], table.converter[row] or None)
        settings = (*used, float(table.focal[row]), float(table.f_number[row]))
        if settings not in shifts:
            part = find_range(lenses, *used, settings[3])
            there = expected_log_mtf50(part, [settings[4], f_number], pitch_um)
            shifts[settings] = there[1] - there[0]
        shift = shifts[settings]
        values[k] = table.log_mtf50[row] + shift
        errors[k] = np.hypot(table.stderr[row], _APERTURE_ERROR * shift)
    return values, errors


def compare_sharpness(
    table: FrameColumns,
    pairs: Sequence[Pair],
    lenses: Sequence[Mapping[str, Any]],
    criteria: Criteria,
) -> list[Finding]:
    """Differences of sharpness of the pairs of one label and lens.

    Both frames are brought to the median aperture of the controls by the lens's curve; `paired_difference`
    gives the posterior. Pairs of one scene count as one, by their median.

    Parameters
    ----------
    table : FrameColumns
        Columns of all frames.
    pairs : sequence of Pair
        Of one label and lens.
    lenses : sequence of mapping
        The profile's `lenses`, for their curves.
    criteria : Criteria
        Interval and seed.

    Returns
    -------
    list of Finding
        For the frame as a whole (zone None) and every zone, with the blur added; empty where nothing was
        measured on both sides. Intervals are widened by `_MULTIPLICITY`, for several are judged together; of
        fewer than `FEWEST` scenes there is neither interval nor added blur.
    """
    labelled = np.array([p.labelled for p in pairs], np.int64)
    control = np.array([p.control for p in pairs], np.int64)
    usable = (np.isfinite(table.log_mtf50[labelled]) & np.isfinite(table.log_mtf50[control])).any(1)
    unmeasured = int((~usable).sum())
    usable &= (table.f_number[labelled] > 0) & (table.f_number[control] > 0)
    labelled, control = labelled[usable], control[usable]
    if not len(labelled):
        return []
    pitch = pitch_at(table, int(control[0]))
    target = float(np.exp(np.median(np.log(table.f_number[control]))))
    y_labelled, e_labelled = _at_aperture(table, labelled, lenses, target, pitch)
    y_control, e_control = _at_aperture(table, control, lenses, target, pitch)
    risk = np.stack([_risk(table, labelled), _risk(table, control)], axis=1)
    scene = np.unique([p.scene for p in pairs], return_inverse=True)[1][usable]
    # A focus missed once is missed in all pairs of its scene.
    ratio, stderr, risk = (
        pd.DataFrame(x).groupby(scene).median().to_numpy()
        for x in (y_labelled - y_control, np.hypot(e_labelled, e_control), risk)
    )
    found = paired_difference(ratio, stderr, risk, criteria.seed)
    scene = np.unique(scene, return_inverse=True)[1]
    in_focus = found.in_focus[scene]
    focused = np.where((in_focus > 0.5)[:, None], y_control, np.nan)
    measured = np.isfinite(y_labelled - y_control)
    out = []
    for zones in ([0, 1, 2], [0], [1], [2]):
        present = [z for z in zones if measured[:, z].any()]
        if present:
            draws = found.draws[:, present].mean(1)
            # Where a zone was seen in missed pairs only, these tell its level.
            level = focused if np.isfinite(focused[:, present]).any() else y_control
            base = np.asarray(np.nanmedian(level[:, present]))
            blur = added_blur_px(base, draws, target, pitch)
            shown = measured[:, present].any(1)
            count = int(shown.sum()), len(np.unique(scene[shown]))
            name = ZONES[zones[0]] if len(zones) == 1 else None
            out.append(_entry(name, draws, criteria.interval, count, blur))
    for entry in out:
        if len(ratio) < FEWEST:
            entry["low"] = entry["high"] = entry["added_blur_px"] = None
            entry["verdict"] = few_scenes(entry["pairs"] or 0, len(ratio))
        entry["sound_pairs"] = round(float(in_focus.sum()), 1)
        entry["f_number"] = round(target, 1)
        entry["unmeasured_pairs"] = unmeasured
    return out


def _entry(
    zone: str | None, draws: Floats, share: float, count: tuple[int, int], blur2: Floats
) -> Finding:
    """`count`: pairs and scenes."""
    pairs, scenes = count
    quantiles = low_middle_high(draws, share)
    quantiles = quantiles[1] + _MULTIPLICITY * (quantiles - quantiles[1])
    low, middle, high = (float(np.expm1(q)) for q in quantiles)
    blur = np.sqrt(np.maximum(low_middle_high(blur2, share), 0.0))
    return {
        "what": "sharpness",
        "zone": zone,
        "pairs": pairs,
        "scenes": scenes,
        "difference": middle,
        "low": low,
        "high": high,
        "unit": "share of MTF50",
        "added_blur_px": {"value": float(blur[1]), "low": float(blur[0]), "high": float(blur[2])},
        "verdict": sharpness_verdict(middle, low, high, scenes),
    }
