"""How far ISO may go in one band of light, in words: the figure, its interval, what it rests on; and what an
ISO on one body is worth on another, as tables.

Where a body was never used, its noise is only predicted from its own course: such figures stand in italics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from auditor.model import Band, Body, BodyKind, IsoMatch, Profile
from auditor.report import words
from auditor.report.scales import iso_stops

__all__ = [
    "FEW",
    "LEVELS",
    "IsoLimit",
    "MatchTable",
    "band_edges",
    "band_name",
    "by_light",
    "iso_limit",
    "kind_sentence",
    "limits_told",
    "match_tables",
    "no_light",
    "settled_bands",
    "short_frames",
    "shown_bands",
]

LEVELS: Final = ("excellent", "acceptable")


@dataclass(frozen=True, slots=True)
class IsoLimit:
    """The highest ISO of one level in one band; `iso` is None where no ISO reaches it."""

    iso: float | None
    low: float | None
    high: float | None
    beyond: bool
    """The limit lies higher still: the archive holds no frames at an ISO that would show it."""
    predicted: bool
    reason: str

    @property
    def hidden(self) -> bool:
        """No limit is given because texture hides the noise, not because ISO never reaches it."""
        return self.reason.startswith("not told")

    @property
    def missed(self) -> bool:
        """No limit is given because even the lowest ISO used is too noisy."""
        return self.reason.startswith("not reached")

    @property
    def text(self) -> str:
        """'ISO 800', 'at least ISO 200'; '' where there is none."""
        if self.iso is None:
            return ""
        return ("at least " if self.beyond else "") + words.iso(self.iso)

    @property
    def short(self) -> str:
        """'800', '≥200', 'none'."""
        if self.iso is None:
            return "?" if self.hidden else "none"
        return ("≥" if self.beyond else "") + f"{self.iso:.0f}"

    def between(self, to: str = " to ") -> str:
        """'640 to 1000' from the 90% interval, one figure where both ends are the same; '' where
        there is none, as for a limit of which only a lower bound is known."""
        if self.beyond or self.low is None or self.high is None:
            return ""
        if self.low == self.high:
            return f"{self.low:.0f}"
        return f"{self.low:.0f}{to}{self.high:.0f}"

    @property
    def why(self) -> str:
        """What the figure rests on: the interval, that it is predicted, or why there is no more."""
        if self.beyond:
            reason = self.reason.split(";", 1)[-1].strip()
            return f"predicted: {reason}" if self.predicted and reason else reason
        if self.iso is None:
            return self.reason
        told = words.surely(self.between()), "predicted" if self.predicted else ""
        return ", ".join(t for t in told if t)


_DARKEST_EV: Final = -6
"""Edges of bands from here down are beyond any scene and not named ..."""
_BRIGHTEST_EV: Final = 18
"""... as are those from here up."""


def iso_limit(band: Band, level: str) -> IsoLimit:
    """The limit of one of `LEVELS` in a band of the profile."""
    usable: Any = band.get("usable_iso") or {}
    detail: Any = (band.get("usable_iso_detail") or {}).get(level) or {}
    reason = words.clean(detail.get("reason"))
    beyond = reason.startswith("likely higher")
    return IsoLimit(
        usable.get(level) or None, detail.get("low"), detail.get("high"), beyond,
        bool(detail.get("predicted")), reason,
    )  # fmt: skip


def by_light(bands: Sequence[Band] | None) -> list[Band]:
    """Bands, the brightest first."""
    return sorted(bands or [], key=lambda b: -(words.pair(b.get("ev100"))[0] or 0))


FEW: Final = 5
"""Fewer frames than this, in a band of light or of a body, say nothing of its noise."""


def _noise_frames(body: Body | BodyKind) -> int | None:
    """Frames that tell of a body's noise, or of that of a kind of its files; None where the profile does not say."""
    used = body.get("frames_used")
    frames: Any = body.get("frames")
    return frames if used is None else used


def short_frames(band: Band) -> int | None:
    """Frames of a band for which its limits hold: not long exposures, which are noisier and kept apart."""
    frames = band.get("frames")
    return None if frames is None else frames - (band.get("long_exposures") or 0)


def shown_bands(body: Body | BodyKind) -> list[Band]:
    """Bands of light in which the body was used, the brightest first; none where fewer than `FEW` frames tell of
    its noise: limits in light that nobody photographed would all be predictions."""
    frames = _noise_frames(body)
    if frames is not None and frames < FEW:
        return []
    return [b for b in by_light(body.get("brightness")) if short_frames(b) != 0]


def no_light(body: Body | BodyKind) -> str:
    """What is said where frames tell of a body's noise and none of the light it was used in; else ''."""
    few = (_noise_frames(body) or 0) < FEW
    bands = body.get("brightness") or []
    if few or not bands or any(band.get("frames") != 0 for band in bands):
        return ""
    return "the light of its frames is not known, so neither is how far ISO may go in it"


def settled_bands(body: Body) -> list[Band]:
    """Bands whose limits may stand in a headline, the brightest first: enough frames have their light,
    some ISO is acceptable or none that was used, and enough frames of the body, on two outings, tell of its noise."""
    if (_noise_frames(body) or 0) < FEW or body.get("limits_firm") is False:
        return []
    return [
        b
        for b in by_light(body.get("brightness"))
        if ((limit := iso_limit(b, "acceptable")).iso or limit.missed)
        and (short_frames(b) or 0) >= FEW
    ]


def band_name(band: Band | IsoMatch) -> str:
    """The band's own name, or its edges in EV."""
    name = words.clean(band.get("band"))
    return name or band_edges(band) or "light not known"


def band_edges(band: Band | IsoMatch) -> str:
    """'EV 8 to 11', 'below EV 4', 'EV 13 and up'; outer edges beyond any scene are not named."""
    low, high = words.pair(band.get("ev100"))
    if low is not None and low <= _DARKEST_EV:
        low = None
    if high is not None and high >= _BRIGHTEST_EV:
        high = None
    if low is None:
        return "" if high is None else f"below EV {high:g}"
    return f"EV {low:g} and up" if high is None else f"EV {low:g} to {high:g}"


def _limit_words(level: str, limit: IsoLimit) -> str:
    if limit.hidden:
        return f"{level} to an ISO not told ({limit.reason.partition(': ')[2]})"
    if limit.iso is None:
        return f"never {level}" + (f" ({limit.why})" if limit.why else "")
    return f"{level} to {limit.text}" + (f" ({limit.why})" if limit.why else "")


def limits_told(band: Band) -> str:
    """'excellent to ISO 200 (90% interval 50 to 400), acceptable to ISO 2500 (...)'."""
    told = [_limit_words(level, iso_limit(band, level)) for level in LEVELS]
    return ", ".join(text for text in told if text)


def kind_sentence(kind: Body | BodyKind) -> str:
    """The limits of a further kind of file, bands that share a limit together; '' where frames are too few.

    'Excellent to at least ISO 200 (ISO 100 is the highest used) for overcast and bright sun; ...'
    """
    if text := no_light(kind):
        return text
    out = []
    for level in LEVELS:
        lights: dict[str, list[str]] = {}
        for band in reversed(shown_bands(kind)):
            if text := _limit_words(level, iso_limit(band, level)):
                lights.setdefault(text, []).append(band_name(band))
        out += [f"{text} for {words.join(names)}" for text, names in lights.items()]
    return "; ".join(out)


_ENGRAVED: Final = 1.02
"""Factor by which an engraved ISO may miss the whole third of a stop above another."""
_WHOLE: Final = 0.1
"""Stops from a whole one within which an engraved ISO is it."""
_SEVERAL: Final = 4
"""Whole stops from which on thirds between them are left out."""


class MatchTable(NamedTuple):
    """What the ISO of a reference body is worth on another body, by reference ISO and light."""

    body: str
    reference: str
    kind: str
    """Kind of file."""
    bands: list[str]
    rows: list[tuple[float, list[IsoMatch | None]]]
    """By reference ISO, in whole stops where there are several; None where nothing is known."""
    thirds: bool
    """Whether thirds of a stop are left out."""


def match_tables(profile: Profile) -> list[MatchTable]:
    """A table per pair of bodies and kind of file, from the lowest ISO at which the two were used."""
    lowest = {
        words.clean(body.get("body")): min(
            (iso for kind in (body, *(body.get("other_kinds") or ()))
             for t in kind.get("tones") or () if (iso := t.get("iso"))), default=0,
        )
        for body in profile.get("bodies") or ()
    }  # fmt: skip
    pairs: dict[tuple[str, str, str], list[IsoMatch]] = {}
    for m in profile.get("iso_matches") or ():
        body, reference, kind = (words.clean(m.get(k)) for k in ("body", "reference_body", "kind"))
        used = (m.get("reference_iso") or 0) * _ENGRAVED >= lowest.get(reference, 0)
        if body and reference and m.get("reference_iso") and used:
            pairs.setdefault((body, reference, kind), []).append(m)
    return [_table(rows, *names, lowest.get(names[0], 0)) for names, rows in pairs.items()]


def _whole_stop(iso: float) -> bool:
    """ISO 100 and its doublings and halves, as engraved."""
    return abs(iso_stops(iso) - round(iso_stops(iso))) < _WHOLE


def _table(
    rows: Sequence[IsoMatch], body: str, reference: str, kind: str, lowest: float
) -> MatchTable:
    bands = list(dict.fromkeys(band_name(m) for m in rows))
    isos = sorted({m["reference_iso"] or 0.0 for m in rows})
    whole = [v for v in isos if _whole_stop(v)]
    thirds = len(whole) >= _SEVERAL and len(whole) < len(isos)
    told = (m for m in rows if (m.get("iso") or 0) * _ENGRAVED >= lowest)
    by_place = {(m["reference_iso"], band_name(m)): m for m in told}
    shown = [
        (iso, [by_place.get((iso, band)) for band in bands]) for iso in (whole if thirds else isos)
    ]
    return MatchTable(body, reference, kind, bands, shown, thirds)
