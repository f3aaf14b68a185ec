"""Profile to `report.html`: one file that needs no network, opens quickly and reads without scripts.

Text, rulers and tables are plain HTML. Charts, the frames behind their points and long lists lie in
the file compressed (gzip, base64) and are unpacked by the page when they come into view or are asked
for. A content security policy in the page forbids every request.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from typing import Any, Final

import pandas as pd
from bokeh.resources import Resources
from markupsafe import Markup

from auditor.report import (
    card,
    lens_chart,
    mould,
    palette,
    ruler,
    snr_chart,
    still,
    summary,
    words,
)
from auditor.report.frames_behind import FrameIndex
from auditor.report.iso_words import band_sentence, iso_limit
from auditor.report.keepers_view import keeper_groups, keeper_rows
from auditor.report.matches_view import match_tables
from auditor.report.paper import environment, pack, static
from auditor.report.pictures import PictureSource, thumbs_within
from auditor.report.scale_words import scale_sentence

__all__ = ["prepare", "render_report"]

POINT_PICTURE_BYTES: Final = 6_000_000
KEEPER_PICTURE_BYTES: Final = 3_500_000
ROWS_ALTOGETHER: Final = 90_000
OPEN_LENSES: Final = 6
MOST_SHOTS: Final = 5

Block = Mapping[str, Any]
Chart = tuple[Markup | None, Markup | None]
"""A chart to be drawn by the page, packed, and the same standing still; None for none."""


@cache
def _bokeh() -> Markup:
    """BokehJS without widgets, tables and mathematics, packed."""
    return pack("\n".join(Resources(mode="inline", components=["bokeh"]).js_raw))


def prepare() -> None:
    """Make ahead what every page needs whatever it says: moulds, templates, the chart library."""
    lens_chart.chart_mould()
    snr_chart.chart_mould()
    environment().get_template("report.html.j2")
    _bokeh()


def _lens_view(
    lens: Block, index: int, frames: FrameIndex, heights: Mapping[Any, int]
) -> dict[str, Any]:
    parts = [p for p in lens.get("focal_ranges") or () if isinstance(p, Mapping)]
    pitch, top = words.number(lens.get("pixel_pitch_um")), lens_chart.highest(lens)
    span = ruler.used_span(parts)
    charts: list[Chart] = []
    for i, part in enumerate(parts):
        values = lens_chart.lens_values(part, top, span, pitch) if top and span else None
        if values is None:
            charts.append((None, None))
            continue
        chart = mould.fill(lens_chart.chart_mould(), values, f"l{index}r{i}")
        title = f"Sharpness against aperture at {words.focal(part.get('focal_mm'))}"
        charts.append((pack(chart), still.lens_still(values, title)))
    return {
        "id": f"lens-{index}",
        "name": words.lens_name(lens),
        "body": words.body_beside(lens.get("lens"), lens.get("body")),
        "lens": lens,
        "frames": words.number(lens.get("frames")) or 0,
        "sentence": summary.lens_sentence(lens, name="this lens"),
        "parts": [
            {
                "part": p,
                "key": f"l{index}r{i}",
                "index": i,
                "chart": charts[i][0],
                "still": charts[i][1],
                "ruler": ruler.aperture_ruler(p, span),
            }
            for i, p in enumerate(parts)
        ],
        "main": max(parts, key=lambda p: words.number(p.get("frames")) or 0) if parts else None,
        "pitch": pitch,
        "best": top,
        "height": heights.get((lens.get("body"), lens.get("lens"))),
        "block": frames.lens_block(lens),
        "open": index < OPEN_LENSES,
    }


def _body_view(
    body: Block,
    index: int,
    frames: FrameIndex,
    thresholds: dict[str, float],
    habits: list[Block],
) -> dict[str, Any]:
    limits = [
        v
        for band in body.get("brightness") or ()
        for v in (words.number(x) for x in (band.get("usable_iso") or {}).values())
        if v
    ]
    isos = [v for t in body.get("tones") or () if (v := words.number(t.get("iso"))) and v > 0]
    span = (min(isos + limits), max(isos + limits)) if isos + limits else None
    values = snr_chart.snr_values(body, thresholds)
    chart = values and mould.fill(snr_chart.chart_mould(), values, f"b{index}")
    return {
        "id": f"body-{index}",
        "name": words.known_name(body.get("body")) or "Unnamed body",
        "body": body,
        "key": f"b{index}",
        "sentence": summary.body_sentence(body, "It"),
        "files": scale_sentence(body.get("scales"), body.get("pixel_pitch_um")),
        "habits": [
            h
            for h in habits
            if h.get("body") == body.get("body") and h.get("text") and h.get("frames")
        ],
        "chart": pack(chart) if chart else None,
        "still": still.noise_still(values, "Signal to noise against ISO") if values else None,
        "signals": snr_chart.shown_signals(body),
        "at_output": snr_chart.at_output(body),
        "bands": [
            {
                "band": b,
                "name": summary.band_name(b),
                "edges": summary.band_edges(b),
                "limit": iso_limit(b, "acceptable"),
                "says": band_sentence(b),
                "ruler": ruler.iso_ruler(b.get("usable_iso") or {}, span) if span else None,
            }
            for b in summary.by_light(body)
        ],
        "block": frames.body_block(body),
    }


def _topics(profile: Block) -> list[tuple[str, list[str]]]:
    """The summary's sentences gathered under their topics."""
    out: dict[str, list[str]] = {}
    for finding in summary.findings(profile):
        out.setdefault(finding.topic, []).append(finding.text)
    return list(out.items())


def _heights(frames: pd.DataFrame | None) -> dict[Any, int]:
    """(body, lens) -> usual picture height in px (short side), for line widths per height."""
    if frames is None or not {"body", "lens", "width_px", "height_px"} <= set(frames.columns):
        return {}
    short = frames[["width_px", "height_px"]].apply(pd.to_numeric, errors="coerce").min(axis=1)
    groups = short.dropna().groupby([frames["body"], frames["lens"]])
    return {key: int(v) for key, v in groups.median().items()}


def _set_aside(profile: Block) -> list[tuple[str, int, list[str]]]:
    """(reason, files, some paths), most frequent first."""
    found = profile.get("set_aside")
    if isinstance(found, Mapping):
        return sorted(
            ((words.clean(k), int(words.number(v) or 0), []) for k, v in found.items()),
            key=lambda r: -r[1],
        )
    counts: Counter[str] = Counter()
    paths: dict[str, list[str]] = {}
    for row in found or ():
        if isinstance(row, Mapping):
            reason = words.clean(row.get("reason")) or "no reason given"
            counts[reason] += int(words.number(row.get("files") or row.get("frames")) or 1)
            more = (
                row.get("paths")
                or row.get("examples")
                or ([row["path"]] if row.get("path") else [])
            )
            paths.setdefault(reason, []).extend(words.clean(p) for p in more)
    return [(reason, n, paths[reason][:20]) for reason, n in counts.most_common()]


def _same(rows: Any, key: str) -> str | None:
    """What all rows say under a key, when they are several and say the same."""
    said = {row.get(key) for row in rows or () if isinstance(row, Mapping)}
    return said.pop() if len(said) == 1 and len(rows) > 1 else None


def thresholds(profile: Block) -> dict[str, float]:
    """Signal-to-noise thresholds of the profile, the standard's where it names none."""
    criteria = profile.get("criteria") or {}
    return {
        "excellent": words.number(criteria.get("snr_excellent")) or 40.0,
        "acceptable": words.number(criteria.get("snr_acceptable")) or 10.0,
    }


def render_report(profile: Block, frames: pd.DataFrame | None, pictures: PictureSource) -> str:
    """The whole page as text."""
    lenses, bodies = (
        summary.by_frames([x for x in profile.get(many) or () if isinstance(x, Mapping)], one)
        for many, one in (("lenses", "lens"), ("bodies", "body"))
    )
    points = sum(len(p.get("apertures") or ()) for x in lenses for p in x.get("focal_ranges") or ())
    index = FrameIndex(frames, max(12, min(150, ROWS_ALTOGETHER // max(points, 1))))
    heights = _heights(frames)
    lens_views = [_lens_view(x, i, index, heights) for i, x in enumerate(lenses)]
    limits = thresholds(profile)
    habits = [h for h in profile.get("habits") or () if isinstance(h, Mapping)]
    body_views = [_body_view(b, i, index, limits, habits) for i, b in enumerate(bodies)]
    keepers = [k for k in profile.get("keepers") or () if isinstance(k, Mapping)]
    groups = keeper_groups(
        keepers, summary.keeper_counts(profile)[2], index, pictures, KEEPER_PICTURE_BYTES
    )
    thumbs = thumbs_within(pictures, index.wanted(), POINT_PICTURE_BYTES)
    context = {
        "profile": profile,
        "topics": _topics(profile),
        "lenses": lens_views,
        "bodies": body_views,
        "matches": match_tables(profile),
        "accepted": [a for a in profile.get("accepted") or () if isinstance(a, Mapping)],
        "comparisons": [c for c in profile.get("comparisons") or () if isinstance(c, Mapping)],
        "keeper_groups": groups,
        "keepers": keepers,
        "fallen": summary.keeper_counts(profile)[0],
        "handheld": [h for h in profile.get("handheld") or () if isinstance(h, Mapping)],
        "keeper_rows": pack(keeper_rows(keepers)) if keepers else None,
        "settings": [
            {**s, "inside": summary.inside_acceptable(profile, s)}
            for s in profile.get("settings") or ()
            if isinstance(s, Mapping)
        ],
        "shots": [s for s in profile.get("next_shots") or () if isinstance(s, Mapping)],
        "most_shots": MOST_SHOTS,
        "unlisted_shots": round(words.number(profile.get("next_shots_unlisted")) or 0),
        "same_how": _same(profile.get("next_shots"), "how"),
        "set_aside": _set_aside(profile),
        "unread": _set_aside({"set_aside": profile.get("unread_folders")}),
        "criteria": profile.get("criteria") or {},
        "limits": limits,
        "blur_px": words.number((profile.get("criteria") or {}).get("coc_pixels")) or card.BLUR_PX,
        "made": datetime.now().strftime("%-d %B %Y"),
        "blocks": {v["id"]: pack(v["block"]) for v in (*lens_views, *body_views) if v["block"]},
        "pictures": pack({index.picture_key(k): v for k, v in thumbs.items()}),
        "bokeh": _bokeh(),
        "css": Markup(static("report.css")),
        "js": Markup("\n".join(static(f"{n}.js") for n in ("page", "charts", "frames"))),
        "day": Markup(palette.css_variables(night=False)),
        "night": Markup(palette.css_variables(night=True)),
        "night_swaps": pack(palette.night_swaps()),
    }
    return environment().get_template("report.html.j2").render(context)
