"""What accessories and habits cost, in sentences: what matters most first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from auditor.model import BY_CURVES, Comparison, Profile
from auditor.report import words
from auditor.report.words import short

__all__ = ["comparison_sentences", "costliest_first"]

FEW_PAIRS: Final = 3
"""A comparison from fewer pairs stands in the tables only."""
MOST: Final = 3
"""So many comparisons have a sentence."""
_COST, _GAIN, _NONE, _OPEN = range(4)


def comparison_sentences(profile: Profile) -> list[str]:
    """What was settled, the whole frame's figure standing for its zones; at most `MOST`.

    What a label shows against its absence comes before what it shows against another label. Of these, costs come
    first, those that stand out most from their uncertainty before others, then gains, then what makes no difference; a
    label's second sentence comes after the first of every other.

    Parameters
    ----------
    profile : Profile
        With `comparisons`.

    Returns
    -------
    list of str
        Empty where nothing was settled.
    """
    found = _settled(profile)
    labels = _labels(found)
    told: Counter[str] = Counter()
    turns = []
    for c in sorted(found, key=lambda c: _weight(c, labels)):
        turns.append((told[words.clean(c.get("label"))], c))
        told[words.clean(c.get("label"))] += 1
    return [_sentence(c) for _, c in sorted(turns, key=lambda turn: turn[0])[:MOST]]


def costliest_first(comparisons: Sequence[Comparison]) -> list[Comparison]:
    """Comparisons as a table has them: rows of a label and its opposite together, in the order of the weightiest row
    of each, as `comparison_sentences` weighs them; what cannot be told comes after what can.

    Parameters
    ----------
    comparisons : sequence of Comparison
        The profile's.

    Returns
    -------
    list of Comparison
        All of them.
    """
    labels = _labels(comparisons)
    first: dict[tuple[str, ...], tuple[bool, int, float]] = {}
    for c in comparisons:
        weight = _weight(c, labels)
        first[_sides(c)] = min(first.get(_sides(c), weight), weight)
    return sorted(comparisons, key=lambda c: first[_sides(c)])


def _sides(c: Comparison) -> tuple[str, ...]:
    return tuple(words.clean(k) for k in (c.get("label"), c.get("against"), c.get("lens")))


def _labels(comparisons: Sequence[Comparison]) -> set[str]:
    return {words.clean(c.get("label")) for c in comparisons}


def _weight(c: Comparison, labels: set[str]) -> tuple[bool, int, float]:
    """What sorts the weightiest first."""
    return words.clean(c.get("against")) in labels, _kind(c), -_standing_out(c)


def _settled(profile: Profile) -> list[Comparison]:
    settled: dict[tuple[str, ...], Comparison] = {}
    for c in profile.get("comparisons") or []:
        text = words.clean(c.get("verdict"))
        enough = (c.get("pairs") or 0) >= FEW_PAIRS
        if c.get("note") and c.get("what") in BY_CURVES:
            continue  # the curves, which the note names, are surer
        both_named = words.clean(c.get("label")) and words.clean(c.get("against"))
        if text and enough and both_named and not text.startswith("cannot tell"):
            settled.setdefault((*_sides(c), words.clean(c.get("what"))), c)
    return list(settled.values())


def _kind(c: Comparison) -> int:
    """`_COST`, `_GAIN`, `_NONE` or `_OPEN`, by verdict and interval; a cast has no sign, and costs unless it is
    harmless."""
    verdict = words.clean(c.get("verdict"))
    if verdict.startswith("cannot tell"):
        return _OPEN
    if verdict.startswith(("no ", "the same")) or "harmless" in verdict:
        return _NONE
    if c.get("unit") == "u'v'" or (c.get("high") or 0) < 0:
        return _COST
    return _GAIN if (c.get("low") or 0) > 0 else _NONE


def _standing_out(c: Comparison) -> float:
    """Size of a difference in halves of its interval; 0 where there is none, or one of them is not known."""
    if _kind(c) >= _NONE:
        return 0.0
    difference, low, high = c.get("difference"), c.get("low"), c.get("high")
    if difference is None or low is None or high is None or high <= low:
        return 0.0
    return 2 * abs(difference) / (high - low)


def _sentence(c: Comparison) -> str:
    verdict = words.clean(c.get("verdict")).rstrip(".")
    pairs = words.count(c.get("pairs"), "pair")
    label = short(c.get("label"))
    of = words.clean(f"{c.get('zone') or ''} {c.get('what') or ''}")
    against = short(c.get("against"))
    plain = words.clean(c.get("against")) == f"without {words.clean(c.get('label'))}"
    both = f"With and without {label}" if plain else f"{label} against {against}"
    lens = words.known_name(c.get("lens"))
    on = f" on the {short(lens)}" if lens else ""
    return f"{both}{on}, {of}: {verdict} ({pairs})."
