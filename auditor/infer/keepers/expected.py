"""What a frame's settings allowed: the lens's curve at its aperture, and the body's noise at its ISO.

Everything is arrays over the rows of the frame table, so that a million frames take seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import scene_ev100
from auditor.infer.lenses.grouping import ENOUGH, SAME_PITCH, within_range
from auditor.record import ZONES
from auditor.record.pools import pool_words, pools
from auditor.record.values import numbers, rows_by_names, words

__all__ = ["Allowed", "allowed_by_settings"]

Floats = NDArray[np.float64]
Block = Mapping[str, Any]

SAME_APERTURE: Final = 0.09
"""Difference of log2 f-number within which two apertures are one, written differently: half a third of a
stop, as f/3.3 and f/3.5 are, and a little for rounding."""
CONFIDENCE: Final = 0.75
"""Confidence that a setting costs more than is acceptable (a judgement, no source) ..."""
CONFIDENCE_BEYOND_INTERVAL: Final = 0.95
"""... and of one outside the 90% interval of the acceptable range's end, which is passed by chance once in
twenty."""
OPEN_SHARE: Final = 0.58
"""An open aperture is usually a choice, of look or of light: it is named only where the weaker zone
keeps less than this share of what is acceptable, about a third of the lens's best."""


@dataclass(slots=True)
class Allowed:
    """What settings allow, per row of the frame table; NaN or -1 where nothing can be said.

    Attributes
    ----------
    log_mtf50 : ndarray of float64, shape (n, Z)
        ln MTF50 (cycles per pixel) that the lens gives at this aperture.
    log_weaker_best : ndarray of float64, shape (n,)
        ln MTF50 of the weaker of centre and corner at the lens's best aperture.
    sweet_spot : ndarray of float64, shape (n,)
        That aperture, f-number.
    wide, small : ndarray of bool, shape (n,)
        The frame's aperture costs more than it may on that side.
    confidence : ndarray of float64, shape (n,)
        How likely that is where it does, 0 to 1.
    snr : ndarray of float64, shape (n,)
        Signal to noise that a typical frame of this brightness shows at this ISO, at the output size.
    lens_entry, focal_range : ndarray of int64, shape (n,)
        Positions in the profile.
    """

    log_mtf50: Floats
    log_weaker_best: Floats
    sweet_spot: Floats
    wide: NDArray[np.bool_]
    small: NDArray[np.bool_]
    confidence: Floats
    snr: Floats
    lens_entry: NDArray[np.int64]
    focal_range: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))


def allowed_by_settings(
    frames: pd.DataFrame, lenses: Sequence[Block], bodies: Sequence[Block], criteria: Criteria
) -> Allowed:
    """Match every frame to its lens's curve and its body's noise in the profile.

    Curves are interpolated over stops of aperture, noise over stops of ISO; past the highest ISO tabled SNR
    falls by half a stop for every stop of ISO (photon noise).

    Parameters
    ----------
    frames : DataFrame
        Frame table: names of gear, `lens_serial`, `f_number`, `focal_length_mm`, `pixel_pitch_um`, `iso`,
        `ev100`, `flash`, `source` and the columns of `record.pools`.
    lenses, bodies : sequence of mapping
        Entries of the profile.
    criteria : Criteria
        Thresholds.

    Returns
    -------
    Allowed
        NaN or -1 where the profile does not cover a frame, or on thin evidence of few frames only.
    """
    n = len(frames)
    out = Allowed(
        np.full((n, len(ZONES)), np.nan), np.full(n, np.nan),
        np.full(n, np.nan), np.zeros(n, bool), np.zeros(n, bool), np.zeros(n), np.full(n, np.nan),
        np.full(n, -1), np.full(n, -1),
    )  # fmt: skip
    serial, source = words(frames, "lens_serial"), words(frames, "source")
    focal, f_number = numbers(frames, "focal_length_mm"), numbers(frames, "f_number")
    pitch = numbers(frames, "pixel_pitch_um")
    pool, kinds = pd.factorize(pools(frames))
    files = np.array([pool_words(k) for k in kinds], dtype=object)[pool]
    rows_of = rows_by_names(frames, ("lens", "body", "converter"))
    for i, lens in enumerate(lenses):
        key = (lens["lens"] or "", lens["body"] or "", lens.get("converter") or "")
        rows = np.asarray(rows_of.get(key, []), dtype=np.int64)
        if lens.get("lens_serial"):
            rows = rows[serial[rows] == lens["lens_serial"]]
        if lens.get("source"):
            rows = rows[np.where(source[rows] == "", "unknown", source[rows]) == lens["source"]]
        if lens.get("files"):
            rows = rows[files[rows] == lens["files"]]
        if lens.get("pixel_pitch_um"):
            # Of a smaller picture size a cycle per pixel is another one on the sensor.
            with np.errstate(divide="ignore", invalid="ignore"):
                other = np.abs(np.log(pitch[rows] / lens["pixel_pitch_um"])) > SAME_PITCH
            rows = rows[~other]
        out.lens_entry[rows] = i
        for j, part in enumerate(lens["focal_ranges"]):
            ends = part["focal_mm"]
            here = rows if ends is None else rows[within_range(ends, focal[rows])]
            out.focal_range[here] = j
            _one_range(out, here, f_number[here], part, criteria)
    _noise(out, frames, bodies)
    return out


def _one_range(out: Allowed, rows: NDArray[np.int64], f_number: Floats, part: Block,
               criteria: Criteria) -> None:  # fmt: skip
    points = [a for a in part["apertures"] if any(a.get(z) for z in ZONES)]
    thin = part.get("evidence") == "thin"
    # A curve of a few is what these show, but even a rough one of many is nearer to a lens than a perfect one
    # is: of 12 to 23 frames it judged worse, of 74 to 83 better.
    few = (part.get("frames") or 0) < ENOUGH
    if not points or not len(rows) or (thin and few):
        return
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.log2(f_number)
    curves = {}
    for z, zone in enumerate(ZONES):
        known = [a for a in points if a.get(zone)]
        if not known:
            continue
        at = np.log2([a["f_number"] for a in known])
        value = np.log([a[zone]["mtf50_cpp"] for a in known])
        inside = (x >= at[0] - SAME_APERTURE) & (x <= at[-1] + SAME_APERTURE)
        out.log_mtf50[rows, z] = np.where(inside, np.interp(x, at, value), np.nan)
        curves[zone] = (at, value)
    sweet = part.get("sweet_spot")
    if thin or sweet is None or not {"centre", "corner"} <= set(curves):
        return  # nobody is advised to leave an aperture on thin evidence
    best = np.log2(sweet["f_number"])
    weaker = min(float(np.interp(best, *curves[z])) for z in ("centre", "corner"))
    out.log_weaker_best[rows] = weaker
    out.sweet_spot[rows] = sweet["f_number"]
    _outside(out, rows, x, part, curves, criteria)


def _outside(out: Allowed, rows: NDArray[np.int64], x: Floats, part: Block,
             curves: Mapping[str, tuple[Floats, Floats]], criteria: Criteria) -> None:  # fmt: skip
    """Apertures outside the acceptable range that the photographer is told of: none inside it is blamed."""
    ends, bounds = part.get("acceptable"), part.get("acceptable_intervals")
    if not ends:
        return
    below, above = _outside_range(x, ends[0], ends[1])
    confidence = np.full(len(x), CONFIDENCE)
    if bounds:
        beyond = np.logical_or(*_outside_range(x, bounds[0][0], bounds[1][1]))
        confidence[beyond] = CONFIDENCE_BEYOND_INTERVAL
    # An open aperture is often chosen for its look or its light: only a heavy loss is named.
    weaker = np.minimum(*(np.interp(x, *curves[z]) for z in ("centre", "corner")))
    heavy = weaker - out.log_weaker_best[rows] < np.log(criteria.acceptable * OPEN_SHARE)
    out.wide[rows], out.small[rows] = below & heavy, above
    out.confidence[rows] = confidence


def _outside_range(
    x: Floats, low: float, high: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether apertures (log2) lie below the f-number `low`, and above `high`."""
    return x < np.log2(low) - SAME_APERTURE, x > np.log2(high) + SAME_APERTURE


def _noise(out: Allowed, frames: pd.DataFrame, bodies: Sequence[Block]) -> None:
    light = scene_ev100(frames)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_iso = np.log2(numbers(frames, "iso"))
    rows_of = rows_by_names(frames, ("body",))
    for entry in bodies:
        rows = np.asarray(rows_of.get((entry["body"],), []), dtype=np.int64)
        for band in entry["brightness"]:
            if not band["by_iso"]:
                continue
            here = rows[(light[rows] >= band["ev100"][0]) & (light[rows] < band["ev100"][1])]
            at, value = np.log2([(s["iso"], s["snr"]) for s in band["by_iso"]]).T
            x = log_iso[here]
            # Beyond the highest ISO tabled, photons: half a stop of SNR for every stop of ISO.
            out.snr[here] = 2 ** (np.interp(x, at, value) - np.clip(x - at[-1], 0, None) / 2)
