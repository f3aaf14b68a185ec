"""Bands of scene brightness, and the signals that the archive's scenes in each band really hold.

Edges in EV100 follow the usual exposure tables (common practice, no source): full sun 15, overcast
12, open shade and woodland 8 to 11, dusk and rooms 4 to 8, night below.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.bodies.observe import KINDS
from auditor.infer.enough import FEW
from auditor.infer.frame_values import group_numbers, histograms, scene_ev100, signal_quantile
from auditor.record.values import flags, words

__all__ = [
    "BANDS",
    "BAND_KEYS",
    "Band",
    "Scenes",
    "band_named",
    "band_numbers",
    "bands_of",
    "scenes_by_band",
]

Floats = NDArray[np.float64]

_QUARTILES: Final = (0.25, 0.5, 0.75)
"""Quantiles of a frame's signal by which its band's scenes are described."""


@dataclass(frozen=True, slots=True)
class Band:
    """Scenes from `low` up to, not including, `high` EV100."""

    key: str
    name: str
    low: float
    high: float

    @property
    def ev100(self) -> list[float]:
        """Both edges, EV100."""
        return [self.low, self.high]


BANDS: Final = (
    Band("night", "night", -10.0, 4.0),
    Band("dusk", "dusk and rooms", 4.0, 8.0),
    Band("shade", "shade and woodland", 8.0, 11.0),
    Band("overcast", "overcast", 11.0, 13.0),
    Band("sun", "bright sun", 13.0, 22.0),
)
"""Darkest first. The outer edges are wide enough for any picture of an earthly scene."""
BAND_KEYS: Final = (*(band.key for band in BANDS), "")
"""Key of each band, by `band_numbers`; empty for none."""


@dataclass(frozen=True, slots=True)
class Scenes:
    """Signals of a typical frame of one band.

    Attributes
    ----------
    shares : ndarray of float64, shape (bins,)
        Share of pixels per bin of `record.SIGNAL_BIN_EDGES`, mean over frames; sums to 1.
    quartiles : tuple of float
        Signals (linear, 1 = white) below which a quarter, half and three quarters of the pixels lie.
    """

    shares: Floats
    quartiles: tuple[float, float, float]


def bands_of(ev100: Floats) -> NDArray[np.str_]:
    """Key of the band that holds each brightness; empty beyond every edge or where it is NaN."""
    return np.array(BAND_KEYS)[band_numbers(ev100)]


def band_numbers(ev100: Floats) -> NDArray[np.int64]:
    """Band of scene brightness by number.

    Parameters
    ----------
    ev100 : ndarray of float64, shape (n,)
        Scene brightness.

    Returns
    -------
    ndarray of int64, shape (n,)
        Index into `BANDS`; `len(BANDS)` beyond every edge or where it is NaN.
    """
    number = np.searchsorted([band.low for band in BANDS], ev100, "right") - 1
    inside = (ev100 >= BANDS[0].low) & (ev100 < BANDS[-1].high)
    return np.where(inside, number, len(BANDS))


def band_named(text: str) -> Band:
    """The band whose key or name a user wrote; case and surrounding blanks do not matter.

    Raises ValueError, naming the bands there are.
    """
    wanted = text.strip().lower()
    for band in BANDS:
        if wanted in (band.key, band.name):
            return band
    known = ", ".join(b.key for b in BANDS)
    raise ValueError(f"no brightness band is called '{text}'; there are {known}")


def _quartiles(shares: Floats) -> tuple[float, float, float]:
    a, b, c = (float(2 ** signal_quantile(shares[None], q)[0]) for q in _QUARTILES)
    return a, b, c


def scenes_by_band(frames: pd.DataFrame) -> dict[str, dict[str, Scenes]]:
    """Typical frame of each band of scene brightness, by kind of file; a scene is the same for every body.

    Parameters
    ----------
    frames : DataFrame
        Frame table; columns `status`, `source`, `ev100`, `SHARE_COLUMNS` and, where known, `best`, `flash`
        and `burst`.

    Returns
    -------
    dict of dict of Scenes
        Kind of file -> band key -> mean histogram. Bands without any frame are left out; frames of one
        burst count once; a kind with fewer than `FEW` frames in a band has there the mean of all
        kinds.
    """
    if not len(frames):
        return {}
    ev = scene_ev100(frames)
    usable = flags(frames, "best", True) & (words(frames, "status") == "measured")
    usable &= frames["source"].isin(KINDS).to_numpy() & ~np.isnan(ev)
    rows = np.flatnonzero(usable)
    shares = histograms(frames, rows)
    known = ~np.isnan(shares).any(axis=1)
    rows, shares = rows[known], shares[known]
    burst = pd.Series(group_numbers(frames, "burst")[rows])
    weight = 1 / burst.groupby(burst).transform("size").to_numpy()
    kind = words(frames, "source")[rows]
    by_place = pd.DataFrame(shares * weight[:, None]).groupby([band_numbers(ev[rows]), kind])
    sums, counts = by_place.sum(), by_place.size()
    out: dict[str, dict[str, Scenes]] = {kind: {} for kind in KINDS}
    for number in sums.index.unique(0).drop(len(BANDS), errors="ignore"):
        of_all = sums.loc[number]
        for name in KINDS:
            # Too few of one kind are described by the frames of every kind.
            own = counts.get((number, name), 0) >= FEW
            mean = (of_all.loc[name] if own else of_all.sum()).to_numpy(float)
            mean = mean / max(mean.sum(), 1e-12)
            out[name][BANDS[number].key] = Scenes(mean, _quartiles(mean))
    return out
