"""How far ISO may go in one band of light, in words: the figure, its interval, what it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from auditor.report import words
from auditor.report.profile_parts import Block

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
    def untold(self) -> bool:
        """No limit is given because texture hides the noise, not because ISO never reaches it."""
        return self.reason.startswith("not told")

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
            return "?" if self.untold else "none"
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
        ends = self.between()
        found = "" if not ends else f"90% interval {ends}" if " " in ends else f"90% sure of {ends}"
        return ", ".join(t for t in (found, "predicted" if self.predicted else "") if t)


FAR_STOPS: Final = 1.0
"""No limit is given that lies further than this above the highest ISO the body was used at."""
_ENGRAVED: Final = 1.01
"""Factor by which an engraved ISO may miss the whole third of a stop above another."""
_DARKEST_EV: Final = -6
"""Edges of bands from here down are beyond any scene and not named ..."""
_BRIGHTEST_EV: Final = 18
"""... as are those from here up."""


def highest_used(body: Block) -> float | None:
    """The highest ISO of which a body (or a kind of its files) has frames; None where unknown."""
    seen = [iso for t in body.get("tones") or () if (iso := t.get("iso"))]
    return max(seen, default=None)


def iso_limit(band: Block, level: str, highest: float | None = None) -> IsoLimit:
    """The limit of one of `LEVELS` in a band of the profile.

    `highest`: the highest ISO the body was used at. A limit far above it is given as 'at least' that.
    """
    limit = _limit(band, level)
    if limit.iso is None or not highest or limit.iso <= highest * 2**FAR_STOPS * _ENGRAVED:
        return limit
    reason = f"likely higher; {words.iso(highest)} is the highest used"
    return IsoLimit(highest, None, None, True, False, reason)


def _limit(band: Block, level: str) -> IsoLimit:
    detail = (band.get("usable_iso_detail") or {}).get(level) or {}
    reason = words.clean(detail.get("reason"))
    low, high = (detail.get(k) for k in ("low", "high"))
    return IsoLimit(
        (band.get("usable_iso") or {}).get(level) or None, low, high,
        reason.startswith("likely higher"), bool(detail.get("predicted")), reason,
    )  # fmt: skip


def band_name(band: Block) -> str:
    """The band's own name, or its edges in EV."""
    name = words.clean(band.get("band") or band.get("name"))
    return name or band_edges(band) or "light not known"


def band_edges(band: Block) -> str:
    """'EV 8 to 11', 'below EV 4', 'EV 13 and up'; outer edges beyond any scene are not named."""
    low, high = (words.number(v) for v in [*(band.get("ev100") or ()), None, None][:2])
    if low is not None and low <= _DARKEST_EV:
        low = None
    if high is not None and high >= _BRIGHTEST_EV:
        high = None
    if low is None:
        return "" if high is None else f"below EV {high:g}"
    return f"EV {low:g} and up" if high is None else f"EV {low:g} to {high:g}"


def _told(level: str, limit: IsoLimit) -> str:
    if limit.untold:
        return f"{level}: {limit.reason}"
    if limit.iso is None:
        return f"never {level} ({limit.why})" if limit.why else ""
    return f"{level} to {limit.text}" + (f" ({limit.why})" if limit.why else "")


def band_sentence(band: Block, highest: float | None = None) -> str:
    """'excellent to ISO 200 (90% interval 50 to 400), acceptable to ISO 2500 (...)'; '' where the
    profile holds nothing but the bare figures."""
    limits = [iso_limit(band, level, highest) for level in LEVELS]
    if not any(limit.why for limit in limits):
        return ""
    return ", ".join(
        text for level, limit in zip(LEVELS, limits, strict=True) if (text := _told(level, limit))
    )


def kind_sentence(kind: Block) -> str:
    """The limits of a further kind of file, bands that share a limit together; '' where none is known.

    'Excellent to at least ISO 200 (ISO 100 is the highest used) for overcast and bright sun; ...'
    """
    out = []
    top = highest_used(kind)
    for level in LEVELS:
        lights: dict[str, list[str]] = {}
        for band in kind.get("brightness") or ():
            if isinstance(band, Mapping) and (text := _told(level, iso_limit(band, level, top))):
                lights.setdefault(text, []).append(band_name(band))
        out += [f"{text} for {words.join(names)}" for text, names in lights.items()]
    return "; ".join(out)
