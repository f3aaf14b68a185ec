"""One answer on a converter where both the curves and pairs of one scene have one: the more certain."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.infer.comparisons.labels import normalised
from auditor.infer.lenses.converters import converter_text
from auditor.model import BY_CURVES, Comparison, ConverterComparison, Lens
from auditor.record import ZONES

__all__ = ["one_answer"]

_SHARPNESS, _ON_THE_SUBJECT = BY_CURVES


def one_answer(lenses: Sequence[Lens], comparisons: Sequence[Comparison]) -> None:
    """Give a lens's `converter_comparison` the pairs' figure of a zone where it is the more certain, and a note to
    the pairs' entry where the curves' is.

    Pairs are named by lens and converter: nothing is done where several bodies or copies have both.

    Parameters
    ----------
    lenses : sequence of Lens
        The profile's; changed in place.
    comparisons : sequence of Comparison
        The profile's; changed in place.
    """
    by_name: dict[tuple[str, str], list[ConverterComparison]] = {}
    for lens in lenses:
        by_curves = lens.get("converter_comparison")
        if by_curves:
            label = normalised(f"converter {by_curves['converter']}")
            by_name.setdefault((lens["lens"] or "", label), []).append(by_curves)
    both = [
        (found[0], pairs)
        for pairs in comparisons
        if len(found := by_name.get(_key(pairs), [])) == 1
    ]
    for by_curves, pairs in both:
        if pairs["what"] == _SHARPNESS and pairs["zone"] in ZONES:
            _surer(by_curves, pairs, pairs["zone"])
    for by_curves, pairs in both:
        if pairs["what"] == _ON_THE_SUBJECT:
            _subject(by_curves, pairs)
    for found in by_name.values():
        for by_curves in found:
            by_curves["text"] = converter_text(by_curves["zones"], by_curves["factor"])


def _key(pairs: Comparison) -> tuple[str, str]:
    return pairs.get("lens") or "", normalised(pairs["label"] or "")


def _surer(by_curves: ConverterComparison, pairs: Comparison, zone: str) -> None:
    difference, low, high = pairs["difference"], pairs["low"], pairs["high"]
    if difference is None or low is None or high is None:
        return
    curves = by_curves["zones"].get(zone)
    if curves is None or high - low < curves["high"] - curves["low"]:
        by_curves["zones"][zone] = {
            "difference": round(difference, 4), "low": round(low, 4), "high": round(high, 4),
            "pairs": pairs["pairs"] or 0,
        }  # fmt: skip
    else:
        pairs["note"] = _note(curves["difference"], curves["low"], curves["high"])


def _subject(by_curves: ConverterComparison, pairs: Comparison) -> None:
    """The note of what pairs tell of the subject, which follows from the centre's sharpness."""
    centre, factor = by_curves["zones"].get("centre"), by_curves["factor"]
    if factor is not None and centre is not None and "pairs" not in centre:
        difference, low, high = (centre[k] for k in ("difference", "low", "high"))
        pairs["note"] = _note(*(factor * (1 + part) - 1 for part in (difference, low, high)))


def _note(difference: float, low: float, high: float) -> str:
    return f"the curves with and without it say more: {difference:+.0%} ({low:+.0%} to {high:+.0%})"
