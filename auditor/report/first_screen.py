"""The first screen: which gear, which aperture and ISO, what cost most, what to shoot one afternoon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast

from auditor.model import Body, Lens, Profile
from auditor.report import words
from auditor.report.iso_words import IsoLimit, band_name, highest_used, iso_limit
from auditor.report.scales import Ruler, aperture_ruler, used_span
from auditor.report.summary import (
    FEW,
    FEWEST_LENSES,
    NAMELESS_BODY,
    by_frames,
    by_light,
    keeper_counts,
    settled,
    too_few_for_noise,
    use_of,
)

__all__ = ["ROLES", "BodyLine", "Cost", "LensLine", "body_lines", "costs", "lens_lines", "role_of"]

ROLES: Final = {
    "in use": "",
    "thin": "Thin evidence",
    "seldom used": "Seldom used",
    "single frames": "A few frames",
    "borrowed": "Borrowed or tried for a few weeks",
    "phone": "Phones",
    "not named": "Named neither lens nor body",
}
"""Roles of gear, in the order in which the page lists them, with the heads of their closed lines."""

WORTH_TELLING: Final = 0.002
"""Share of the frames judged that a cause must have cost (common practice, no source)."""

_ADVICE: Final = {
    "shake": "a faster shutter, or a tripod",
    "focus in front": "focus on the magnified picture, a little further away",
    "focus behind": "focus on the magnified picture, a little nearer",
    "missed focus": "focus on the magnified picture, then check it",
    "too small an aperture": "open up as far as the table allows",
    "open-aperture corners": "close down to the table's best",
    "underexposure": "expose brighter",
    "high ISO": "a lower ISO: a slower shutter, a tripod, a wider aperture",
    "noise at a low ISO": "expose brighter, lift shadows less",
    "noise": "expose brighter, or a lower ISO",
}
"""What helps against each cause (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LensLine:
    """One lens on one body, at the focal length with most frames."""

    id: str
    name: str
    body: str
    frames: float
    share: float | None
    at: str
    best: str
    use: str
    ruler: Ruler | None
    missing: str
    """Why there is no best aperture; '' where there is one."""
    thin: bool


@dataclass(frozen=True, slots=True)
class BodyLine:
    """How far ISO may go on one body, in the brightest and in the darkest light it was used in."""

    id: str
    name: str
    share: float | None
    limits: tuple[tuple[str, IsoLimit], ...]
    """(light, limit of the acceptable)."""


@dataclass(frozen=True, slots=True)
class Cost:
    """One cause, and what it cost."""

    cause: str
    frames: int
    share: float | None
    """Of the frames that could be judged."""
    advice: str


def role_of(profile: Profile, entry: Lens | Body) -> str:
    """One of `ROLES` for a lens or body of the profile; a lens in use that nothing is known of is
    'thin'. Profiles that say nothing of use have everything in use."""
    role = str(use_of(profile, entry).get("role"))
    if not words.known_name(entry.get("lens")) and not words.known_name(entry.get("body")):
        return "not named"
    if role == "in use" and "focal_ranges" in entry and not settled(cast(Lens, entry)):
        return "thin"
    return role


def lens_lines(profile: Profile, lenses: Sequence[Lens]) -> list[LensLine]:
    """Lines of the lenses in use, those with an answer first; `lenses` in the order of the page."""
    out = []
    for i, lens in enumerate(lenses):
        if role_of(profile, lens) not in ("in use", "thin"):
            continue
        parts = lens.get("focal_ranges") or []
        told = [p for p in parts if p.get("sweet_spot")] or parts
        if not told:
            continue
        main = max(told, key=lambda p: p.get("frames") or 0)
        best = words.best_aperture(main)
        reasons = [words.clean(r) for r in main.get("reasons") or () if r]
        out.append(
            LensLine(
                id=f"lens-{i}",
                name=words.lens_name(lens),
                body=words.body_beside(lens.get("lens"), lens.get("body")),
                frames=lens.get("frames") or 0,
                share=use_of(profile, lens).get("share"),
                at=words.focal(main.get("focal_mm")) if len(parts) > 1 else "",
                best=words.aperture(best) if best else "",
                use=words.aperture_range(main.get("pin_sharp"))
                or words.aperture_range(main.get("acceptable")),
                ruler=aperture_ruler(main, used_span([main])),
                missing="" if best else (reasons or ["not enough frames"])[0],
                thin=main.get("evidence") == "thin",
            )
        )
    sure = [line for line in out if line.best and not line.thin]
    if len(sure) >= FEWEST_LENSES:
        return sure
    return sorted(out, key=lambda line: (not line.best, line.thin, -line.frames))[:FEWEST_LENSES]


def body_lines(profile: Profile, bodies: Sequence[Body]) -> list[BodyLine]:
    """Lines of the bodies in use of which a limit is known."""
    out = []
    for i, body in enumerate(by_frames(bodies, "body")):
        if role_of(profile, body) != "in use" or too_few_for_noise(body):
            continue
        if body.get("limits_firm") is False:
            continue
        limits = [
            (words.clean(band_name(b)), limit)
            for b in by_light(body)
            if (b.get("frames") or 0) >= FEW
            and (limit := iso_limit(b, "acceptable", highest_used(body))).iso
        ]
        if limits:
            ends: tuple[tuple[str, IsoLimit], ...] = (limits[0], limits[-1])
            if limits[0][1].text == limits[-1][1].text:
                light = limits[0][0] if len(limits) == 1 else f"{limits[-1][0]} to {limits[0][0]}"
                ends = ((light, limits[0][1]),)
            name = words.known_name(body.get("body")) or NAMELESS_BODY
            out.append(BodyLine(f"body-{i}", name, use_of(profile, body).get("share"), ends))
    return out


def costs(profile: Profile) -> list[Cost]:
    """The three causes that cost most frames, the worst first."""
    _, judged, causes = keeper_counts(profile)
    top = sorted(causes.items(), key=lambda item: -item[1])[:3]
    return [
        Cost(cause, n, n / judged if judged else None, _ADVICE.get(cause, ""))
        for cause, n in top
        if not judged or n / judged >= WORTH_TELLING
    ]
