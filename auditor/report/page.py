"""Profile to `report.html`: one file that needs no network, opens quickly and reads without scripts.

The first screen answers; everything else lies folded under it, by gear. Text, rulers, charts and
tables are plain HTML and SVG. The frames behind the points of charts and long lists lie in the file
compressed (gzip, base64; their pictures, which are compressed already, as they are) and are unpacked by the
page when they are asked for. A content security policy in the page forbids every request.

Templates read the profile as it is typed in `model`; here stands what must be reckoned or drawn for them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from functools import partial
from itertools import groupby
from typing import Any, Final, NamedTuple

import pandas as pd
from markupsafe import Markup

from auditor.model import Body, Lens, NoiseVisible, Profile, Rival, Shot, VisibleLoss
from auditor.record.pictures import PictureSource
from auditor.report import first_screen, sentences, summary, words
from auditor.report.charts import highest, lens_chart, snr_chart
from auditor.report.frames_behind import Block, FrameIndex
from auditor.report.iso_words import FEW, LEVELS, match_tables
from auditor.report.keepers_view import keeper_groups, keeper_rows, thumbs_within
from auditor.report.rendering import environment, pack, static
from auditor.report.scales import used_span
from auditor.report.sentences import gear_faults
from auditor.report.words import criterion

__all__ = ["prepare", "render_report"]

PICTURE_BYTES: Final = 4_000_000
"""Pictures of frames behind points may take so much of the page, which is to open quickly, and those of frames that
fell short as much."""
SOME_PATHS: Final = 20
"""So many files of those set aside for one reason are named; the tables name all."""
MOST_IN_USE: Final = 12
"""So many lenses in use have a line of their own; the rest fold under one."""
MOST_SPOTS: Final = 12
"""Spots of dust that are shown; more are counted."""


class _LensView(NamedTuple):
    """A lens of the profile, and what is drawn of it."""

    id: str
    entry: Lens
    charts: list[Markup | None]
    """One for each of its focal ranges."""
    span: tuple[float, float] | None
    """Outermost f-numbers, for rulers that compare at sight."""
    best: float | None
    """Its highest figure (c/px) ..."""
    highest: float | None
    """... and the highest end of an interval."""
    height: int | None
    """Usual height of its pictures in px, for line widths per picture height."""
    block: Block | None
    """The frames behind its points."""


class _BodyView(NamedTuple):
    """A body of the profile, and what is drawn of it."""

    id: str
    entry: Body
    chart: Markup | None
    span: tuple[float, float] | None
    """Outermost ISO values used, for rulers that compare at sight."""
    block: Block | None
    """The frames behind its points."""


def prepare() -> None:
    """Make ahead what every page needs whatever it says."""
    environment().get_template("report.html.j2")


def _lens_view(lens: Lens, index: int, frames: FrameIndex) -> _LensView:
    parts = lens.get("focal_ranges") or []
    best, top = highest(lens)
    span = used_span(parts)
    pitch_um = lens.get("pixel_pitch_um")
    charts = [lens_chart(part, top, span, pitch_um) if top and span else None for part in parts]
    block = frames.lens_block(lens)
    return _LensView(f"lens-{index}", lens, charts, span, best, top, frames.height(lens), block)


def _body_view(
    body: Body, index: int, frames: FrameIndex, thresholds: Mapping[str, float]
) -> _BodyView:
    known = [iso for t in body.get("tones") or () if (iso := t.get("iso"))]
    span = (min(known), max(known)) if known else None
    chart = snr_chart(body, thresholds)
    return _BodyView(f"body-{index}", body, chart, span, frames.body_block(body))


def _by_reason(rows: Any) -> list[tuple[str, int, list[str]]]:
    """(reason, files, some paths) of what was set aside or not read, most frequent first."""
    found: dict[str, list[str]] = {}
    for row in rows:
        reason = words.clean(row.get("reason")) or "no reason given"
        found.setdefault(reason, []).append(words.clean(row.get("path")))
    ordered = sorted(found.items(), key=lambda item: -len(item[1]))
    return [(why, len(paths), [p for p in paths if p][:SOME_PATHS]) for why, paths in ordered]


def _groups(profile: Profile, views: list[Any]) -> list[tuple[str, Any]]:
    """(head, views) by role: gear in use first and without a head, then a closed line each."""
    of: dict[str, list[Any]] = {role: [] for role in first_screen.ROLES}
    nothing_known: list[Any] = []
    for view in views:
        role = first_screen.role_of(profile, view.entry)
        body = isinstance(view, _BodyView)
        nothing = body and not view.chart and not view.entry.get("brightness")
        (nothing_known if nothing and role == "in use" else of[role]).append(view)
    used = of["in use"]
    out = [("", used[:MOST_IN_USE]), ("More that are in use", used[MOST_IN_USE:])]
    out += [(head, of[role]) for role, head in first_screen.ROLES.items() if role != "in use"]
    out.append(("Nothing can be told yet", nothing_known))
    return [(head, found) for head, found in out if found]


def _about(profile: Profile) -> str:
    """'5,100 frames measured, 2019 to 2024, 110 files set aside · 28 November 2026'."""
    frames: Any = profile.get("frames") or {}
    bodies = (profile.get("gear") or {}).get("bodies") or []
    days = [d for b in bodies for d in (b.get("first"), b.get("last")) if d]
    parts = [f"{words.count(frames.get('measured'))} measured"]
    if copies := frames.get("copies"):
        parts.append(f"{copies:,} of them {'a copy' if copies == 1 else 'copies'}")
    if days:
        years = (min(days)[:4], max(days)[:4])
        parts.append(years[0] if years[0] == years[1] else f"{years[0]} to {years[1]}")
    if aside := frames.get("set_aside"):
        parts.append(f"{words.count(aside, 'file')} set aside")
    return f"{', '.join(parts)} · {datetime.now().strftime('%-d %B %Y')}"


def _first_screen(profile: Profile, lenses: list[Lens], bodies: list[Body]) -> dict[str, object]:
    lens_lines = first_screen.within_rows(first_screen.lens_lines(profile, lenses), summary.LENSES)
    body_lines = first_screen.body_lines(profile, bodies)[: summary.BODIES]
    return {
        "about": _about(profile),
        "looked_at": summary.looked_at(profile),
        "lens_lines": lens_lines,
        "more_lenses": first_screen.other_lenses(lenses, [line.lens for line in lens_lines]),
        "body_lines": body_lines,
        "more_bodies": len(bodies) - len(body_lines),
        "use_of": partial(first_screen.use_of, profile),
        "gear_faults": gear_faults(profile, lenses),
        "no_lens": summary.no_lens(lenses),
        "advice": first_screen.ADVICE,
        "worst": sentences.setting_sentence(profile),
        "afternoon": summary.next_line(profile),
    }


def _same_how(shots: list[Shot]) -> str | None:
    """How to set up all test frames, when they are several and it is the same for all."""
    ways = {shot.get("how") for shot in shots}
    return ways.pop() if len(ways) == 1 and len(shots) > 1 else None


def _unnamed(rival: Rival) -> bool:
    return not any(z.get("sharper") for z in (rival.get("zones") or {}).values())


def _visible(profile: Profile) -> list[list[VisibleLoss]]:
    """Losses, which lie lens by lens and range by range, a list for each."""

    def place(row: VisibleLoss) -> list[Any]:
        names = ("lens", "body", "converter", "lens_serial", "focal_mm")
        return [row.get(k) for k in names]

    return [list(rows) for _, rows in groupby(profile.get("visible") or [], key=place)]


def _noise(profile: Profile) -> dict[str | None, list[NoiseVisible]]:
    """How far noise hides, by body."""
    out: dict[str | None, list[NoiseVisible]] = {}
    for row in profile.get("noise_visible") or []:
        out.setdefault(row.get("body"), []).append(row)
    return out


def render_report(
    profile: Profile, frames: pd.DataFrame | FrameIndex | None, pictures: PictureSource | None
) -> str:
    """The whole page as HTML.

    Parameters
    ----------
    profile : Profile
        A profile as plain JSON (`words.plain`).
    frames : DataFrame or FrameIndex or None
        The frame table behind it, or what was found in it before.
    pictures : DataFrame or callable or None
        The small pictures by file id.

    Returns
    -------
    str
        One file without any reference to another.
    """
    lenses = first_screen.by_frames(profile.get("lenses") or [], "lens")
    bodies = first_screen.by_frames(profile.get("bodies") or [], "body")
    index = frames if isinstance(frames, FrameIndex) else FrameIndex(frames)
    index.begin()
    limits = {level: criterion(profile, f"snr_{level}") for level in LEVELS}
    lens_views = [_lens_view(x, i, index) for i, x in enumerate(lenses)]
    body_views = [_body_view(b, i, index, limits) for i, b in enumerate(bodies)]
    views: list[_LensView | _BodyView] = [*lens_views, *body_views]
    keepers = profile.get("keepers") or []
    fallen, judged, causes = summary.keeper_counts(profile)
    groups = keeper_groups(keepers, causes, pictures, PICTURE_BYTES)
    thumbs = thumbs_within(pictures, index.wanted(), PICTURE_BYTES)
    context = _first_screen(profile, lenses, bodies) | {
        "profile": profile,
        "criterion": partial(criterion, profile),
        "rivals": sorted(profile.get("rivals") or [], key=_unnamed),
        "visible": _visible(profile),
        "noise": _noise(profile),
        "most_spots": MOST_SPOTS,
        "lens_groups": _groups(profile, lens_views),
        "body_groups": _groups(profile, body_views),
        "pitches": {b.get("body"): b.get("pixel_pitch_um") for b in bodies},
        "matches": match_tables(profile),
        "keeper_groups": groups,
        "fallen": fallen,
        "costs": summary.worst(causes),
        "judged": judged,
        "few_judged": summary.FEW_JUDGED,
        "few_frames": FEW,
        "answers": sentences.BUTTONS,
        "right": sentences.right_sentence(profile),
        "keeper_rows": pack(keeper_rows(keepers)) if keepers else None,
        "inside_acceptable": partial(sentences.inside_acceptable, profile),
        "same_how": _same_how(profile.get("next_shots") or []),
        "set_aside": _by_reason(profile.get("set_aside") or []),
        "notices": profile.get("notices") or [],
        "unread": _by_reason(profile.get("unread_folders") or []),
        "blocks": {v.id: pack(v.block) for v in views if v.block},
        # Packing would make JPEGs in base64 an eighth smaller, and take as long as all else of the page.
        "pictures": Markup(json.dumps({index.picture_key(k): v for k, v in thumbs.items()})),
        "css": Markup(static("report.css")),
        "js": Markup("\n".join(static(f"{n}.js") for n in ("page", "charts", "frames"))),
        "day": Markup(static("day.css")),
        "night": Markup(static("night.css")),
    }
    return environment().get_template("report.html.j2").render(context)
