"""Years of use: a simulated frame table spread over outings, with something that changed.

The change is multiplied into the measured figures, so that nothing of how changes are looked for
goes into it. Habits may drift as well: a lens without a fault that is used otherwise must not be said to have changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = ["Wear", "over_years"]


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
