"""Lateral colour and coloured seams, from the edges that sharpness was measured on.

Each edge's profile is taken in red, green and blue along the same line. The area between two
profiles that run from 0 to 1 is the displacement of one against the other; unlike a comparison of
shapes it survives the coarser sampling of colour in JPEG files (4:2:0), which blurs but does not
move. Displacements along the edges' normals are resolved into one along the radius; terms after
ISO 19084 (chromatic displacement), positive away from the centre.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from auditor.measure.picture import SPARSE, Picture
from auditor.measure.sharpness import Edges, sharpness_and_edges
from auditor.measure.sharpness.edge_detection import radius_of, zone_of
from auditor.measure.sharpness.lines import polynomials
from auditor.record import ZONES, Fringing, Sharpness
from auditor.robust import MAD_TO_SD, huber_weight

__all__ = ["measure_fringing", "measure_optics"]

Floats = NDArray[np.float64]

_ALONG_PX: Final = 9.0
"""Half length in pixels of an edge."""
_REACH_PX: Final = 7.0
"""Pixels to either side of an edge that its profiles hold."""
_HALF: Final = int(np.hypot(_ALONG_PX, _REACH_PX))
"""Pixels that are cut out to every side of an edge's middle."""
_PLATEAU_PX: Final = 4.5
"""Pixels beside an edge from which on a profile is at its dark or light plateau."""
_BIN_PX: Final = 0.5
"""Width in pixels of a profile's bins: a mosaic has few red and blue sites to fill them."""
_PROFILE: Final = np.arange(-_REACH_PX + _BIN_PX / 2, _REACH_PX, _BIN_PX)
"""Middles of the bins, in pixels from the edge."""
_GREY: Final = 0.01
"""Difference of a grey picture's colours, white = 1, that coding in luma and chroma leaves: of 50 photographs in
colour the greyest has ten times as much somewhere."""
_MIN_EDGES: Final = 6
"""Edges from which on a figure is given."""
_LEAST_STEP: Final = 0.03
"""Least step in light, 1 = white, of an edge that is looked at."""
_COLOURED: Final = 0.3
"""Natural logarithm of the ratio of a colour's step to green's, 1 for the frame's ordinary edge, at which an edge
counts half."""
_RESIDUAL: Final = 0.03
"""Root mean square, as a share of the step, of what a displacement leaves, at which an edge counts half."""
_HIGH_CONTRAST: Final = 0.25
"""Step in code values, white = 1, from which on an edge may show a seam."""
_NEUTRAL: Final = 0.35
"""How far from 1 the ratio of its colours' steps may lie."""
_ROUNDS: Final = 6
"""Rounds of reweighting in a robust fit (common practice, no source)."""
_USED: Final = 0.05
"""Weight from which an edge counts as used; 1 is a neutral, noiseless edge across the radius."""
_SEAM: Final = 0.1
"""A seam reaches as far as one colour departs from green by this share of the step."""


def measure_optics(
    picture: Picture, limit_cpp: float | None = None
) -> tuple[Sharpness, Fringing | None]:
    """Sharpness and fringing of a frame from one search for edges.

    Parameters
    ----------
    picture : Picture
        Code values or a mosaic.
    limit_cpp : float or None
        MTF50 (c/px) of a perfect lens at the frame's settings, as in `measure_sharpness`.

    Returns
    -------
    sharpness : Sharpness
        See `measure_sharpness`.
    fringing : Fringing or None
        See `measure_fringing`; None without edges.
    """
    sharpness, edges = sharpness_and_edges(picture, limit_cpp)
    return sharpness, None if edges is None else measure_fringing(picture, edges)


def measure_fringing(picture: Picture, edges: Edges) -> Fringing | None:
    """Lateral displacement of red and blue, and width of coloured seams.

    The area between two edge-spread functions scaled to run from 0 to 1 is their displacement along the edge's
    normal; a robust regression through the origin resolves displacements into one along the radius.

    Parameters
    ----------
    picture : Picture
        Code values in three channels, or a mosaic.
    edges : Edges
        As the sharpness measurement found them; only clean ones are used.

    Returns
    -------
    Fringing or None
        `lateral_*_px` is the displacement in pixels at the half-diagonal after a fit proportional to the
        distance from the centre (a difference in magnification); `corner_*` is the corner's own mean
        displacement. None for a monochrome picture, also where a file keeps its grey as three colours.

    References
    ----------
    Terms after ISO 19084 (chromatic displacement).
    """
    if picture.monochrome or _is_grey(picture):
        return None
    edges = edges.take(edges.clean & (edges.step > _LEAST_STEP))
    if len(edges) < _MIN_EDGES:
        return Fringing(None, None, None)
    profiles, steps = _channel_profiles(picture, edges)
    green, others = profiles[:, 1:2], profiles[:, (0, 2)]
    radius = radius_of(edges.y, edges.x, picture.shape)
    radial_cosine = _radial_share(edges, picture.shape)
    valid = np.asarray(np.isfinite(profiles).all((1, 2)))
    ratio = _balance(steps, valid)
    difference = np.nan_to_num(green - others)
    shift = difference.sum(2) * _BIN_PX
    # What a displacement does not explain (colour that changes beside the edge) counts against.
    line = np.gradient(np.nan_to_num(green), _BIN_PX, axis=2)
    residual_rms = np.sqrt(((difference - shift[:, :, None] * line) ** 2).mean(2))
    # Colour sampled coarsely widens an edge that changes colour; neutral edges tell more.
    coloured = np.log(np.abs(ratio) + 1e-9) / _COLOURED
    reliability = 1 / (1 + coloured**2) / (1 + (residual_rms / _RESIDUAL) ** 2)
    # Of an edge without a profile, as beside the frame's border, the ratio may be no number.
    weight = np.where(valid[:, None], radial_cosine[:, None] ** 2 * reliability, 0)
    in_corner = zone_of(radius) == ZONES.index("corner")
    (red, blue), corner = (
        [_slope(shift[:, i], along, np.where(of, weight[:, i], 0)) for i in range(2)]
        for along, of in ((radius * radial_cosine, True), (radial_cosine, in_corner))
    )
    clean = valid & (np.abs(steps[:, 1]) > _HIGH_CONTRAST)
    neutral = clean & (np.abs(_balance(steps, clean) - 1) < _NEUTRAL).all(1)
    seam = _seam_width(np.abs(difference[neutral]).max(1))
    return Fringing(red, blue, seam, *corner)


def _is_grey(picture: Picture) -> bool:
    """Whether all colours of a picture are alike: black and white, by the camera or later."""
    if picture.code is None:
        return False
    blue, green, red = (picture.code[::SPARSE, ::SPARSE, i] for i in range(3))
    # Plane by plane: numpy takes twenty times as long over an axis of three.
    most = np.maximum(np.maximum(blue, green), red)
    least = np.minimum(np.minimum(blue, green), red)
    return bool((most - least).max() <= _GREY * picture.peak)


def _radial_share(edges: Edges, shape: tuple[int, int]) -> Floats:
    """Cosine between each edge's normal (dark to light) and the direction away from the centre."""
    h, w = shape
    bearing = np.arctan2(edges.y - (h - 1) / 2, edges.x - (w - 1) / 2)
    return np.asarray(np.cos(edges.angle - bearing))


def _channel_values(
    picture: Picture, y: NDArray[np.int_], x: NDArray[np.int_]
) -> tuple[NDArray[Any], NDArray[np.bool_] | None, float]:
    """Pixels (3, n, side, side) about some places in R, G, B order, for a mosaic the measured sites, and white."""
    side = 2 * _HALF + 1
    if picture.code is not None:
        windows = sliding_window_view(picture.code, (side, side), axis=(0, 1))[y - _HALF, x - _HALF]
        return np.ascontiguousarray(windows[:, 2::-1].swapaxes(0, 1)), None, picture.peak
    mosaic = picture.mosaic
    assert mosaic is not None
    raw = sliding_window_view(mosaic.raw, (side, side))[y - _HALF, x - _HALF].astype(np.float32)
    rows = (y[:, None] - _HALF + np.arange(side)) % 2
    columns = (x[:, None] - _HALF + np.arange(side)) % 2
    at = (rows[:, :, None], columns[:, None, :])
    black = mosaic.black.astype(np.float32)[at]
    light = (raw - black) / (np.float32(mosaic.white) - black)
    colours = mosaic.colours[at]
    return (
        np.broadcast_to(light, (3, *light.shape)),
        np.stack([colours == c for c in range(3)]),
        1.0,
    )


def _channel_profiles(picture: Picture, edges: Edges) -> tuple[Floats, Floats]:
    """Profiles (n, 3, bins) scaled to run from 0 to 1, and their steps (n, 3), R, G, B.

    Code values, not light: coarse colour sampling conserves areas in code values.
    """
    h, w = picture.shape
    y = np.clip(np.round(edges.y).astype(int), _HALF, h - 1 - _HALF)
    x = np.clip(np.round(edges.x).astype(int), _HALF, w - 1 - _HALF)
    values, valid, white = _channel_values(picture, y, x)
    c, s, down, along = np.cos(edges.angle), np.sin(edges.angle), edges.y - y, edges.x - x
    bins, n, side = len(_PROFILE), len(y), values.shape[-1]
    u = polynomials(side, [_REACH_PX - along * c - down * s, c, s])
    t = polynomials(side, [along * s - down * c, -s, c])
    inside = (np.abs(t) <= _ALONG_PX) & (u >= 0) & (u < 2 * _REACH_PX)
    means = np.empty((n, 3, bins))
    for channel in range(3):
        if channel == 0 or valid is not None:  # a picture has all channels at the same places
            at = np.flatnonzero(inside if valid is None else inside & valid[channel])
            index = (u.take(at) * np.float32(1 / _BIN_PX)).astype(int) + at // side**2 * bins
            count = np.bincount(index, minlength=n * bins)
        total = np.bincount(index, weights=values[channel].take(at), minlength=n * bins)
        with np.errstate(invalid="ignore", divide="ignore"):
            means[:, channel] = _bridged((total / (white * count)).reshape(n, bins))
    low = np.nanmean(means[:, :, -_PLATEAU_PX > _PROFILE], axis=2)
    high = np.nanmean(means[:, :, _PLATEAU_PX < _PROFILE], axis=2)
    steps = high - low
    # A colour without a step has no profile.
    scaled = (means - low[:, :, None]) / np.where(steps == 0, np.nan, steps)[:, :, None]
    return scaled, steps


def _bridged(profile: Floats) -> Floats:
    """Empty bins between two filled ones take their mean (a mosaic has few red and blue sites)."""
    filled = profile.copy()
    middle = (profile[:, :-2] + profile[:, 2:]) / 2
    filled[:, 1:-1] = np.where(np.isnan(profile[:, 1:-1]), middle, profile[:, 1:-1])
    return filled


def _balance(steps: Floats, valid: NDArray[np.bool_]) -> Floats:
    """Ratios (n, 2) of red's and blue's steps to green's, 1 for the frame's ordinary edge whatever its white
    balance."""
    green = steps[:, 1:2]
    ratio = steps[:, (0, 2)] / np.where(green == 0, 1, green)
    usual = np.median(ratio[valid], axis=0) if valid.any() else np.ones(2)
    return np.asarray(ratio / np.where(usual > 0, usual, 1))


def _slope(shift: Floats, along: Floats, weight: Floats) -> float | None:
    """Robust slope through the origin of `shift` over `along` (iteratively reweighted, Huber)."""
    used = np.flatnonzero(weight > _USED)
    if len(used) < _MIN_EDGES:
        return None
    middle = len(used) // 2
    shift = np.where(weight > 0, np.nan_to_num(shift), 0)
    w = weight.copy()
    slope = 0.0
    for _ in range(_ROUNDS):
        slope = float((w * shift * along).sum() / max((w * along**2).sum(), 1e-12))
        residual = np.abs(shift - slope * along)
        scale = MAD_TO_SD * float(np.partition(residual[used], middle)[middle])
        w = weight * huber_weight(residual, max(scale, 1e-6))
    return slope


def _seam_width(difference: Floats) -> float | None:
    """Median width (px) of the coloured seam at nearly neutral edges of high contrast, from the difference
    (n, bins) of the colour that departs most from green."""
    if len(difference) < _MIN_EDGES:
        return None
    smooth = (difference[:, :-1] + difference[:, 1:]) / 2
    return float(np.median((smooth > _SEAM).sum(1))) * _BIN_PX
