"""Focus bias: does the plane of focus lie in front of or behind what was meant?

What was meant is taken to be in the middle of the picture, as no tag tells otherwise. In a frame of a
landscape the lower part is nearer than the middle, the upper part farther, and the parts beside it lie
about as far. Whatever the scene, when the lower part is sharper than the meant place, allowing for what
the lens does there, focus lay in front of it; when the upper part is, behind. Both happen by chance, and
what is hardly sharper may well be so by chance: a frame counts by how much sharper its part is. So the
frames of all apertures serve, wide ones most, where depth of field hides least. A bias is reported where one
outweighs the other more than chance has it; frames that show neither say nothing.

What the lens does at its upper and lower edge is taken from frames held the other way round, and
failing these from its left and right; then a lens that is softer on one side can't be distinguished from a
bias, and the entry says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import aperture_text
from auditor.infer.criteria import Criteria
from auditor.infer.decisions.common import (
    SHUFFLES,
    focal_text,
    holm,
    lens_text,
)
from auditor.infer.enough import FEW, FEW_FRAMES, LEAST_SHARE, NEGLIGIBLE
from auditor.infer.frame_values import (
    EDGES,
    OPPOSITE_EDGE,
    group_numbers,
    log_sharpness,
    near_and_far,
    usable,
)
from auditor.infer.lenses.grouping import rows_of_lenses, within_range
from auditor.model import FocusBias
from auditor.record.values import numbers
from auditor.robust import bisquare_regression, share_interval

__all__ = ["find_focus_bias"]

Block = Mapping[str, Any]
Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

_BY_CHANCE: Final = {"front": 0.5, "behind": 0.6}
"""Share of the frames whose sharper part is not the meant one in which it is the near or the far one
when focus errs to both sides alike. What lies beyond the middle can't be farther off, in dioptres, than
infinity; what lies before it can. So errors behind show more often, in 60% of drawn landscapes without
bias (60 archives); for errors in front one half is on the safe side."""
_READ: Final = (
    *("orientation", "f_number", "outing", "centre_mtf50_cpp"),
    *(f"{side}_mtf50_cpp" for side in EDGES),
)
"""Columns that one lens's frames are judged by: choosing rows copies all columns there are."""


def find_focus_bias(
    frames: pd.DataFrame, lenses: Sequence[Block], criteria: Criteria
) -> list[FocusBias]:
    """Focus biases that remain significant among all lenses and focal ranges, the clearest first.

    Each frame votes for front or behind, weighted by how much sharper that part is; the sum is tested by
    flipping signs of whole outings, and p-values are corrected for multiple testing (`holm`).

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    lenses : sequence of mapping
        The profile's `lenses`, for their focal ranges.
    criteria : Criteria
        Interval and seed.

    Returns
    -------
    list of FocusBias
        Each has lens, body, converter, lens_serial, focal_mm, `direction` ("front" or "behind"), `meant`
        ("middle"), `front` and `behind` (frames that show each), frames, `p`, `share` with low and high (of
        the frames, front or behind), `apertures` that it costs sharpness at ([f_number, loss]),
        `sides_known` and `text`.
    """
    found = [_test_bias(frames, *part, criteria) for part in _parts(frames, lenses)]
    tests = sorted((t for t in found if t is not None), key=lambda t: t["p"])
    significant = tests[: holm([t["p"] for t in tests])]
    reported = [t for t in significant if t["share"] >= LEAST_SHARE]
    for entry in reported:
        entry["text"] = _text(entry)
    return reported


def _parts(
    frames: pd.DataFrame, lenses: Sequence[Block]
) -> Iterator[tuple[Block, Block, Rows]]:  # fmt: skip
    focal, good = numbers(frames, "focal_length_mm"), usable(frames)
    good &= np.isfinite(numbers(frames, "f_number"))
    for entry, rows in zip(lenses, rows_of_lenses(frames, lenses), strict=True):
        for part in entry["focal_ranges"]:
            inside = rows[good[rows]]
            if part["focal_mm"]:
                inside = inside[within_range(part["focal_mm"], focal[inside])]
            if len(inside) >= 2 * FEW_FRAMES:
                yield entry, part, inside


def _test_bias(
    frames: pd.DataFrame, lens: Block, part: Block, rows: Rows, criteria: Criteria
) -> FocusBias | None:  # fmt: skip
    table = frames[[c for c in _READ if c in frames]].iloc[rows]
    near, far, below = near_and_far(table)
    intended = log_sharpness(table, "centre")
    f_number = numbers(table, "f_number")
    near, far = near - intended, far - intended
    stops = 2 * np.log2(f_number / np.nanmin(f_number))
    lens_near, lens_far, sides_known = _lens_falloff(table, below, stops)
    lens_sides = (lens_near + lens_far) / 2
    # What was meant shows in the middle and beside it.
    intended = np.nan_to_num(_beside(table, below) - intended - lens_sides) / 2
    near, far = near - lens_near - intended, far - lens_far - intended
    known = np.isfinite(near) & np.isfinite(far)
    if known.sum() < 2 * FEW_FRAMES:
        return None
    # A part that seems sharper by chance is as often the near as the far one.
    front = known & (near > 0) & (near > far)
    behind = known & (far > 0) & (far > near)
    n_front, n_behind = int(front.sum()), int(behind.sum())
    if n_front + n_behind == 0:
        return None
    outing = group_numbers(table, "outing")
    direction: Literal["front", "behind"] = "front" if n_front >= n_behind else "behind"
    biased, share = front if direction == "front" else behind, _BY_CHANCE[direction]
    gain = np.maximum(near, far)
    # What is hardly sharper may be so by chance.
    weight = np.where(front | behind, gain / (gain + NEGLIGIBLE), 0.0)
    excess = np.where(biased, (1 - share) * weight, -share * weight)
    # Frames of one outing are not independent: so many count as there are outings.
    share_biased, of = float(biased[known].mean()), len(np.unique(outing[known]))
    low, high = share_interval(share_biased * of, of, criteria.interval)
    return {
        "lens": lens["lens"],
        "body": lens["body"],
        "converter": lens["converter"],
        "lens_serial": lens.get("lens_serial"),
        "focal_mm": part["focal_mm"],
        "direction": direction,
        "meant": "middle",
        "front": n_front,
        "behind": n_behind,
        "frames": int(known.sum()),
        "p": _sign_flip_p(excess, outing, criteria.seed),
        "share": round(share_biased, 3),
        "low": round(low, 3),
        "high": round(high, 3),
        "apertures": _losses(near, far, f_number, known, direction == "front"),
        "sides_known": sides_known,
        "text": "",
    }


def _beside(table: pd.DataFrame, below: Rows) -> Floats:
    """Log MTF50 (n,) of the parts beside the middle as the frame was held, the mean of those that show;
    NaN where none does."""
    left = np.where(below < 2, EDGES.index("left"), EDGES.index("bottom"))
    side, at = np.stack([log_sharpness(table, s) for s in EDGES]), np.arange(len(table))
    both = pd.DataFrame({"one": side[left, at], "other": side[OPPOSITE_EDGE[left], at]})
    return both.mean(axis=1).to_numpy()


def _lens_falloff(
    table: pd.DataFrame, below: NDArray[np.int64], stops: Floats
) -> tuple[Floats, Floats, bool]:
    """What the lens does at the lower and the upper edge against the middle, for each frame, and
    whether each side of it is known apart from depth.

    The corners' fall-off is a line in stops, common to the sides; how far opposite sides differ comes
    on top. A side is judged in frames held so that it lies beside the scene, at the middle's depth as often
    nearer as farther. Where there are few of these, nothing is known of a difference.
    """
    offset = np.stack([log_sharpness(table, s) for s in EDGES]) - log_sharpness(table, "centre")
    beside = np.stack([below >= 2, below >= 2, below < 2, below < 2])
    shown = beside & np.isfinite(offset)
    sides, known = np.full(offset.shape, np.nan), np.zeros(4, bool)
    if shown.sum() >= FEW:
        design = np.column_stack([np.ones(len(stops)), stops])
        line, _ = bisquare_regression(offset[shown], np.tile(design, (4, 1))[shown.ravel()])
        sides[:] = design @ line
    for first, second in ((0, 1), (2, 3)):
        difference = (offset[first] - offset[second])[shown[first] & shown[second]]
        if len(difference) >= FEW:
            known[[first, second]] = True
            half = float(np.median(difference)) / 2
            sides[first] += half
            sides[second] -= half
    at = np.arange(len(below))
    used = np.unique(np.concatenate([below, OPPOSITE_EDGE[below]]))
    return sides[below, at], sides[OPPOSITE_EDGE[below], at], bool(known[used].all())


def _sign_flip_p(excess: Floats, outing: Rows, seed: int) -> float:
    """P-value of a sum of signed votes (expected 0), two-sided: signs of whole outings are drawn anew, as
    frames of one outing are not independent.
    """
    summed = pd.Series(excess).groupby(outing).sum().to_numpy()
    signs = np.random.default_rng(seed).choice([-1.0, 1.0], (SHUFFLES, len(summed)))
    flipped = signs @ summed >= summed.sum() - 1e-9
    return min(2 * (1 + int(flipped.sum())) / (SHUFFLES + 1), 1.0)


def _losses(
    near: Floats, far: Floats, f_number: Floats, known: NDArray[np.bool_], front: bool
) -> list[list[float]]:
    """Apertures at which the meant place is softer than the better edge allows: [f-number, share]."""
    better = near if front else far
    out = []
    for n in np.unique(f_number[known]):
        here = better[known & (f_number == n)]
        if len(here) >= FEW:
            loss = 1 - float(np.exp(-np.median(here)))
            if loss >= NEGLIGIBLE:
                out.append([float(n), round(loss, 3)])
    return out


def _text(found: FocusBias) -> str:
    focal = focal_text(found["focal_mm"])
    name = lens_text(found["lens"], found["converter"], found["lens_serial"])
    where = "in front of" if found["direction"] == "front" else "behind"
    many, few = found["front"], found["behind"]
    if found["direction"] == "behind":
        many, few = few, many
    text = (
        f"{name}{f' at {focal}' if focal else ''}: focus lay {where} the {found['meant']} of "
        f"the picture in {many} of {found['frames']} frames, on its other side in {few}"
    )
    if found["apertures"]:
        costs = ", ".join(f"{loss:.0%} at {aperture_text(n)}" for n, loss in found["apertures"])
        text += f"; it costs the {found['meant']} {costs}"
    if not found["sides_known"]:
        text += (
            "; a lens that is softer on one side would look alike, which frames held the other way "
            "round would tell"
        )
    return text
