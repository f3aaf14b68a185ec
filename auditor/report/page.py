"""Profile to `report.html`: one file that needs no network, opens quickly and reads without scripts.

The first screen answers; everything else lies folded under it, by gear. Text, rulers, charts and
tables are plain HTML and SVG. The frames behind the points of charts and long lists lie in the file
compressed (gzip, base64) and are unpacked by the page when they are asked for. A content security
policy in the page forbids every request.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

import pandas as pd
from markupsafe import Markup

from auditor.model import Body, Habit, Lens, Profile, Shot
from auditor.record.pictures import PictureSource
from auditor.report import (
    first_screen,
    scales,
    summary,
    words,
)
from auditor.report.decisions_view import decisions_view
from auditor.report.frames_behind import ROWS_PER_POINT, FrameIndex
from auditor.report.iso_words import (
    LEVELS,
    band_edges,
    band_name,
    band_sentence,
    highest_used,
    iso_limit,
    match_tables,
)
from auditor.report.keepers_view import keeper_groups, keeper_rows
from auditor.report.lens_chart import highest, lens_chart
from auditor.report.pictures import thumbs_within
from auditor.report.rendering import environment, pack, static
from auditor.report.sentences import (
    BUTTONS,
    inside_acceptable,
    lens_scale_sentence,
    right_sentence,
    scale_sentence,
    setting_lines,
)
from auditor.report.snr_chart import at_output, shown_signals, snr_chart
from auditor.report.svg_charts import css_variables, draw
from auditor.report.words import criterion

__all__ = ["prepare", "render_report"]

POINT_PICTURE_BYTES: Final = 6_000_000
"""Pictures of frames behind points may take so much of the page, which is to open quickly ..."""
KEEPER_PICTURE_BYTES: Final = 3_500_000
"""... and those of frames that fell short so much."""
ROWS_ALTOGETHER: Final = 90_000
"""Frames behind all points together, some 2 MB of the page ..."""
LEAST_ROWS: Final = 12
"""... but at least so many behind each."""
SOME_PATHS: Final = 20
"""So many files of those set aside for one reason are named; the tables name all."""
MOST_IN_USE: Final = 12
"""So many lenses in use have a line of their own; the rest fold under one."""


def prepare() -> None:
    """Make ahead what every page needs whatever it says."""
    environment().get_template("report.html.j2")


def _lens_view(
    lens: Lens,
    index: int,
    frames: FrameIndex,
    heights: Mapping[Any, int],
    pixels: Mapping[Any, Any],
) -> dict[str, Any]:
    parts = lens.get("focal_ranges") or []
    pitch, top = lens.get("pixel_pitch_um"), highest(lens)
    span = scales.used_span(parts)
    shown = []
    for i, part in enumerate(parts):
        chart = lens_chart(part, top, span, pitch) if top and span else None
        title = f"Sharpness against aperture at {words.focal(part.get('focal_mm'))}"
        shown.append(
            {
                "part": part,
                "key": f"l{index}r{i}",
                "index": i,
                "chart": draw(chart, title) if chart else None,
                "ruler": scales.aperture_ruler(part, span),
            }
        )
    return {
        "id": f"lens-{index}",
        "name": words.lens_name(lens),
        "body": words.body_beside(lens.get("lens"), lens.get("body")),
        "lens": lens,
        "frames": lens.get("frames") or 0,
        "sentence": summary.lens_sentence(lens, name="this lens"),
        "parts": shown,
        "main": max(parts, key=lambda p: p.get("frames") or 0) if parts else None,
        "pitch": pitch,
        "scale": lens_scale_sentence(pitch, pixels.get(lens.get("body"))),
        "best": top,
        "height": heights.get((lens.get("body"), lens.get("lens"))),
        "block": frames.lens_block(lens),
    }


def _body_view(
    body: Body,
    index: int,
    frames: FrameIndex,
    thresholds: dict[str, float],
    habits: list[Habit],
) -> dict[str, Any]:
    usable = [u for band in body.get("brightness") or () if (u := band.get("usable_iso"))]
    isos: list[float | None] = [t.get("iso") for t in body.get("tones") or ()]
    isos += [v for u in usable for v in (u.get("excellent"), u.get("acceptable"))]
    known = [v for v in isos if v]
    span = (min(known), max(known)) if known else None
    chart = snr_chart(body, thresholds)
    top = highest_used(body)
    return {
        "id": f"body-{index}",
        "name": words.known_name(body.get("body")) or summary.NAMELESS_BODY,
        "body": body,
        "frames": body.get("frames") or 0,
        "key": f"b{index}",
        "sentence": summary.body_sentence(body, "It"),
        "files": scale_sentence(body.get("scales"), body.get("pixel_pitch_um")),
        "habits": [
            h
            for h in habits
            if h.get("body") == body.get("body") and h.get("text") and h.get("frames")
        ],
        "chart": draw(chart, "Signal to noise against ISO") if chart else None,
        "signals": shown_signals(body),
        "at_output": at_output(body),
        "bands": [
            {
                "band": b,
                "name": band_name(b),
                "edges": band_edges(b),
                "limit": iso_limit(b, "acceptable", top),
                "says": band_sentence(b, top),
                "ruler": scales.iso_ruler(b.get("usable_iso"), span) if span else None,
            }
            for b in summary.by_light(body)
        ],
        "block": frames.body_block(body),
    }


def _heights(frames: pd.DataFrame | None) -> dict[Any, int]:
    """(body, lens) -> usual picture height in px (short side), for line widths per height."""
    if frames is None or not {"body", "lens", "width_px", "height_px"} <= set(frames.columns):
        return {}
    short = frames[["width_px", "height_px"]].apply(pd.to_numeric, errors="coerce").min(axis=1)
    groups = short.dropna().groupby([frames["body"], frames["lens"]])
    return {key: int(v) for key, v in groups.median().items()}


def _by_reason(rows: Any) -> list[tuple[str, int, list[str]]]:
    """(reason, files, some paths) of what was set aside or not read, most frequent first."""
    found: dict[str, list[str]] = {}
    for row in rows:
        reason = words.clean(row.get("reason")) or "no reason given"
        found.setdefault(reason, []).append(words.clean(row.get("path")))
    ordered = sorted(found.items(), key=lambda item: -len(item[1]))
    return [(why, len(paths), [p for p in paths if p][:SOME_PATHS]) for why, paths in ordered]


def _groups(profile: Profile, views: list[dict[str, Any]], what: str) -> list[tuple[str, Any]]:
    """(head, views) by role: gear in use first and without a head, then a closed line each."""
    of: dict[str, list[dict[str, Any]]] = {role: [] for role in first_screen.ROLES}
    silent: list[dict[str, Any]] = []
    for view in views:
        role = first_screen.role_of(profile, view[what])
        nothing = what == "body" and not view["chart"] and not view["bands"]
        (silent if nothing and role == "in use" else of[role]).append(view)
    used = of["in use"]
    out = [("", used[:MOST_IN_USE]), ("More that are in use", used[MOST_IN_USE:])]
    out += [(head, of[role]) for role, head in first_screen.ROLES.items() if role != "in use"]
    out.append(("Nothing can be told yet", silent))
    return [(head, found) for head, found in out if found]


def _about(profile: Profile) -> str:
    """'5,100 frames measured, 2019 to 2024, 110 files set aside · 28 November 2026'."""
    frames: Any = profile.get("frames") or {}
    bodies = (profile.get("gear") or {}).get("bodies") or []
    days = [d for b in bodies for d in (b.get("first"), b.get("last")) if d]
    told = [f"{words.count(frames.get('measured'))} measured"]
    if days:
        years = (min(days)[:4], max(days)[:4])
        told.append(years[0] if years[0] == years[1] else f"{years[0]} to {years[1]}")
    if aside := frames.get("set_aside"):
        told.append(f"{words.count(aside, 'file')} set aside")
    return f"{', '.join(told)} · {datetime.now().strftime('%-d %B %Y')}"


def _first_screen(profile: Profile, lenses: list[Lens], bodies: list[Body]) -> dict[str, Any]:
    lens_lines = first_screen.lens_lines(profile, lenses)
    body_lines = first_screen.body_lines(profile, bodies)
    return {
        "about": _about(profile),
        "looked_at": summary.looked_at(profile),
        "lens_lines": lens_lines[: summary.LENSES],
        "more_lenses": max(len(lenses) - min(len(lens_lines), summary.LENSES), 0),
        "body_lines": body_lines[: summary.BODIES],
        "more_bodies": max(len(bodies) - min(len(body_lines), summary.BODIES), 0),
        "no_lens": summary.NO_LENS,
        "costs": first_screen.costs(profile),
        "worst": " ".join(setting_lines(profile)),
        "afternoon": summary.next_line(profile),
    }


def _same_how(shots: list[Shot]) -> str | None:
    """How to set up all test frames, when they are several and it is the same for all."""
    said = {shot.get("how") for shot in shots}
    return said.pop() if len(said) == 1 and len(shots) > 1 else None


def _criteria(profile: Profile) -> dict[str, Any]:
    """The profile's criteria, the usual shares where it names none."""
    known = {name: criterion(profile, name) for name in ("pin_sharp", "acceptable")}
    return {**(profile.get("criteria") or {}), **known}


def thresholds(profile: Profile) -> dict[str, float]:
    """Signal-to-noise thresholds of the profile, the standard's where it names none."""
    return {level: criterion(profile, f"snr_{level}") for level in LEVELS}


def render_report(
    profile: Profile, frames: pd.DataFrame | None, pictures: PictureSource | None
) -> str:
    """The whole page as text."""
    lenses = summary.by_frames(profile.get("lenses") or [], "lens")
    bodies = summary.by_frames(profile.get("bodies") or [], "body")
    points = sum(len(p.get("apertures") or ()) for x in lenses for p in x.get("focal_ranges") or ())
    rows = min(ROWS_PER_POINT, ROWS_ALTOGETHER // max(points, 1))
    index = FrameIndex(frames, max(LEAST_ROWS, rows))
    heights = _heights(frames)
    pixels = {b.get("body"): b.get("pixel_pitch_um") for b in bodies}
    lens_views = [_lens_view(x, i, index, heights, pixels) for i, x in enumerate(lenses)]
    limits = thresholds(profile)
    habits = profile.get("habits") or []
    body_views = [_body_view(b, i, index, limits, habits) for i, b in enumerate(bodies)]
    keepers = profile.get("keepers") or []
    fallen, judged, causes = summary.keeper_counts(profile)
    groups = keeper_groups(keepers, causes, index, pictures, KEEPER_PICTURE_BYTES)
    thumbs = thumbs_within(pictures, index.wanted(), POINT_PICTURE_BYTES)
    shots = profile.get("next_shots") or []
    context = _first_screen(profile, lenses, bodies) | {
        "profile": profile,
        "decisions": decisions_view(profile),
        "lens_groups": _groups(profile, lens_views, "lens"),
        "body_groups": _groups(profile, body_views, "body"),
        "matches": match_tables(profile),
        "accepted": profile.get("accepted") or [],
        "comparisons": profile.get("comparisons") or [],
        "keeper_groups": groups,
        "keepers": keepers,
        "fallen": fallen,
        "judged": judged,
        "answers": BUTTONS.items(),
        "right": right_sentence(profile),
        "handheld": profile.get("handheld") or [],
        "keeper_rows": pack(keeper_rows(keepers)) if keepers else None,
        "settings": [
            {**s, "inside": inside_acceptable(profile, s)} for s in (profile.get("settings") or [])
        ],
        "shots": shots,
        "shot_frames": round(sum(s.get("frames") or 0 for s in shots)),
        "minutes": round(sum(s.get("minutes") or 0 for s in shots)),
        "unlisted_shots": round(profile.get("next_shots_unlisted") or 0),
        "same_how": _same_how(shots),
        "set_aside": _by_reason(profile.get("set_aside") or []),
        "unread": _by_reason(profile.get("unread_folders") or []),
        "criteria": _criteria(profile),
        "limits": limits,
        "blur_px": criterion(profile, "coc_pixels"),
        "blocks": {v["id"]: pack(v["block"]) for v in (*lens_views, *body_views) if v["block"]},
        "pictures": pack({index.picture_key(k): v for k, v in thumbs.items()}),
        "css": Markup(static("report.css")),
        "js": Markup("\n".join(static(f"{n}.js") for n in ("page", "charts", "frames"))),
        "day": Markup(css_variables(night=False)),
        "night": Markup(css_variables(night=True)),
    }
    return environment().get_template("report.html.j2").render(context)
