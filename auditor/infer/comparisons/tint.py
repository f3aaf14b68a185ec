"""Cast of an accessory, the light that it takes and the corners that it darkens, in words.

A white balance that differs between the two frames of a pair, by setting or by colour temperature,
would pass for a cast of the filter: such pairs are left out of it. An automatic one may follow the
filter: such pairs are left out where enough pairs with a fixed one remain, and marked otherwise. How
even a cast is across the frame no white balance can change, so every pair counts there.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.comparisons.colour import (
    Cast,
    PairColour,
    cast_of,
    evenness_of,
)
from auditor.infer.comparisons.pairs import FrameColumns, Pair
from auditor.infer.comparisons.verdict import (
    USUAL_PAIRS,
    entry,
    pairs_to_settle,
    verdict,
)
from auditor.infer.criteria import Criteria
from auditor.infer.enough import FEWEST
from auditor.model import Finding, LeftOutPairs
from auditor.robust import robust_location

__all__ = ["cast_entries", "light_entries"]

_SAME_KELVIN: Final = 0.01
"""Share by which two colour temperatures may differ and count as one setting."""
_NO_CAST: Final = 0.004
"""A cast below this in u'v' is hard to see side by side (common practice, no source)."""
_LIGHT_SD: Final = 0.03
"""Scatter in stops that even agreeing pairs have: cameras time and stop down to a thirtieth of a stop."""
_OUTLIER_STOPS: Final = 0.5
"""A pair whose light differs by so many stops from the others' was taken in changing light."""

DIFFERS: Final = "the white balance differs between the two frames"
AUTOMATIC: Final = "the white balance was automatic, and others had a fixed one"


def _balance(table: FrameColumns, pair: Pair) -> str:
    """White balance of the two frames of a pair by their tags: 'fixed', 'auto', 'differs' or 'unknown'."""
    a, b = table.white_balance[pair.labelled], table.white_balance[pair.control]
    with np.errstate(invalid="ignore", divide="ignore"):
        kelvin = abs(np.log(table.kelvin[pair.labelled] / table.kelvin[pair.control]))
    # An automatic balance that settled on another temperature has changed the colours too.
    if (a and b and a != b) or kelvin > _SAME_KELVIN:
        return "differs"
    if "auto" in (a, b):
        return "auto"
    return "fixed" if a and b else "unknown"


def cast_entries(
    table: FrameColumns, pairs: list[Pair], colours: list[PairColour | None], criteria: Criteria
) -> list[Finding]:
    """Colour cast of a label and its evenness across the frame.

    Parameters
    ----------
    table : FrameColumns
        Columns of all frames.
    pairs : list of Pair
        Of one label and lens.
    colours : list of PairColour or None
        Of the same pairs.
    criteria : Criteria
        Interval and seed.

    Returns
    -------
    list of Finding
        Empty with fewer than two pairs that hold colour.
    """
    coloured = [
        (_balance(table, p), c)
        for p, c in zip(pairs, colours, strict=True)
        if c is not None and np.isfinite(c.channels).all()
    ]
    if len(coloured) < 2:
        return []
    even = evenness_of([c for _, c in coloured], criteria.interval, criteria.seed)
    fixed = [c for kind, c in coloured if kind in ("fixed", "unknown")]
    automatic = [c for kind, c in coloured if kind == "auto"]
    differs = len(coloured) - len(fixed) - len(automatic)
    left_out: list[LeftOutPairs] = []
    if differs:
        left_out.append({"reason": DIFFERS, "count": differs})
    if len(fixed) >= FEWEST and automatic:
        left_out.append({"reason": AUTOMATIC, "count": len(automatic)})
        automatic = []
    used = fixed + automatic
    unknown = any(kind == "unknown" for kind, _ in coloured)
    cast = cast_of(used, criteria.interval)
    text = (
        f"uneven: differs across the frame by {even.size:.4f} ({even.low:.4f} to {even.high:.4f} in u'v')"
        if even.found
        else f"the same across the frame to within {even.high:.4f} in u'v'"
    )
    across = entry(
        "cast evenness", None, len(coloured), "u'v'", text, even.size, even.low, even.high
    )
    if cast is None:
        text = (
            f"cannot tell: {DIFFERS} in {differs} of {len(coloured)} pairs; "
            f"about {USUAL_PAIRS} pairs with one fixed setting would settle it"
        )
        first = entry("cast", None, len(used), "u'v'", text) | {
            "even": not even.found, "found": False,
        }  # fmt: skip
    else:
        first = _cast_entry(cast, even.found, even.size, bool(automatic), unknown)
    if left_out:
        first["left_out"] = left_out
        if cast is not None:
            first["verdict"] = (first["verdict"] or "") + "".join(
                f"; {x['count']} pairs left out, for {x['reason']}" for x in left_out
            )
    return [first, across]


def _cast_entry(
    cast: Cast, uneven: bool, unevenness: float, automatic: bool, unknown: bool
) -> Finding:
    bounds = f"{cast.low:.4f} to {cast.high:.4f} in u'v'"
    if cast.found:
        kind = "uneven across the frame" if uneven else "even, so harmless after white balance"
        text = f"tints by {cast.size:.4f} ({bounds}), {kind}"
    elif uneven:
        text = (
            f"tints the parts of the frame differently, uneven by {unevenness:.4f} in u'v'; no cast "
            f"of the frame as a whole ({bounds})"
        )
    elif cast.high < _NO_CAST:
        text = (
            f"no cast found; one of more than {cast.high:.4f} in u'v' can be ruled out ({bounds})"
        )
    else:
        more = pairs_to_settle(cast.count, (cast.high - cast.low) / 2, _NO_CAST / 2)
        text = f"cannot tell ({bounds}): white balance or light changed; about {more} pairs would settle it"
    note = (
        "the files do not tell the white balance; an automatic one may have hidden part of a cast"
        if unknown
        else None
    )
    if automatic:
        text += "; the white balance was automatic, so part of it may be the camera's"
        note = "an automatic white balance may have hidden part of an even cast, or added to it"
    return {
        **entry("cast", None, cast.count, "u'v'", text, cast.size, cast.low, cast.high),
        "even": not uneven,
        "found": cast.found or uneven,
        "automatic_white_balance": automatic,
        "note": note,
    }


def light_entries(
    table: FrameColumns,
    pairs: list[Pair],
    colours: list[PairColour | None],
    criteria: Criteria,
    bare: bool,
) -> list[Finding]:
    """Light that a label costs, and vignetting: robust means over pairs, in stops.

    Parameters
    ----------
    table : FrameColumns
        Columns of all frames.
    pairs : list of Pair
        Of one label and lens.
    colours : list of PairColour or None
        Of the same pairs; where None the stored histograms tell the brightness.
    criteria : Criteria
        Interval.
    bare : bool
        The controls have nothing in the label's place: as nothing on a lens adds light, more of it is chance.

    Returns
    -------
    list of Finding
        No entry where no pair holds a value.
    """
    values = []
    for pair, colour in zip(pairs, colours, strict=True):
        exposed = table.exposure[pair.labelled] - table.exposure[pair.control]
        if colour is not None:
            brighter = colour.light
        else:
            brighter = table.middle[pair.labelled] - table.middle[pair.control]
        values.append(brighter - exposed)
    flashed = sum(bool(table.flash[p.labelled] or table.flash[p.control]) for p in pairs)
    stops = np.array(values)
    more = None if bare else "{:.1f} stops more light"
    texts = ("takes {:.1f} stops of light", more, "no light lost")
    out = _in_stops("light", None, stops, texts, criteria)
    for found in out:
        outliers = int(np.sum(np.abs(stops - found["difference"]) > _OUTLIER_STOPS))
        if outliers:
            found["verdict"] = (
                f"{found['verdict']}; {outliers} pairs in changing light count for little"
            )
        if flashed:
            found["verdict"] = f"{found['verdict']}; {flashed} pairs lit by a flash left out"
    if flashed and not out:
        text = (
            "cannot tell: a flash lit the frames, and makes up for light that is lost; "
            f"about {USUAL_PAIRS} pairs without it would settle it"
        )
        out = [entry("light", None, 0, "stops", text)]
    corners = np.array([c.corner for c in colours if c is not None])
    texts = (
        *("corners darker by {:.1f} stops", "corners brighter by {:.1f} stops"),
        "no darker corners found",
    )
    return out + _in_stops("vignetting", "corner", corners, texts, criteria)


def _in_stops(
    what: str, zone: str | None, stops: NDArray[np.float64], texts: tuple[str, str | None, str],
    criteria: Criteria,
) -> list[Finding]:  # fmt: skip
    """Robust mean of what pairs differ by, with its verdict in `texts`, which name its size; none where no pair holds
    a value."""
    middle = robust_location(stops, _LIGHT_SD)
    if not middle.count:
        return []
    low, high = middle.bounds(criteria.interval)
    less, more, none = (text and text.format(abs(middle.value)) for text in texts)
    text = verdict(low, high, middle.count, (less or "", more, none or ""))
    return [entry(what, zone, middle.count, "stops", text, middle.value, low, high)]
