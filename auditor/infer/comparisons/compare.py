"""Labels to comparisons: what each accessory or habit cost, in numbers with intervals and in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.colour import (
    PairColour,
    cast_of,
    ciede2000_of_grey,
    pair_colour,
    read_grid,
)
from auditor.infer.comparisons.crop import crop_bargain
from auditor.infer.comparisons.curves import find_range
from auditor.infer.comparisons.focus import compare_focus
from auditor.infer.comparisons.labels import CROP, LabelPattern
from auditor.infer.comparisons.location import robust_location
from auditor.infer.comparisons.pairs import Labelled, Pair, find_pairs
from auditor.infer.comparisons.sharp import SharpnessTable, compare_sharpness
from auditor.infer.comparisons.verdict import pairs_to_settle, verdict
from auditor.infer.criteria import Criteria
from auditor.infer.lenses.grouping import numbers, texts
from auditor.record import SIGNAL_BIN_EDGES

__all__ = ["compare_labels"]

Floats = NDArray[np.float64]

_LEAST_PAIRS: Final = 3
"""A keyword or folder with fewer pairs of one lens is only listed, not compared."""
_LIGHT_SD: Final = 0.03
_CHANGING: Final = 0.5
"""A pair whose light differs by so many stops from the others' was taken in changing light."""


class _Pictures:
    """Small pictures by position in the frame table."""

    def __init__(self, frames: pd.DataFrame, pictures: pd.DataFrame | None) -> None:
        self._ids = texts(frames, "file_id").to_numpy(dtype=object)
        self._rows: dict[str, int] = {}
        self._table = pictures
        if pictures is not None and len(pictures):
            ids = pictures.get("file_id", pictures.index)
            self._rows = {str(k): i for i, k in enumerate(ids)}

    def _get(self, row: int, name: str) -> bytes | None:
        at = self._rows.get(str(self._ids[row]))
        if at is None or self._table is None or name not in self._table:
            return None
        value = self._table[name].iloc[at]
        return bytes(value) if isinstance(value, (bytes, bytearray, memoryview)) else None

    def thumb(self, row: int) -> bytes | None:
        return self._get(row, "thumb_jpeg")

    def grid(self, row: int) -> Floats | None:
        return read_grid(self._get(row, "colour_grid"))


def compare_labels(
    frames: pd.DataFrame,
    lenses: Sequence[Mapping[str, Any]],
    criteria: Criteria | None = None,
    pictures: pd.DataFrame | None = None,
    patterns: Iterable[LabelPattern] = (),
) -> list[dict[str, Any]]:
    """The profile's `comparisons`.

    Args:
        frames: `record.COLUMNS` plus the columns of `crawl.relate`.
        lenses: the profile's `lenses`, for their curves.
        pictures: rows or index `file_id`, columns `thumb_jpeg` and `colour_grid`.
        patterns: from `labels_from_csv`.

    Differences are those of the label against its opposite: sharpness as a share of MTF50, light and
    vignetting in stops (less light is negative), cast as a distance in u'v'.
    """
    criteria = criteria or Criteria()
    if not len(frames):
        return []
    frames = frames.reset_index(drop=True)
    patterns = list(patterns)
    small = _Pictures(frames, pictures)
    table = SharpnessTable(frames)
    light = _Light(frames)
    asked = {label for _, label in patterns}
    out: list[dict[str, Any]] = []
    for item in find_pairs(frames, patterns, small.thumb):
        own = (
            item.key == CROP or item.key.startswith("converter ") or item.against == "single frames"
        )
        told = own or any(a.casefold() in item.label.casefold() for a in asked)
        compared = False
        for lens, pairs in sorted(item.pairs.items()):
            if len(pairs) < _LEAST_PAIRS and not told:
                continue
            compared = True
            out += _one_lens(frames, item, lens, pairs, lenses, table, light, small, criteria)
        if told and not compared:
            out.append(_nothing(item))
    return out + compare_focus(frames, criteria)


def _base(item: Labelled, lens: str | None) -> dict[str, Any]:
    return {
        "label": item.label,
        "against": item.against,
        "lens": lens,
        "left_out": [{"reason": r, "count": n} for r, n in sorted(item.left_out.items())],
    }


def _nothing(item: Labelled) -> dict[str, Any]:
    """A label that was asked about and cannot be compared, with the reason."""
    why = "; ".join(f"{n} times {r}" for r, n in sorted(item.left_out.items()))
    why = why or "no frame of the same scene without it was found within a quarter of an hour"
    return _base(item, None) | {
        "what": "sharpness", "zone": None, "pairs": 0, "difference": None, "low": None,
        "high": None, "frames": len(item.frames),
        "verdict": f"cannot tell: {why}; about 8 pairs would settle it",
    }  # fmt: skip


def _one_lens(
    frames: pd.DataFrame, item: Labelled, lens: str, pairs: list[Pair],
    lenses: Sequence[Mapping[str, Any]], table: SharpnessTable, light: _Light, small: _Pictures,
    criteria: Criteria,
) -> list[dict[str, Any]]:  # fmt: skip
    base = _base(item, lens)
    paired = {p.labelled for p in pairs}
    rest = np.array([r for r in item.frames if table.lens[r] == lens and r not in paired], np.int64)
    found = []
    if item.key == CROP:
        found += _crop(frames, pairs, lenses, table, criteria)
    else:
        found += compare_sharpness(table, pairs, rest, lenses, criteria)
        colours = [_colour(p, light, small) for p in pairs]
        if not item.key.startswith("converter "):
            found += _light_entries(pairs, colours, light, criteria)
        held = [c for c in colours if c is not None]
        found += _cast_entries(held, criteria)
    return [base | entry for entry in found]


class _Light:
    """Exposure and brightness of every frame, in stops."""

    def __init__(self, frames: pd.DataFrame) -> None:
        n, t, iso = (numbers(frames, k) for k in ("f_number", "exposure_time_s", "iso"))
        with np.errstate(invalid="ignore", divide="ignore"):
            self.exposure = np.log2(t * iso / 100 / n**2)
        self.exposure[~np.isfinite(self.exposure)] = np.nan
        names = [f"signal_share_{i:02d}" for i in range(len(SIGNAL_BIN_EDGES) - 1)]
        self._shares = [numbers(frames, k) for k in names]
        self.raw = texts(frames, "source").to_numpy() == "raw"

    def middle(self, row: int) -> float:
        """log2 of the median signal, from the stored histogram; NaN where there is none."""
        cumulative = np.concatenate([[0.0], np.cumsum([s[row] for s in self._shares])])
        if not cumulative[-1] > 0:
            return float("nan")
        return float(np.interp(0.5 * cumulative[-1], cumulative, SIGNAL_BIN_EDGES))


def _colour(pair: Pair, light: _Light, small: _Pictures) -> PairColour | None:
    a, b = small.grid(pair.labelled), small.grid(pair.bare)
    if a is None or b is None:
        return None
    return pair_colour(a, b, not (light.raw[pair.labelled] or light.raw[pair.bare]))


def _light_entries(
    pairs: list[Pair], colours: list[PairColour | None], light: _Light, criteria: Criteria
) -> list[dict[str, Any]]:
    """Light lost, from exposure and pictures; vignetting from the pictures."""
    values, by_picture = [], 0
    for pair, colour in zip(pairs, colours, strict=True):
        more = light.exposure[pair.labelled] - light.exposure[pair.bare]
        if colour is not None:
            seen = colour.light
            by_picture += 1
        else:
            seen = light.middle(pair.labelled) - light.middle(pair.bare)
        values.append(seen - more)
    out = []
    stops = np.array(values)
    middle = robust_location(stops, _LIGHT_SD)
    if middle.count:
        low, high = middle.bounds(criteria.interval)
        odd = int(np.sum(np.abs(stops - middle.value) > _CHANGING))
        text = verdict(
            low, high, middle.count, 0.1,
            (f"takes {-middle.value:.1f} stops of light", f"{middle.value:.1f} stops more light",
             "no light lost"), " stops",
        )  # fmt: skip
        if odd:
            text += f"; {odd} pairs in changing light count for little"
        out.append(
            _entry("light", None, middle.value, low, high, middle.count, "stops", text)
            | {"lost_stops": -middle.value, "from_pictures": by_picture}
        )
    corners = np.array([c.corner for c in colours if c is not None])
    middle = robust_location(corners, _LIGHT_SD)
    if middle.count:
        low, high = middle.bounds(criteria.interval)
        text = verdict(
            low, high, middle.count, 0.15,
            ("darker corners", "brighter corners", "no darker corners found"), " stops",
        )  # fmt: skip
        out.append(
            _entry("vignetting", "corner", middle.value, low, high, middle.count, "stops", text)
        )
    return out


def _cast_entries(colours: list[PairColour], criteria: Criteria) -> list[dict[str, Any]]:
    cast = cast_of(colours, criteria.interval, criteria.seed)
    if cast is None:
        return []
    bounds = f"{cast.low:.4f} to {cast.high:.4f} in u'v'"
    if cast.found:
        kind = "uneven across the frame" if cast.uneven else "even, so harmless after white balance"
        text = f"tints by {cast.size:.4f} ({bounds}), {kind}"
    elif cast.high < 0.004:
        text = (
            f"no cast found; one of more than {cast.high:.4f} in u'v' can be ruled out ({bounds})"
        )
    else:
        more = pairs_to_settle(cast.count, (cast.high - cast.low) / 2, 0.002)
        text = f"cannot tell ({bounds}): white balance or light changed; about {more} pairs would settle it"
    even = (
        f"differs across the frame by {cast.unevenness:.4f} ("
        f"{cast.unevenness_low:.4f} to {cast.unevenness_high:.4f} in u'v')"
        if cast.uneven
        else f"no unevenness found; at most {cast.unevenness_high:.4f} in u'v'"
    )

    def shift(values: Floats) -> list[float] | None:
        return [float(v) for v in values] if np.isfinite(values).all() else None

    first = _entry("cast", None, cast.size, cast.low, cast.high, cast.count, "u'v'", text) | {
        "delta_uv": shift(cast.shift),
        "ciede2000": ciede2000_of_grey(cast.channels),
        "even": not cast.uneven,
        "neutral_areas_uv": shift(cast.neutral_uv),
        "matched_areas_uv": shift(cast.matched_uv),
        "found": cast.found,
        "note": "automatic white balance may have hidden part of an even cast",
    }
    second = _entry(
        "cast evenness", None, cast.unevenness, cast.unevenness_low, cast.unevenness_high,
        cast.count, "u'v'", even,
    )  # fmt: skip
    return [first, second]


def _entry(
    what: str, zone: str | None, value: float, low: float, high: float, pairs: int, unit: str,
    text: str,
) -> dict[str, Any]:  # fmt: skip
    finite = bool(np.isfinite(low) and np.isfinite(high))
    return {
        "what": what, "zone": zone, "pairs": pairs, "difference": float(value),
        "low": float(low) if finite else None, "high": float(high) if finite else None,
        "unit": unit, "verdict": text,
    }  # fmt: skip


def _crop(
    frames: pd.DataFrame, pairs: list[Pair], lenses: Sequence[Mapping[str, Any]],
    table: SharpnessTable, criteria: Criteria,
) -> list[dict[str, Any]]:  # fmt: skip
    """Detail in the centre across the print, measured in the pairs, and the bargain in closed form."""
    long_side = np.fmax(numbers(frames, "width_px"), numbers(frames, "height_px"))
    factor = float(np.median([long_side[p.bare] / long_side[p.labelled] for p in pairs]))
    bare = pairs[0].bare
    focal = float(table.focal[bare])
    f_number = float(np.nanmedian([table.f_number[p.bare] for p in pairs]))
    part = find_range(
        lenses, table.lens[bare], table.body[bare], table.converter[bare] or None, focal
    )
    bargain = crop_bargain(
        factor, f_number, focal, table.pitch_at(bare), float(long_side[bare]), part
    )
    # At one place of the lens, pixels of one pitch see the same: the centre of the crop is compared
    # with the centre of the whole.
    centre = compare_sharpness(table, pairs, np.empty(0, np.int64), lenses, criteria)
    measured = next((e for e in centre if e["zone"] == "centre"), None)
    out = []
    if measured is not None:
        print_scale = 1 / factor
        values = {k: (1 + measured[k]) * print_scale - 1 for k in ("difference", "low", "high")}
        text = (
            f"detail across an equally large print {values['difference']:+.0%} "
            f"({values['low']:+.0%} to {values['high']:+.0%}) with the same lens; "
        )
        out.append(
            measured
            | values
            | {"what": "detail in print", "verdict": text + bargain.words(),
               "unit": "share of detail across the print", "added_blur_px": None}
        )  # fmt: skip
    for entry in out:
        entry["closed_form"] = {
            name: getattr(bargain, name)
            for name in (
                *("factor", "detail_same_lens", "detail_same_depth", "noise_stops"),
                *("depth_stops", "hyperfocal_m", "whole_hyperfocal_m"),
            )
        }
    return out
