"""What goes wrong over years and in the field, with known truth: focus beside the subject and depth, wear, dust.

Depth and errors of focus are blur discs by geometric optics, added to what a simulated table holds: their variance
(a sixteenth of the diameter squared along any direction) joins that of the lens, and the closed-form MTF50 says what
it costs. Wear is multiplied into the measured figures, so that nothing of how changes are looked for goes into it;
habits may drift as well, for a lens without a fault that is used otherwise must not be said to have changed.

A round grain of dust lies on the sensor's cover, a gap above the pixels. Every point of it is seen from the
exit pupil as a disc of gap / f-number, so its shadow is the grain's disc smeared over that disc: flat
within, with a rim as wide as the grain, and as deep as the share of the disc that the grain covers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from simulated_frames import LensSpec

from auditor.optics import mtf50

__all__ = ["FocusHabit", "Grain", "Wear", "cloudy_frame", "over_years", "with_depth", "with_dust"]


@dataclass(frozen=True, slots=True)
class FocusHabit:
    """How a lens was focused.

    Attributes
    ----------
    bias : float
        How far the plane of focus lies in front of the middle (behind, where negative), in depths of
        field at the widest aperture used (from end to end, for a blur circle of `coc_px`).
    spread : float
        Standard deviation of the errors around it, in the same unit.
    upright : float
        Share of frames held upright.
    """

    bias: float = 0.0
    spread: float = 0.25
    coc_px: float = 2.0
    upright: float = 0.25


def with_depth(frames: pd.DataFrame, lens: LensSpec, habit: FocusHabit, seed: int) -> pd.DataFrame:
    """The table with scenes that recede from the bottom of the frame to its top, focused in this way.

    Parameters
    ----------
    frames : DataFrame
        From `simulate_frames`.
    lens : LensSpec
        The lens behind it.
    habit : FocusHabit
        How it was focused.
    seed : int
        Decides distances and errors of focus.

    Returns
    -------
    DataFrame
        A copy with MTF50 of zones and sides lowered by the blur discs, and `orientation`.
    """
    rng = np.random.default_rng(seed)
    out = frames.copy()
    n = len(out)
    f_number = out["f_number"].to_numpy(float)
    focal_m = out["focal_length_mm"].to_numpy(float) / 1000
    widest = f_number.min()
    # Depth of field from end to end, in dioptres: discs of coc on either side of the plane of focus.
    depth = 2 * habit.coc_px * lens.pitch_um * 1e-6 * widest / focal_m**2
    middle = 1 / np.exp(rng.normal(np.log(30), 0.8, n))
    near = middle * rng.uniform(1.1, 2.5, n)
    far = middle * rng.uniform(0.1, 0.9, n)
    focus = middle + depth * (habit.bias + habit.spread * rng.normal(size=n))
    upright = rng.random(n) < habit.upright
    out["orientation"] = np.where(upright, rng.choice([6, 8], n), 1)
    # The sensor's side that is below (Exif: 6 its right, 8 its left), and the one above.
    held = out["orientation"]
    below = held.map({6: "right", 8: "left", 1: "bottom"}).to_numpy()
    above = held.map({6: "left", 8: "right", 1: "top"}).to_numpy()
    places = {"centre": middle, "middle": middle * rng.uniform(0.9, 1.1, n)}
    for side in ("left", "right", "top", "bottom"):
        beside = middle * rng.uniform(0.85, 1.15, n)
        places[side] = np.where(below == side, near, np.where(above == side, far, beside))
    places["corner"] = (near + far) / 2
    for place, distance in places.items():
        zone = place if place in ("centre", "middle") else "corner"
        disc = np.abs(distance - focus) * focal_m**2 / f_number / (lens.pitch_um * 1e-6)
        cost = _cost(lens, zone, f_number, disc)
        stem = f"{place}_mtf50_cpp"
        out[stem] = pd.to_numeric(out[stem], errors="coerce") * cost
    return out


def _cost(
    lens: LensSpec, zone: str, f_number: NDArray[np.float64], disc_px: NDArray[np.float64]
) -> NDArray[np.float64]:
    """MTF50 with a blur disc over that without."""
    blur = getattr(lens, zone).at(f_number, min(lens.apertures))
    spread = np.sqrt(blur**2 + disc_px**2 / 16)
    return np.asarray(mtf50(f_number, lens.pitch_um, spread) / mtf50(f_number, lens.pitch_um, blur))


@dataclass(frozen=True, slots=True)
class Wear:
    """What happened to a lens or body, and when.

    Attributes
    ----------
    at : float
        Share of the frames taken before.
    factor : float
        On the figures of `places` from then on.
    places : sequence of str
        Zones, sides, or whole columns.
    """

    at: float = 0.5
    factor: float = 0.9
    places: Sequence[str] = ("centre", "middle", "corner", "left", "right", "top", "bottom")


def over_years(
    frames: pd.DataFrame, years: float, seed: int, wear: Wear | None = None, drift: float = 0.0
) -> tuple[pd.DataFrame, np.datetime64 | None]:
    """Frames dated over some years in their outings' order, and the day of a change.

    Parameters
    ----------
    frames : DataFrame
        From `simulate_frames`.
    years : float
        Span of the dates.
    seed : int
        Decides dates and the order of outings.
    wear : Wear, optional
        The change; None for none.
    drift : float
        Lets the photographer use ever smaller apertures: with 1, the first frames tend to be wide open and
        the last stopped down.

    Returns
    -------
    frames : DataFrame
        A copy.
    since : numpy.datetime64 or None
        Day of the change.
    """
    rng = np.random.default_rng(seed)
    frames = frames.copy()
    outing = frames["outing"].to_numpy(int)
    count = outing.max() + 1
    order = rng.permutation(count).astype(float)
    if drift:
        stops = np.log2(frames["f_number"].to_numpy(float))
        mean = np.bincount(outing, stops, count) / np.maximum(
            np.bincount(outing, minlength=count), 1
        )
        order = np.argsort(np.argsort(drift * mean + (1 - drift) * rng.random(count))).astype(float)
    # Outings come at random; their days are sorted so that `order` says which is which.
    day = np.sort(rng.uniform(0, 365.25 * years, count))
    place = np.argsort(np.argsort(order))
    minutes = day[place][outing] * 1440 + rng.integers(0, 240, len(frames))
    taken = np.datetime64("2019-01-01T06:00") + minutes.astype("timedelta64[m]")
    frames["taken"] = np.datetime_as_string(taken, unit="s")
    if wear is None:
        return frames, None
    sizes = np.bincount(outing, minlength=count)[np.argsort(place)]
    first = int(np.searchsorted(np.cumsum(sizes), wear.at * len(frames))) + 1
    since = np.datetime64("2019-01-01") + np.timedelta64(
        int((day[first - 1] + day[min(first, count - 1)]) / 2), "D"
    )
    after = place[outing] >= first
    for name in wear.places:
        for stem in (f"{name}_mtf50_cpp", name):
            if stem in frames and frames[stem].notna().any():
                value = pd.to_numeric(frames[stem], errors="coerce")
                frames[stem] = value.where(~after, value * wear.factor)
    return frames, since


@dataclass(frozen=True, slots=True)
class Grain:
    """A grain at a place of the frame (shares of width and height).

    `depth` is that of its shadow at f/16; `gap_um` the distance of the cover from the pixels.
    """

    x: float
    y: float
    depth: float = 0.01
    gap_um: float = 1500.0


def with_dust(
    linear: NDArray[np.floating], grains: Sequence[Grain], f_number: float, pitch_um: float
) -> NDArray[np.float32]:
    """Shadows of grains on the sensor's cover.

    Parameters
    ----------
    linear : ndarray of float, shape (h, w[, 3])
        Linear light.
    grains : sequence of Grain
        What lies on the cover.
    f_number : float
        Aperture.
    pitch_um : float
        Pixel pitch in micrometres.

    Returns
    -------
    ndarray of float32
        A copy of the same shape.
    """
    out = np.array(linear, np.float32)
    height, width = out.shape[:2]
    for grain in grains:
        disc = grain.gap_um / f_number / pitch_um
        # The grain covers the share `depth` of the disc at f/16; its own width follows.
        grain_px = grain.gap_um / 16 / pitch_um * np.sqrt(grain.depth)
        depth = min((grain_px / disc) ** 2, 1.0)
        half_px = int(disc / 2 + grain_px + 2)
        cx, cy = grain.x * width, grain.y * height
        x0, x1 = max(int(cx) - half_px, 0), min(int(cx) + half_px + 1, width)
        y0, y1 = max(int(cy) - half_px, 0), min(int(cy) + half_px + 1, height)
        yy, xx = np.mgrid[y0:y1, x0:x1] + 0.5
        radius = np.hypot(xx - cx, yy - cy)
        cover = np.clip((disc / 2 + grain_px / 2 - radius) / max(grain_px, 1.0), 0, 1)
        shade = (1 - depth * cover).astype(np.float32)
        out[y0:y1, x0:x1] *= shade if out.ndim == 2 else shade[..., None]
    return out


def cloudy_frame(height: int, width: int, seed: int, contrast: float = 0.1) -> NDArray[np.float32]:
    """A grey frame of sky over rough ground, the horizon anywhere in the lower half.

    Clouds are soft: their amplitude falls with the square of frequency, so that little of them remains at the
    size of a shadow. Broken clouds (amplitude f ** -4/3) hide shadows of a percent.

    Parameters
    ----------
    height, width : int
        Size in px.
    seed : int
        Decides clouds, ground and horizon.
    contrast : float
        Standard deviation of the clouds over the sky's light.

    Returns
    -------
    ndarray of float32, shape (height, width)
        Linear light.
    """
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
    radius = np.maximum(np.hypot(fy, fx), 1 / max(height, width))
    shape = (height, width // 2 + 1)
    phase = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    clouds, ground = (
        np.fft.irfft2(phase * radius**-power, s=(height, width)) for power in (2.0, 1.0)
    )
    clouds, ground = clouds / clouds.std(), np.roll(ground / ground.std(), height // 2, 0)
    ramp = np.linspace(0.25, 0.5, height)[:, None]
    sky = ramp * (1 + contrast * clouds)
    horizon = (
        rng.uniform(0.5, 0.75) * height
        + 0.06 * height * np.cumsum(rng.normal(size=width)) / width**0.5
    )
    below = np.arange(height)[:, None] > horizon[None, :]
    return np.where(below, 0.12 * np.exp(0.4 * ground), np.clip(sky, 0.02, 0.9)).astype(np.float32)
