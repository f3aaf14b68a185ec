"""Labels to comparisons: what each accessory or habit cost, in numbers with intervals and in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from auditor.infer.comparisons.choose import magnification
from auditor.infer.comparisons.colour import (
    PairColour,
    cast_entries,
    light_entries,
    pair_colour,
)
from auditor.infer.comparisons.hyperfocal import compare_focus
from auditor.infer.comparisons.labels import (
    CROP,
    LabelPattern,
    by_settings,
    names_accessory,
    names_control,
    normalised,
)
from auditor.infer.comparisons.pairs import (
    OTHER_KIND,
    SINGLE,
    FrameColumns,
    Labelled,
    Pair,
    find_pairs,
)
from auditor.infer.comparisons.sharp import (
    compare_sharpness,
    expected_log_mtf50,
    find_range,
    pitch_at,
)
from auditor.infer.comparisons.small_pictures import SmallPictures, middle_of
from auditor.infer.comparisons.verdict import USUAL_PAIRS, entry
from auditor.infer.criteria import Criteria
from auditor.infer.enough import FEWEST, SAMPLED
from auditor.infer.frame_values import evenly
from auditor.infer.lenses.converters import converter_text
from auditor.model import BY_CURVES, Comparison, ConverterComparison, Finding, LeftOutPairs, Lens
from auditor.record import ZONES
from auditor.record.pictures import PictureSource

__all__ = ["compare_labels", "crop_trade_off", "one_answer"]


def compare_labels(
    frames: pd.DataFrame,
    lenses: Sequence[Mapping[str, Any]],
    criteria: Criteria | None = None,
    pictures: PictureSource | None = None,
    patterns: Iterable[LabelPattern] = (),
) -> list[Comparison]:
    """The profile's `comparisons`: each label against its opposite, in pairs of one scene.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    lenses : sequence of mapping
        The profile's `lenses`, for their curves.
    criteria : Criteria, optional
        Interval and seed; the default ones where None.
    pictures : DataFrame or callable, optional
        Rows or index `file_id`, columns `thumb_jpeg` and `colour_grid`; or what gives such a table for a list
        of file ids.
    patterns : iterable of LabelPattern
        From `labels_from_csv`.

    Returns
    -------
    list of Comparison
        Differences of the label against its opposite: sharpness as a share of MTF50, light and vignetting in
        stops (less light is negative), cast as a distance in u'v'. Those of focus against the hyperfocal
        distance come last.
    """
    criteria = criteria or Criteria()
    if not len(frames):
        return []
    frames = frames.reset_index(drop=True)
    patterns = list(patterns)
    small = SmallPictures(frames, pictures)
    wanted = {label.casefold() for _, label in patterns}
    items = find_pairs(frames, patterns, small)
    small.fetch(r for i in items for q in i.pairs.values() for p in q for r in p[:2])
    out: list[Comparison] = []
    for item in items:
        label = item.label.casefold()
        asked = by_settings(item.key) or names_accessory(label) or any(a in label for a in wanted)
        found: list[Comparison] = []
        for lens, pairs in sorted(item.pairs.items()):
            # A keyword or folder that names no accessory may be a place or a mood.
            if len(pairs) >= FEWEST or asked:
                found += _one_lens(item, lens, pairs, _Inputs(item.table, lenses, criteria, small))
        if asked and not found:
            found = [_not_compared(item)]
        for comparison in found:
            comparison["asked"] = asked
        out += found
    return out + compare_focus(frames, criteria)


def _named(item: Labelled, lens: str, found: Finding, not_needed: int = 0) -> Comparison:
    """A finding with the names of its sides; pairs that it left out stand beside those that were none."""
    left_out: list[LeftOutPairs] = [
        {"reason": r, "count": n} for r, n in sorted(item.left_out.items())
    ]
    if not_needed:
        why = f"not needed: {SAMPLED} pairs, evenly chosen, stand for all"
        left_out.append({"reason": why, "count": not_needed})
    return {
        "label": item.label, "against": item.against, "lens": lens or None, **found,
        "left_out": left_out + found.get("left_out", []),
    }  # fmt: skip


def _not_compared(item: Labelled) -> Comparison:
    """A label that was asked about and cannot be compared, with the reason."""
    why = "; ".join(f"{n} times {r}" for r, n in sorted(item.left_out.items()))
    why = why or "no frame of the same scene without it was found within a quarter of an hour"
    settle = f"about {USUAL_PAIRS} pairs would settle it"
    if item.against == SINGLE and OTHER_KIND in item.left_out:
        settle = "a single frame beside each, developed and saved alike, would settle it"
    names = Counter(str(item.table.lens[i]) for i in item.frames)
    usual = names.most_common(1)[0][0] if names else ""
    found = entry("sharpness", None, 0, "share of MTF50", f"cannot tell: {why}; {settle}")
    return _named(item, usual, {**found, "frames": len(item.frames)})


class _Inputs(NamedTuple):
    """What is known of the frames, of the lenses, and asked for."""

    table: FrameColumns
    lenses: Sequence[Mapping[str, Any]]
    criteria: Criteria
    small: SmallPictures


def _one_lens(
    item: Labelled, lens: str, all_pairs: list[Pair], inputs: _Inputs
) -> list[Comparison]:
    table, criteria = inputs.table, inputs.criteria
    pairs = [all_pairs[i] for i in evenly(len(all_pairs), SAMPLED)]
    found: list[Finding] = []
    if item.key == CROP:
        found += _crop(pairs, inputs)
    else:
        sharp = compare_sharpness(table, pairs, inputs.lenses, criteria)
        found += sharp
        converter = item.key.startswith("converter ")
        focal = np.array([table.focal[p.labelled] / table.focal[p.control] for p in pairs])
        scale = magnification(item.key, focal) if converter else 1.0
        colours = [_colour(p, inputs, scale or 1.0) for p in pairs]
        if converter:
            found += _on_the_subject(scale, sharp)
        else:
            bare = names_control(item.against.casefold())
            found += light_entries(table, pairs, colours, criteria, bare)
        found += cast_entries(table, pairs, colours, criteria)
    return [_named(item, lens, finding, len(all_pairs) - len(pairs)) for finding in found]


def _on_the_subject(factor: float | None, sharp: Sequence[Finding]) -> list[Finding]:
    """What a converter gains over enlarging the bare picture: MTF50 per pixel, times its scale; nothing
    where that is not known."""
    found = None if factor is None else _centre_scaled(sharp, factor)
    if factor is None or found is None or found["low"] is None or found["high"] is None:
        return []
    low, high = found["low"], found["high"]
    gain = "more" if low > 0 else "less" if high < 0 else "no more, as far as can be told,"
    found["what"], found["unit"] = "detail on the subject", "share of detail"
    bare = (
        f"enlarging the bare picture {factor:.3g} times" if factor > 1 else "the bare picture has"
    )
    found["verdict"] = (
        f"{gain} detail on the subject than {bare}: {found['difference']:+.0%} ({low:+.0%} to {high:+.0%})"
    )
    return [found]


def _centre_scaled(sharp: Sequence[Finding], factor: float) -> Finding | None:
    """The centre's difference at a picture so many times as large; None where nothing is known of the centre. Its
    ends are None where too little is known for an interval."""
    centre = next((e for e in sharp if e["zone"] == "centre"), None)
    if centre is None:
        return None
    difference, low, high = (
        None if v is None else (1 + v) * factor - 1
        for v in (centre["difference"], centre["low"], centre["high"])
    )
    return {**centre, "difference": difference, "low": low, "high": high, "added_blur_px": None}


def _colour(pair: Pair, inputs: _Inputs, scale: float) -> PairColour | None:
    a, b = inputs.small.grid(pair.labelled), inputs.small.grid(pair.control)
    if a is None or b is None:
        return None
    if scale > 1:
        b = middle_of(b, scale)
    return pair_colour(a, b, "raw" not in inputs.table.source[[pair.labelled, pair.control]])


def _crop(pairs: list[Pair], inputs: _Inputs) -> list[Finding]:
    """Detail in the centre across the print, measured in the pairs, and in words what cropping is worth."""
    table, lenses = inputs.table, inputs.lenses
    factor = float(np.median([table.width[p.control] / table.width[p.labelled] for p in pairs]))
    control = pairs[0].control
    f_number = float(np.nanmedian([table.f_number[p.control] for p in pairs]))
    used = table.lens[control], table.body[control], table.converter[control] or None
    part = find_range(lenses, *used, float(table.focal[control]))
    # At one place of the lens, pixels of one pitch see the same: the centre of the crop is compared
    # with the centre of the whole.
    found = _centre_scaled(compare_sharpness(table, pairs, lenses, inputs.criteria), 1 / factor)
    if found is None:
        return []
    told = found["verdict"]
    if found["low"] is None:
        found["difference"] = None
    else:
        ends = f"{found['low']:+.0%} to {found['high']:+.0%}"
        told = f"detail across an equally large print {found['difference']:+.0%} ({ends}) with the same lens"
    found["what"], found["unit"] = "detail in print", "share of detail across the print"
    trade_off = crop_trade_off(factor, f_number, pitch_at(table, control), part)
    found["verdict"] = f"{told}; a crop of this size {trade_off}"
    return [found]


def crop_trade_off(
    factor: float, f_number: float, pitch_um: float, part: Mapping[str, Any] | None = None
) -> str:
    """What a crop mode costs and gains, in plain words.

    Photon noise in the print grows as if k^2 times less light had been caught. Framed alike (the whole sensor
    with k times the focal length) the crop has as much depth of field at f/N as the whole sensor at f/(k N):
    2 log2 k stops, with the diffraction that these would bring.

    Parameters
    ----------
    factor : float
        k, the long side of the whole sensor over that of the crop.
    f_number : float
        Aperture used.
    pitch_um : float
        Pixel pitch in micrometres.
    part : mapping, optional
        The lens's focal range, where known.

    Returns
    -------
    str
        A clause without a full stop.
    """
    stops = 2 * np.log2(factor)
    expected = expected_log_mtf50(part, [f_number, f_number * factor], pitch_um)
    detail = float(np.exp(expected[0, 0] - expected[1, 0]) / factor - 1)
    return (
        f"keeps {1 / factor:.0%} of the pixels across; noise as with {stops:.1f} stops less light; depth of "
        f"field as {stops:.1f} stops of stopping down, framed alike, where detail is {detail:+.0%} against the "
        "whole sensor so stopped down"
    )


_CURVES_ARE_SURER: Final = "the lens's curves with and without it are surer"


def one_answer(lenses: Sequence[Lens], comparisons: Sequence[Comparison]) -> None:
    """Give a lens's `converter_comparison` the pairs' figure of a zone where it is the more certain, and a note to
    the pairs' entry where the curves' is.

    Pairs are named by lens and converter: nothing is done where several bodies or copies have both.

    Parameters
    ----------
    lenses : sequence of Lens
        The profile's; changed in place.
    comparisons : sequence of Comparison
        The profile's, sharpness before what follows from it for the subject; changed in place.
    """
    by_name: dict[tuple[str, str], list[ConverterComparison]] = {}
    for lens in lenses:
        if by_curves := lens.get("converter_comparison"):
            label = normalised(f"converter {by_curves['converter']}")
            by_name.setdefault((lens["lens"] or "", label), []).append(by_curves)
    for pairs in comparisons:
        found = by_name.get((pairs.get("lens") or "", normalised(pairs["label"] or "")), [])
        if len(found) == 1 and pairs["what"] in BY_CURVES and pairs["zone"] in ZONES:
            _surer(found[0]["zones"], pairs)
    for found in by_name.values():
        for by_curves in found:
            by_curves["text"] = converter_text(by_curves["zones"], by_curves["factor"])


def _surer(zones: dict[str, Any], pairs: Comparison) -> None:
    """One answer of a lens's curves and of pairs on the same zone."""
    difference, low, high = pairs["difference"], pairs["low"], pairs["high"]
    if difference is None or low is None or high is None:
        return
    curves = zones.get(pairs["zone"] or "")
    narrower = curves is None or high - low < curves["high"] - curves["low"]
    if narrower and pairs["what"] == BY_CURVES[0]:
        zones[pairs["zone"] or ""] = {
            "difference": round(difference, 4), "low": round(low, 4), "high": round(high, 4),
            "pairs": pairs["pairs"] or 0,
        }  # fmt: skip
    elif curves is not None and "pairs" not in curves:
        pairs["note"] = _CURVES_ARE_SURER
