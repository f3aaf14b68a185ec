"""What a converter costs: the same lens on the same body with and without it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

import numpy as np

from auditor.infer.enough import NEGLIGIBLE
from auditor.infer.lenses.focal import FittedRange, shared_cells
from auditor.infer.lenses.grouping import PRIME
from auditor.model import ConverterComparison, ConverterZone
from auditor.record import ZONES

__all__ = ["compare_converter", "converter_text", "factor_in_name"]

_FACTOR: Final = re.compile(r"(\d[.,]\d+|\d)\s*[xX×]|[xX×]\s*(\d[.,]\d+|\d)")
_FACTORS: Final = (0.4, 4.0)
"""Magnifications that a converter can have; other figures in its name are no factor."""


def compare_converter(
    converter: str, with_it: list[FittedRange], without_it: list[FittedRange]
) -> ConverterComparison | None:
    """What a converter costs: difference of ln MTF50 per zone over the apertures in common.

    Compared are the focal ranges that lie closest once the converter's factor is taken off; the apertures are
    those that the files state. The interval comes from the draws of both fits as far as frames decide them,
    as errors that all frames share are common to both.

    Parameters
    ----------
    converter : str
        Its name.
    with_it, without_it : list of FittedRange
        Focal ranges of the lens with and without it, on one body.

    Returns
    -------
    ConverterComparison or None
        Differences as shares; None without apertures in common.
    """
    factor = _factor(converter, with_it, without_it)
    shared = [
        (one, other)
        for one in with_it
        for other in without_it
        if len(shared_cells(one.draws.fit, other.draws.fit, 0)[0])
    ]
    if not shared:
        return None
    one, other = min(
        shared,
        key=lambda pair: abs(
            np.nan_to_num(np.log(_middle(pair[0]) / _middle(pair[1]) / (factor or 1)), nan=np.inf)
        ),
    )
    zones = {zone: _cost(one, other, z) for z, zone in enumerate(ZONES)}
    return {
        "converter": converter,
        "factor": None if factor is None else round(factor, 2),
        "frames": len(one.rows),
        "frames_without": len(other.rows),
        "focal_mm": None if one.focal_mm is None else list(one.focal_mm),
        "zones": zones,
        "text": converter_text(zones, factor),
    }


def _cost(one: FittedRange, other: FittedRange, z: int) -> ConverterZone | None:
    """Difference of a zone over the apertures in common, None where there is none."""
    a, b = one.draws, other.draws
    i, j = shared_cells(a.fit, b.fit, z)
    if not len(i):
        return None
    gap = float((a.fit.curve[z, i] - b.fit.curve[z, j]).mean())
    # What more frames would not take away both share. Both are drawn from one seed: in turned order,
    # no draw of one goes with its like of the other.
    differences = (a.from_frames[:, z, i] - b.from_frames[::-1, z, j]).mean(1)
    low, high = np.quantile(differences, a.ends)
    difference, low, high = (
        round(float(np.expm1(end)), 4) for end in (gap, min(low, gap), max(high, gap))
    )
    return {"difference": difference, "low": low, "high": high}


def factor_in_name(converter: str) -> float | None:
    """Magnification in a converter's name.

    Parameters
    ----------
    converter : str
        As in 'TC 1.4x'.

    Returns
    -------
    float or None
        None where the name holds none, or one that no converter has.
    """
    found = _FACTOR.search(converter)
    value = float((found[1] or found[2]).replace(",", ".")) if found else 0.0
    return value if _FACTORS[0] <= value <= _FACTORS[1] else None


def _factor(
    converter: str, with_it: list[FittedRange], without_it: list[FittedRange]
) -> float | None:
    """From the name, else from the focal lengths, where the shortest and the longest agree; None where neither
    says: some cameras write the focal length without the converter."""
    named = factor_in_name(converter)
    attached, bare = (
        [m for p in parts if np.isfinite(m := _middle(p))] for parts in (with_it, without_it)
    )
    if named is not None or not attached or not bare:
        return named
    ratio = max(attached) / max(bare)
    other = min(attached) / min(bare)
    agree = abs(np.log(ratio / other)) <= np.log(PRIME) < abs(np.log(ratio))
    return ratio if agree and _FACTORS[0] <= ratio <= _FACTORS[1] else None


def _middle(part: FittedRange) -> float:
    """Focal length, mm, NaN where it is not known."""
    return float("nan") if part.focal_mm is None else float(np.sqrt(np.prod(part.focal_mm)))


def converter_text(zones: Mapping[str, ConverterZone | None], factor: float | None) -> str:
    """What a converter costs, in words.

    Parameters
    ----------
    zones : mapping of str to ConverterZone or None
        Differences by zone.
    factor : float or None
        Magnification.

    Returns
    -------
    str
        Per pixel and, where the factor is known, on the subject.
    """
    parts = [f"{z} {_verdict(entry)}" for z in ("centre", "corner") if (entry := zones[z])]
    centre = zones["centre"]
    if centre is not None and factor is not None:
        detail, least, most = (factor * (1 + centre[k]) for k in ("difference", "low", "high"))
        parts.append(
            f"on the subject that is {detail:.2f} times the detail of the bare lens "
            f"({least:.2f} to {most:.2f})"
            if _settled(centre)
            else f"on the subject between {least:.2f} and {most:.2f} times the detail of the bare lens"
        )
    return "per pixel: " + "; ".join(parts)


def _settled(entry: ConverterZone) -> bool:
    """Whether a difference is beyond doubt, or a loss that matters can be ruled out."""
    return entry["low"] > -NEGLIGIBLE or entry["high"] < 0


def _verdict(entry: ConverterZone) -> str:
    low, high = 100 * entry["low"], 100 * entry["high"]
    if not _settled(entry):
        return f"cannot be told: between {-low:.0f}% softer and {high:.0f}% sharper"
    pairs = entry.get("pairs")
    of = f", from {pairs} pairs" if pairs else ""
    ends = f"({low:+.0f} to {high:+.0f}%{of})"
    if low > 0 or high < 0:
        word = "sharper" if low > 0 else "softer"
        return f"{word} by {abs(100 * entry['difference']):.0f}% {ends}"
    return f"no softer that matters, a loss of more than {max(-low, 1):.0f}% ruled out {ends}"
