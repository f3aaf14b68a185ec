"""Sharpness of pairs, of which some missed focus: brought to one aperture, compared zone by zone.

Model: the log ratio of MTF50 within pair i in zone z is d + k_z + m_i + noise. m_i is 0 where both frames are in
focus, below 0 where the labelled one missed or was shaken, above 0 where the control was: a miss only ever
makes softer, in all zones at once, so that differences between zones are free of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr, logsumexp, ndtri

from auditor.infer.comparisons.choose import by_scene
from auditor.infer.comparisons.pairs import FrameColumns, Pair
from auditor.infer.comparisons.verdict import entry, few_scenes, sharpness_verdict
from auditor.infer.criteria import DRAWS, Criteria
from auditor.infer.enough import FEWEST
from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM, within_range
from auditor.model import AddedBlur, Finding, LeftOutPairs
from auditor.optics import blur_sigma_for_mtf50, mtf50
from auditor.record import ZONES
from auditor.robust import low_middle_high

__all__ = [
    "USUAL_BLUR",
    "compare_sharpness",
    "expected_log_mtf50",
    "find_range",
    "paired_difference",
    "pitch_at",
]

Floats = NDArray[np.float64]

USUAL_BLUR: Final = (0.5, 0.6, 0.75)
"""Blur in px assumed per zone where no curve is known; only ratios between apertures come of it."""


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
    for used in lenses:
        if (used["lens"], used["body"], used["converter"]) == (lens, body, converter):
            for part in used["focal_ranges"]:
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


_MOST_BLUR_PX: Final = 6.0
"""Blur beyond which nothing can be said, in px."""
_APERTURE_ERROR: Final = 0.25
"""Share of an aperture's correction that may be wrong."""
_SCATTERS: Final = np.array([0.025, 0.035, 0.05, 0.07, 0.1])
"""Scatters of a pair's log ratio in a zone beyond its stated error (log MTF50), equally likely beforehand; a figure
without a usable error has their mean."""
_MISSED: Final = 0.2
"""Share of frames that miss on either side: one in five (common practice, no source) ..."""
_WORTH: Final = 10.0
"""... as if ten frames had shown it."""
_LOSS: Final = 0.6
"""Mean of what a miss costs (log MTF50, exponential): some half of the sharpness."""
_EFFECT: Final = 0.1
"""Mean of what an accessory costs or gains (log MTF50, exponential): so little that a few misses alike in size are not
taken for it."""
_ZONE_SD: Final = 0.03
"""How far zones differ in an accessory's effect, in log MTF50."""
_ROUNDS: Final = 4
"""Rounds in which zones' differences, the pairs in focus and the shares of misses are told by each other."""
_GRID: Final = 401
"""Figures that are tried: differences from the least ratio of a pair to the greatest, blurs up to `_MOST_BLUR_PX`."""
_DIRECTED: Final = 0.2
"""Log ratio of blur along x and y from which a frame looks shaken."""
_DIRECTED_RISK: Final = 8.0
"""Factor on the odds of a fault for a frame that looks shaken: by its shutter time alone none does."""


def paired_difference(
    ratio: Floats, stderr: Floats, risk: Floats, seed: int
) -> tuple[Floats, Floats]:
    """Posterior of the log MTF50 ratio between the two sides of pairs, some of which missed focus.

    Mixture model of the pairs' means over zones: normal about the difference where both frames are in focus, and
    an exponential loss more on one side where one missed. Its posterior is worked out on a grid of differences and
    scatters. What zones differ by is the mean of the departures from their own mean of the pairs in focus.

    Parameters
    ----------
    ratio : ndarray of float64, shape (I, Z)
        ln MTF50 of the labelled frames over the controls, brought to one aperture, NaN where a zone was not
        measured.
    stderr : ndarray of float64, shape (I, Z)
        Their stated standard errors.
    risk : ndarray of float64, shape (I, 2)
        Factor on the odds that the labelled and the control frame missed, 1 as usual.
    seed : int
        Seed of the samples.

    Returns
    -------
    draws : ndarray of float64, shape (DRAWS, Z)
        Samples of the effect in each zone, ln MTF50.
    in_focus : ndarray of float64, shape (I,)
        Probability that both frames of a pair were in focus.
    """
    measured = np.isfinite(ratio)
    ratio, stated2 = np.where(measured, ratio, 0.0), np.where(measured, stderr, 1.0) ** 2
    scatter2 = _SCATTERS**2
    sd = (measured / (scatter2[:, None, None] + stated2)).sum(2)[:, None] ** -0.5
    zones, share = np.zeros(ratio.shape[1]), np.full(2, _MISSED)
    for _ in range(_ROUNDS):
        # A pair that lacks a zone is no softer or sharper for it.
        mean = ((ratio - zones) * measured).sum(1) / measured.sum(1)
        grid = np.linspace(mean.min() - _SCATTERS[-1], mean.max() + _SCATTERS[-1], _GRID)
        odds = share / (1 - share) * risk
        fates = _log_likelihoods(mean - grid[:, None], sd, odds / (1 + odds))
        either = logsumexp(fates, axis=0)
        log_p = either.sum(2) - np.abs(grid) / _EFFECT
        weight = np.exp(log_p - log_p.max())
        weight /= weight.sum()
        in_focus, *missed = (weight[..., None] * np.exp(fates - either)).sum((1, 2))
        share = (_MISSED * _WORTH + np.sum(missed, axis=1)) / (_WORTH + len(ratio))
        # Zones share most of an accessory's effect.
        known = measured * in_focus[:, None] / (weight.sum(1) @ scatter2 + stated2)
        precision = known.sum(0) + _ZONE_SD**-2
        zones = (known * (ratio - mean[:, None])).sum(0) / precision
    evenly = (np.arange(DRAWS) + 0.5) / DRAWS
    common = np.interp(evenly, np.cumsum(weight.sum(0)), grid)
    rng = np.random.default_rng(seed)
    normal = ndtri(np.stack([rng.permutation(evenly) for _ in zones], axis=1))
    # What zones share counts twice: with three of them and the frame judged together, a perfect accessory is
    # then accused in fewer than one archive of twenty.
    return common[:, None] + zones + normal / np.sqrt(precision), in_focus


def _log_likelihoods(residual: Floats, sd: Floats, missed: Floats) -> Floats:
    """Log likelihood of each pair's residual together with each of three fates: both frames in focus; the labelled one
    or the control missed, with chances `missed` (I, 2), and lost an exponential more (exponentially modified normal
    distribution; E. Grushka, Anal. Chem. 44, 1972)."""
    at = residual / sd
    focused = np.log1p(-missed).sum(1) - 0.5 * at**2 - np.log(sd) - 0.5 * np.log(2 * np.pi)
    lost = [
        np.log(chance / _LOSS) + sd**2 / (2 * _LOSS**2) - sign * residual / _LOSS
        + log_ndtr(sign * at - sd / _LOSS)
        for chance, sign in zip(missed.T, (-1, 1), strict=True)
    ]  # fmt: skip
    return np.stack([focused, *lost])


def pitch_at(table: FrameColumns, row: int) -> float:
    """Pixel pitch of one frame in micrometres, a usual one where it is not known."""
    return float(table.pitch[row]) if table.pitch[row] > 0 else PITCH_UNKNOWN_UM


def _at_aperture(
    table: FrameColumns,
    rows: NDArray[np.int64],
    lenses: Sequence[Mapping[str, Any]],
    f_number: float,
    pitch_um: float,
) -> tuple[Floats, Floats]:
    """(rows, zones) log MTF50 as it would be at one aperture by the lens's curve, and its standard error."""

    @cache
    def shift(lens: str, body: str, converter: str, focal: float, used: float) -> Floats:
        part = find_range(lenses, lens, body, converter or None, focal)
        own, there = expected_log_mtf50(part, [used, f_number], pitch_um)
        return np.asarray(there - own)

    columns = (table.lens, table.body, table.converter, table.focal, table.f_number)
    shifts = np.array([shift(*row) for row in zip(*(c[rows] for c in columns), strict=True)])
    stated = np.nan_to_num(table.stderr[rows], nan=_SCATTERS.mean())
    errors = np.hypot(stated, _APERTURE_ERROR * shifts)
    return table.log_mtf50[rows] + shifts, errors


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
        measured on both sides. Of fewer than `FEWEST` scenes there is neither interval nor added blur.
    """
    labelled, control, scene = np.array(pairs, np.int64).T
    usable = (np.isfinite(table.log_mtf50[labelled]) & np.isfinite(table.log_mtf50[control])).any(1)
    unmeasured = int((~usable).sum())
    usable &= (table.f_number[labelled] > 0) & (table.f_number[control] > 0)
    labelled, control, scene = labelled[usable], control[usable], scene[usable]
    if not len(labelled):
        return []
    pitch = pitch_at(table, int(control[0]))
    target = float(np.exp(np.median(np.log(table.f_number[control]))))
    y_labelled, e_labelled = _at_aperture(table, labelled, lenses, target, pitch)
    y_control, e_control = _at_aperture(table, control, lenses, target, pitch)
    directed = table.direction[np.stack([labelled, control], axis=1)] > _DIRECTED
    risk = np.where(directed, _DIRECTED_RISK, 1.0)
    scene = np.unique(scene, return_inverse=True)[1]
    ratio, stderr, risk = (
        by_scene(x, scene) for x in (y_labelled - y_control, np.hypot(e_labelled, e_control), risk)
    )
    samples, in_focus = paired_difference(ratio, stderr, risk, criteria.seed)
    in_focus = in_focus[scene]
    focused = np.where((in_focus > 0.5)[:, None], y_control, np.nan)
    measured = np.isfinite(y_labelled - y_control)
    why = "a frame of the pair held nothing sharp enough to measure"
    left_out: list[LeftOutPairs] = [{"reason": why, "count": unmeasured}] if unmeasured else []
    out: list[Finding] = []
    for name, zones in ((None, [0, 1, 2]), *zip(ZONES, ([0], [1], [2]), strict=True)):
        present = [z for z in zones if measured[:, z].any()]
        if not present:
            continue
        shown = measured[:, present].any(1)
        count, scenes = int(shown.sum()), len(np.unique(scene[shown]))
        draws = samples[:, present].mean(1)
        low, difference, high = np.expm1(low_middle_high(draws, criteria.interval)).tolist()
        if len(ratio) < FEWEST:
            text = few_scenes(count, len(ratio))
            finding = entry("sharpness", name, count, "share of MTF50", text, difference)
            finding["added_blur_px"] = None
        else:
            text = sharpness_verdict(difference, low, high, scenes)
            finding = entry("sharpness", name, count, "share of MTF50", text, difference, low, high)
            # Where a zone was seen in missed pairs only, these tell its level.
            level = focused if np.isfinite(focused[:, present]).any() else y_control
            base = float(np.nanmedian(level[:, present]))
            finding["added_blur_px"] = _added_blur(base, draws, criteria.interval, target, pitch)
        out.append({
            **finding, "scenes": scenes, "sound_pairs": round(float(in_focus.sum()), 1),
            "f_number": round(target, 1), "left_out": left_out,
        })  # fmt: skip
    return out


def _added_blur(
    base: float, draws: Floats, share: float, f_number: float, pitch_um: float
) -> AddedBlur:
    """Gaussian blur (px) that turns one MTF50 into another, where ln MTF50 is `base` without the accessory and changes
    by `draws`: what their blurs behind diffraction and pixel differ by; of sharpened files, which lie above these, what
    the Gaussians of the same MTF50 differ by."""
    blur = np.linspace(0.0, _MOST_BLUR_PX, _GRID)
    family = -np.log(mtf50(f_number, pitch_um, blur))
    changed = base + draws
    by_system = np.interp(-changed, family, blur) ** 2 - np.interp(-base, family, blur) ** 2
    by_gaussian = (
        blur_sigma_for_mtf50(np.exp(changed)) ** 2 - blur_sigma_for_mtf50(np.exp(base)) ** 2
    )
    inside = np.maximum(base, changed) < -family[0]
    blur2 = low_middle_high(np.where(inside, by_system, by_gaussian), share)
    low, value, high = np.sqrt(np.maximum(blur2, 0.0)).tolist()
    return {"value": value, "low": low, "high": high}
