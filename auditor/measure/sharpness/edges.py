"""Step edges: straighten (`lines`), profile, judge.

Each candidate is a square patch. A line (with a slight bend) is laid along the edge, first through
the gradients and then by least squares against the edge profile itself, which places it as precisely
as the noise allows. The pixels are binned by their distance from the line (ISO 12233, slanted
edge), and the profile is fitted with the family of plausible systems.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.sharpness.edge_profiles import ProfileFit, RoughFit, fit_profiles, rough_fit
from auditor.measure.sharpness.edge_records import Edges, no_edges
from auditor.measure.sharpness.family import BIN_PX, OFFSETS, edge_family, half_width
from auditor.measure.sharpness.light import Light, fill_green
from auditor.measure.sharpness.lines import (
    BINS,
    PATCH_PX,
    Lines,
    Pixels,
    binned,
    bins_of,
    first_lines,
    near_line,
)

__all__ = ["CLEAN_MISFIT", "Edges", "measure_edges"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_HALF: Final = PATCH_PX // 2
"""Pixels of a patch to every side of its middle."""
_FIRST_PX: Final = 19
"""Side of the patch in which the line is first estimated: what lies near the middle shows its direction."""
_MIN_MONOTONICITY: Final = 0.38
"""`Lines.one_way` at least of a place that is looked at closely: of 6,500 places of 17 photographs less than
it have 39% of those that hold no edge, and 1 in 240 of those that do."""
_MOST_MOVE_PX: Final = 8
"""How far a patch may be moved, across and down, onto the edge that was found on a reduced picture."""
_PLATEAU: Final = int(np.count_nonzero(OFFSETS < -1.0))
"""Bins of either plateau: those more than a pixel from the edge."""
_BLEND: Final = np.clip(OFFSETS / 2 + 0.5, 0, 1)
"""Part of the light side's noise in each bin."""
_MIN_STEP: Final = 0.01
"""Step of an edge at least, in light (1 = white)."""
CLEAN_MISFIT: Final = 0.05
"""Root mean square of what the fit leaves, as a share of the step, up to which an edge is clean."""
_MAX_MISFIT: Final = 0.12
"""The same up to which it is kept."""
_MAX_CHI2: Final = 6
"""Misfit per degree of freedom up to which an edge is kept."""
_MAX_ROUGH_MISFIT: Final = 0.2
"""The same against a rough profile: about a first line, beyond it fewer than one in a hundred turns out
clean; about the line laid along the edge, none of 8,700 clean edges of 92 pictures and 1 in 2,000 of
those kept at all."""
_CLIPPED: Final = 0.02
"""Share of clipped pixels beside an edge up to which it is used."""
_MOSTLY_CLIPPED: Final = 0.05
"""The same beside its rough line, beyond which 2 in 22,600 came out below that."""
_MODEL_ERROR: Final = 0.006
"""Error of a profile as a share of its step, however well it is measured: bends, sub-pixel phase. With half of it a
drawn step without noise passes for none; with 0.01 fewer zones behind known optics lie within their errors."""
_CORE_PX: Final = 7.0
"""Half length along the edge that is always used, and half width across it before its blur is known. With a half length
of 4, corners of leaves and windows pass for blur less (0.4% of MTF50 in rendered scenes), but more of what texture
holds passes for sharp edges: of 31 photographs seen blurred two more are missed."""
_END_SQUARES: Final = 1.5
"""Mean squared residual at an edge's end, over that in its middle, up to which the end counts."""
_QUIETEST: Final = 0.1
"""Variance on either side at least, over the mean of both: painted sides have none."""
_DAMPING: Final = 1e-3
"""Share of the offset's own term that is added to the diagonal of a Gauss-Newton step."""
_MOST_TURN: Final = 0.2
"""Change of angle (radians) in one such step at most."""
_MOST_BEND: Final = 0.02
"""Bend (1 / px) of a line at most: a radius of 25 px."""
_FITTED: Final = 0.7
"""Share of the window of a profile's blur to which the line is laid."""
_FILLED: Final = 0.3
"""Share of the bins about an edge that hold pixels at least."""


def _sides(values: Floats) -> tuple[Floats, Floats]:
    """Sums of values per bin (n, bins) over the dark plateau and over the light one."""
    return values[:, :_PLATEAU].sum(1), values[:, -_PLATEAU:].sum(1)


def _weights(
    mean: Floats, squares: Floats, count: Floats, half: Floats
) -> tuple[Floats, Floats, Floats]:
    """Inverse variance of each bin's mean (everywhere), rough step, noise per pixel (deviation)."""
    inside = np.abs(OFFSETS) <= half[:, None]
    used = count * inside
    scatter, free = _sides(squares * inside), _sides(np.maximum(used - 1, 0))
    dark, light = (s / np.maximum(n, 1) for s, n in zip(scatter, free, strict=True))
    floor = np.maximum(0.5 * (dark + light), 1e-9)
    dark, light = np.maximum(dark, _QUIETEST * floor), np.maximum(light, _QUIETEST * floor)
    variance = dark[:, None] * (1 - _BLEND) + light[:, None] * _BLEND
    level = zip(_sides(mean * used), _sides(used), strict=True)
    low, high = (s / np.maximum(n, 1e-9) for s, n in level)
    scale = np.maximum(np.abs(high - low), 1e-6)
    weight = count / (variance + count * (_MODEL_ERROR * scale[:, None]) ** 2)
    return weight, scale, np.sqrt(floor)


def _profiles(
    patch: Singles, u: Singles, keep: NDArray[np.bool_], half: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Edge profiles within `half` px of the lines: mean, pixels and inverse variance of each bin (0 outside: what goes on
    beyond the blur's own window may be another object), rough step, noise per pixel (deviation)."""
    mean, squares, count = binned(patch, u, keep & near_line(u, half + BIN_PX / 2))
    weight, scale, noise = _weights(mean, squares, count, half)
    inside = np.abs(OFFSETS) <= half[:, None]
    return mean, count * inside, weight * inside, scale, noise


@cache
def _family() -> tuple[Singles, Singles]:
    """Profiles and line spreads of all members, flattened; single precision, as pixels are."""
    family = edge_family()
    return family.edge.ravel().astype(np.float32), family.line.ravel().astype(np.float32)


@dataclass(frozen=True)
class _Residuals:
    """Pixels beside the lines of a batch, and their residuals from the profiles fitted.

    Attributes
    ----------
    pixels : Pixels
        Which pixels they are, k of them.
    residual : (k,) ndarray of float32
        Light less the fitted profile.
    member_bin : (k,) ndarray of intp
        Place of each in the flattened tables of its edge's member.
    """

    pixels: Pixels
    residual: Singles
    member_bin: NDArray[np.intp]

    @classmethod
    def of(cls, patch: Singles, u: Singles, use: NDArray[np.bool_], fit: RoughFit) -> _Residuals:
        """Those of a mask within `HALF_PX` of the lines."""
        pixels = Pixels.of(use)
        place = bins_of(u.take(pixels.at)) + pixels.per_pixel(fit.member * BINS)
        model = _family()[0].take(place)
        model *= pixels.per_pixel(fit.step.astype(np.float32))
        model += pixels.per_pixel(fit.base.astype(np.float32))
        return cls(pixels, patch.take(pixels.at) - model, place)


def _extend(
    patch: Singles,
    u: Singles,
    t: Singles,
    valid: NDArray[np.bool_],
    fit: RoughFit,
    half: Floats,
) -> NDArray[np.bool_]:
    """Pixels to use: the middle of the edge, and its ends where they still follow the same step.

    Edges end, turn and meet others; an end counts when its squares per pixel are not much above the
    middle's.
    """
    residuals = _Residuals.of(patch, u, valid & near_line(u, half), fit)
    squares = residuals.residual * residuals.residual
    along = t.take(residuals.pixels.at)
    before, after = along < -_CORE_PX, along > _CORE_PX
    mean = []
    for part in (~(before | after), before, after):
        share = part.astype(np.float32)
        total, count = residuals.pixels.sums(squares * share), residuals.pixels.sums(share)
        mean.append(total / np.maximum(count, 1))
    limit = _END_SQUARES * mean[0]
    first, last = (
        np.where(value < limit, _HALF * 2, _CORE_PX).astype(np.float32)[:, None, None]
        for value in mean[1:]
    )
    return valid & (t >= -first) & (t <= last)


def _refine(
    patch: Singles,
    u: Singles,
    t: Singles,
    keep: NDArray[np.bool_],
    lines: Lines,
    fit: RoughFit,
    half: Floats,
    bend: bool,
) -> Lines:
    """One Gauss-Newton step of offset, angle and (if asked) bend against the fitted profile."""
    residuals = _Residuals.of(patch, u, keep & near_line(u, half), fit)
    pixels = residuals.pixels
    slope = _family()[1].take(residuals.member_bin)
    slope *= pixels.per_pixel(fit.step.astype(np.float32))
    # change of light when offset, angle, bend grow: -slope, +slope * t, -slope * t^2
    size = np.float32(_HALF)
    ts = t.take(pixels.at) / size
    terms = 3 if bend else 2
    jacobian = [slope, slope * ts]
    if bend:
        jacobian.append(jacobian[1] * ts)
    moments = [pixels.sums(jacobian[k // 2] * jacobian[k - k // 2]) for k in range(2 * terms - 1)]
    gradient = [pixels.sums(b * residuals.residual) for b in jacobian]
    a = np.stack(moments, axis=1)[:, np.add.outer(range(terms), range(terms))]
    a += np.eye(terms) * (_DAMPING * moments[0] + 1e-12)[:, None, None]
    solution = np.zeros((len(patch), 3))
    solution[:, :terms] = np.linalg.solve(a, np.stack(gradient, axis=1)[..., None])[..., 0]
    return Lines(
        lines.angle + np.clip(solution[:, 1] / size, -_MOST_TURN, _MOST_TURN),
        lines.offset - np.clip(solution[:, 0], -2, 2),
        np.clip(lines.bend - solution[:, 2] / size**2, -_MOST_BEND, _MOST_BEND),
        lines.monotonicity,
    )


def _left(mean: Floats, fit: RoughFit | ProfileFit) -> Floats:
    """What a fit leaves in each bin, light."""
    edge = edge_family().edge.reshape(-1, BINS)[fit.member]
    return mean - fit.base[:, None] - fit.step[:, None] * edge


def _misfit(mean: Floats, count: Floats, fit: RoughFit | ProfileFit) -> Floats:
    """Root mean square per pixel of what a fit leaves in `count` pixels per bin, share of the step."""
    residual = _left(mean, fit)
    rms = np.sqrt((residual * residual * count).sum(1) / np.maximum(count.sum(1), 1))
    return np.asarray(rms / np.maximum(fit.step, 1e-9))


def _steps(
    light: Light, y: NDArray[np.int_], x: NDArray[np.int_]
) -> tuple[NDArray[np.int_], Lines]:
    """Which of some places are such that light steps up across a line, and these lines."""
    h, w = light.shape
    rim, first = _HALF + _MOST_MOVE_PX, _FIRST_PX // 2
    inside = (y >= rim) & (x >= rim) & (y < h - rim) & (x < w - rim)
    place = np.flatnonzero(inside)
    patch, valid = light.linear_patches(y[place] - first, x[place] - first, _FIRST_PX)
    lines = first_lines(fill_green(patch, valid))
    step = lines.monotonicity > _MIN_MONOTONICITY
    return place[step], lines.take(step)


def measure_edges(light: Light, y: NDArray[np.int_], x: NDArray[np.int_]) -> Edges:
    """Measure the edge at each place; those that are none are left out.

    A line is laid along the edge by Gauss-Newton steps, pixels are binned by their distance from it into
    an oversampled edge-spread function (ISO 12233, slanted edge), and the family of plausible systems is
    fitted to that (`fit_profiles`). Values and errors come with `pooled_edges`, when all edges of the frame
    are known. Many places at once are quicker: a call costs as much as some twenty places.

    Parameters
    ----------
    light : Light
        The frame.
    y, x : (n,) ndarray of int
        Places in full-size pixels.

    Returns
    -------
    Edges
        `place` is the index into `y`; `log_mtf50` and `stderr` are NaN.
    """
    place, lines = _steps(light, y, x)
    if len(place) == 0:
        return no_edges()
    # The place was found on a reduced picture: move the patch onto the edge.
    down, along = (
        np.clip(np.round(lines.offset * f(lines.angle)), -_MOST_MOVE_PX, _MOST_MOVE_PX).astype(int)
        for f in (np.sin, np.cos)
    )
    y, x = y[place] + down, x[place] + along
    patch, clipped, valid = light.patches(y - _HALF, x - _HALF, PATCH_PX)
    lines = lines.shifted(down, along)
    valid = np.ones(patch.shape, bool) if valid is None else valid
    half = np.full(len(y), _CORE_PX)
    u, t = lines.distances()
    keep = valid & (np.abs(t) <= _CORE_PX)
    for last in (False, True):
        mean, count, weight, scale, noise = _profiles(patch, u, keep, half)
        rough = rough_fit(mean, weight, scale)
        if not last:
            candidate = (_misfit(mean, count, rough) < _MAX_ROUGH_MISFIT) & (rough.step > noise)
            candidate &= _share_clipped(clipped, u, half) < _MOSTLY_CLIPPED
            if not candidate.any():
                return no_edges()
            y, x, place = y[candidate], x[candidate], place[candidate]
            patch, u, t = patch[candidate], u[candidate], t[candidate]
            clipped, valid, keep = clipped[candidate], valid[candidate], keep[candidate]
            lines, rough = lines.take(candidate), rough.take(candidate)
        half = half_width(rough.log_mtf50)
        lines = _refine(patch, u, t, keep, lines, rough, np.maximum(half * _FITTED, 3.0), last)
        u, t = lines.distances()
        if not last:
            keep = _extend(patch, u, t, valid, rough, half)
    mean, count, weight, scale, noise = _profiles(patch, u, keep, half)
    core = np.abs(OFFSETS) <= 2.0
    # What can't be kept is not fitted: that is a quarter of all, and the family the dearest part.
    fittable = (
        (_share_clipped(clipped, u, half) < _CLIPPED)
        & ((count[:, core] > 0).mean(1) > _FILLED)
        & (_misfit(mean, count, rough) < _MAX_ROUGH_MISFIT)
    )
    if not fittable.any():
        return no_edges()
    mean, count, weight, scale = (a[fittable] for a in (mean, count, weight, scale))
    fit = fit_profiles(mean, weight, scale, rough.log_mtf50[fittable])
    at = np.stack([place, y, x])[:, fittable]
    return _judge(at, lines.take(fittable), fit, noise[fittable], mean, count)


def _share_clipped(clipped: NDArray[np.bool_], u: Singles, half: Floats) -> Floats:
    """Share of clipped pixels within `half` px of each line."""
    out = np.zeros(len(u))
    some = np.flatnonzero(clipped.any((1, 2)))  # most have none
    if len(some):
        inside = near_line(u[some], half[some])
        out[some] = (clipped[some] & inside).sum((1, 2)) / np.maximum(inside.sum((1, 2)), 1)
    return out


def _judge(
    at: NDArray[np.int_],
    lines: Lines,
    fit: ProfileFit,
    noise: Floats,
    mean: Floats,
    count: Floats,
) -> Edges:
    """Keep what is a clear step; mark as clean what is a single one and nothing else.

    `at` (3, n): the places' numbers, and the middles of their patches.
    """
    place, y, x = at
    misfit = _misfit(mean, count, fit)
    accepted = (
        (fit.step > _MIN_STEP)
        & (np.abs(fit.shift) < 0.5)
        & (misfit < _MAX_MISFIT)
        & (fit.chi2 < _MAX_CHI2)
    )
    unknown = np.full(len(y), np.nan)
    edges = Edges(
        y + lines.offset * np.sin(lines.angle),
        x + lines.offset * np.cos(lines.angle),
        lines.angle,
        unknown,
        unknown,
        fit.step,
        fit.base,
        noise,
        fit.chi2,
        misfit < CLEAN_MISFIT,
        fit.by_share,
        misfit,
        place,
        np.zeros(len(y)),
    )
    return edges.take(accepted)
