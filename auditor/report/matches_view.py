"""What an ISO on one body is worth on another, as tables: reference ISO by light.

Where a body was never used, its noise is only predicted from its own course: such figures stand in
italics, and none is given more than a stop past the ISO values that the archive holds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from auditor.report import words
from auditor.report.iso_words import band_name
from auditor.report.profile_parts import Block

REACH: Final = 2.0
"""Factor (one stop) past the lowest and highest ISO used within which a prediction is shown, as for
the ISO limits."""
_WHOLE: Final = 0.1
"""Stops from a whole one within which an engraved ISO is it."""
_ENGRAVED: Final = 1.02
"""Factor by which engraved values miss whole stops."""


def match_tables(profile: Block) -> list[dict[str, Any]]:
    """Per pair of bodies and kind of file: `rows` of reference ISO (whole stops, where there are
    several) with a cell for each of `bands`.

    A cell has `text`, `between`, `predicted` and `sort`; where the figure would lie outside what the
    body was used at, it says 'under 100' or 'over 6400' only. `lowest` and `highest` are the ISO
    values used, `under` and `over` whether any cell says so, `predicted` whether any is predicted,
    `left_out` the reference ISO values too far from any used.
    """
    used = _used(profile)
    pairs: dict[tuple[str, str, str], list[Block]] = {}
    for m in profile.get("iso_matches") or ():
        body, reference, kind = (words.clean(m.get(k)) for k in ("body", "reference_body", "kind"))
        if body and reference:
            pairs.setdefault((body, reference, kind), []).append(m)
    return [
        _table(rows, body, reference, kind, used.get((body, kind)), used.get((reference, kind)))
        for (body, reference, kind), rows in pairs.items()
    ]


def _used(profile: Block) -> dict[tuple[str, str], tuple[float, float]]:
    """(body, kind of file) -> lowest and highest ISO with frames. Kind '' stands for the main one."""
    out: dict[tuple[str, str], tuple[float, float]] = {}
    for body in profile.get("bodies") or ():
        name = words.clean(body.get("body"))
        for kind in (body, *(body.get("other_kinds") or ())):
            tones = kind.get("tones") or []
            isos = [v for t in tones if (v := t.get("iso")) and v > 0]
            if isos:
                span = (min(isos), max(isos))
                out[name, words.clean(kind.get("kind"))] = span
                out.setdefault((name, ""), span)
    return out


def _whole_stop(iso: float) -> bool:
    """ISO 100 and its doublings and halves, as engraved."""
    stops = math.log2(iso / 100)
    return abs(stops - round(stops)) < _WHOLE


def _near(iso: float, span: tuple[float, float] | None) -> bool:
    """Whether an ISO lies within reach of those used; a hair's breadth for engraved values."""
    return span is None or span[0] / REACH / _ENGRAVED <= iso <= span[1] * REACH * _ENGRAVED


def _table(
    rows: Sequence[Block], body: str, reference: str, kind: str,
    span: tuple[float, float] | None, reference_span: tuple[float, float] | None,
) -> dict[str, Any]:  # fmt: skip
    bands = list(dict.fromkeys(band_name(m) for m in rows))
    known = sorted({v for m in rows if (v := m.get("reference_iso")) and v > 0})
    isos = [v for v in known if _near(v, reference_span)]
    whole = [v for v in isos if _whole_stop(v)]
    thirds = len(whole) >= 4 and len(whole) < len(isos)
    by_place = {(m.get("reference_iso"), band_name(m)): m for m in rows}
    shown = [
        (iso, [_cell(by_place.get((iso, band)), span) for band in bands])
        for iso in (whole if thirds else isos)
    ]
    cells = [c for _, row in shown for c in row]
    return {
        "body": body, "reference": reference, "kind": kind, "bands": bands, "rows": shown,
        "thirds": thirds, "left_out": len(known) - len(isos),
        "lowest": span and span[0], "highest": span and span[1],
        "reference_span": reference_span,
        "under": any(c["text"].startswith("under") for c in cells),
        "over": any(c["text"].startswith("over") for c in cells),
        "predicted": any(c["predicted"] for c in cells),
    }  # fmt: skip


def _cell(match: Block | None, span: tuple[float, float] | None) -> dict[str, Any]:
    iso = (match or {}).get("iso")
    cell = {"text": "", "between": False, "predicted": False, "sort": iso or -1, "match": match}
    if not iso or match is None:
        return cell
    if span and iso < span[0]:
        return cell | {"text": f"under {span[0]:.0f}"}
    if span and not _near(iso, span):
        return cell | {"text": f"over {span[1] * REACH:.0f}"}
    return cell | {"text": f"{iso:.0f}", "between": True, "predicted": bool(match.get("predicted"))}
