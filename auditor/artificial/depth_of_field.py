"""Depth and focus errors in a simulated frame table, by geometric optics.

Blur discs are added to what the table holds: their variance (a sixteenth of the diameter squared along
any direction) joins that of the lens, and the closed-form MTF50 says what it costs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.artificial.measurements import LensSpec
from auditor.optics import mtf50

__all__ = ["FocusHabit", "with_depth"]


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
    # The sensor's side that is below (Exif: 6 its right, 8 its left).
    below = np.where(
        out["orientation"] == 6, "right", np.where(out["orientation"] == 8, "left", "bottom")
    )
    opposite = {"right": "left", "left": "right", "bottom": "top"}
    above = np.array([opposite[b] for b in below])
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
