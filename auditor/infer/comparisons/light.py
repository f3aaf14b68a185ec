"""Light that an accessory takes, and corners that it darkens, from exposures and pictures of pairs."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.colour import PairColour
from auditor.infer.comparisons.pairs import Pair
from auditor.infer.comparisons.verdict import entry, verdict
from auditor.infer.criteria import Criteria
from auditor.infer.frame_values import SHARE_COLUMNS, signal_quantile
from auditor.model import Finding
from auditor.record.values import numbers, words
from auditor.robust import robust_location

__all__ = ["Light", "light_entries"]

Floats = NDArray[np.float64]

_LIGHT_SD: Final = 0.03
"""Scatter in stops that even agreeing pairs have: cameras time and stop down to a thirtieth of a stop."""
_LOST_LEAST: Final = 0.1
"""Stops of light below which none counts as lost: a third of the step that a camera sets."""
_DARKER_LEAST: Final = 0.15
"""Stops by which corners are darker before anybody sees it (common practice, no source)."""
_CHANGING: Final = 0.5
"""A pair whose light differs by so many stops from the others' was taken in changing light."""


class Light:
    """Exposure and brightness of every frame, in stops."""

    def __init__(self, frames: pd.DataFrame) -> None:
        n, t, iso = (numbers(frames, k) for k in ("f_number", "exposure_time_s", "iso"))
        with np.errstate(invalid="ignore", divide="ignore"):
            self.exposure = np.log2(t * iso / 100 / n**2)
        self.exposure[~np.isfinite(self.exposure)] = np.nan
        self._shares = [numbers(frames, k).astype(np.float32) for k in SHARE_COLUMNS]
        self.raw = words(frames, "source") == "raw"

    def middle(self, row: int) -> float:
        """log2 of the median signal, from the stored histogram; NaN where there is none."""
        shares = np.array([[s[row] for s in self._shares]])
        return float(signal_quantile(shares, 0.5)[0]) if shares.sum() > 0 else float("nan")


def light_entries(
    pairs: list[Pair], colours: list[PairColour | None], light: Light, criteria: Criteria
) -> list[Finding]:
    """Light lost, from exposure and pictures; vignetting from the pictures."""
    values, by_picture = [], 0
    for pair, colour in zip(pairs, colours, strict=True):
        more = light.exposure[pair.labelled] - light.exposure[pair.bare]
        if colour is not None:
            seen = colour.light
            by_picture += bool(np.isfinite(more))
        else:
            seen = light.middle(pair.labelled) - light.middle(pair.bare)
        values.append(seen - more)
    out: list[Finding] = []
    stops = np.array(values)
    middle = robust_location(stops, _LIGHT_SD)
    if middle.count:
        low, high = middle.bounds(criteria.interval)
        odd = int(np.sum(np.abs(stops - middle.value) > _CHANGING))
        text = verdict(
            low, high, middle.count, _LOST_LEAST,
            (f"takes {-middle.value:.1f} stops of light", f"{middle.value:.1f} stops more light",
             "no light lost"), " stops",
        )  # fmt: skip
        if odd:
            text += f"; {odd} pairs in changing light count for little"
        out.append({
            **entry("light", None, middle.value, low, high, middle.count, "stops", text),
            "lost_stops": -middle.value, "from_pictures": by_picture,
        })  # fmt: skip
    corners = np.array([c.corner for c in colours if c is not None])
    middle = robust_location(corners, _LIGHT_SD)
    if middle.count:
        low, high = middle.bounds(criteria.interval)
        text = verdict(
            low, high, middle.count, _DARKER_LEAST,
            (f"corners darker by {-middle.value:.1f} stops",
             f"corners brighter by {middle.value:.1f} stops", "no darker corners found"), " stops",
        )  # fmt: skip
        out.append(
            entry("vignetting", "corner", middle.value, low, high, middle.count, "stops", text)
        )
    return out
