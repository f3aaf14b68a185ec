"""A part of the profile in a sentence: habits, requests for test frames, answers, kinds of file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

from auditor.report import words
from auditor.report.profile_parts import Block, common, named

WIDE_STOPS: Final = 4.0
"""A handheld limit whose interval is wider than this is not told: it would advise nothing."""


def handheld_lines(profile: Block) -> list[str]:
    """The photographer's own handheld limit, a sentence per lens that has one."""
    out = []
    for h in profile.get("handheld") or []:
        limit, low, high = (h.get(k) for k in ("limit_stops", "low", "high"))
        if limit is None or low is None or high is None or high - low > WIDE_STOPS:
            continue
        name = named(words.lens_name(h)) if words.known_name(h.get("lens")) else "the unnamed lens"
        out.append(
            f"Held by hand, {name}: one frame in ten is shaken at {words.against_rule(limit)} "
            f"(90% interval {words.stops_between(low, high)}; {words.count(h.get('frames'))})."
        )
    return out


def setting_lines(profile: Block) -> list[str]:
    """The setting that stands out most, a sentence; [] where none does."""

    def excess(row: Block, key: str) -> float:
        return (row.get(key) or 0) - (row.get("usual_share") or 0)

    rows = [s for s in (profile.get("settings") or []) if s.get("setting")]
    if not rows:
        return []
    worst = max(rows, key=lambda s: max(excess(s, "soft_share"), excess(s, "noisy_share")))
    key = "soft" if excess(worst, "soft_share") >= excess(worst, "noisy_share") else "noisy"
    text = f"Watch {words.clean(worst.get('setting'))}"
    text += f" on the {named(worst.get('lens'))}" if worst.get("lens") else ""
    if worst.get(f"{key}_share") is None:
        return []
    share = words.percent(worst.get(f"{key}_share"))
    ends = [worst.get(k) for k in ("low", "high")]
    known = worst.get("fault") in (None, key) and None not in ends
    inside = (
        f" (90% interval {words.percent(ends[0])} to {words.percent(ends[1])})" if known else ""
    )
    text += f": {share} of {words.count(worst.get('frames'))} came out {key}{inside}"
    if worst.get("usual_share") is not None:
        text += f", where {words.percent(worst.get('usual_share'))} is usual"
    if inside_acceptable(profile, worst):
        text += f". {words.clean(worst.get('setting'))} is acceptable in the weaker of centre and "
        text += "corner, by which the ranges go; over the whole frame it is not"
    return [text + "."]


def inside_acceptable(profile: Block, row: Block) -> bool:
    """Whether a setting that came out soft is an aperture inside the lens's acceptable range, at
    every focal length: the ranges go by the weaker of centre and corner, softness by the whole frame.
    """
    known = re.fullmatch(r"f/(\d+(?:\.\d+)?)", str(row.get("setting")))
    if known is None or row.get("fault") == "noisy":
        return False
    n = float(known[1])
    for lens in profile.get("lenses") or []:
        if all(lens.get(k) == row.get(k) for k in ("lens", "body")):
            ends = common((lens.get("focal_ranges") or []), "acceptable")
            if ends and ends[0] <= n <= ends[1]:
                return True
    return False


def shot_name(shot: Block) -> str:
    """'Skarn 24-70mm f/4 + 1.4x at 24 mm on the Fell Two'; the body alone where only it matters."""
    lens, body = words.known_name(shot.get("lens")), words.known_name(shot.get("body"))
    if shot.get("iso") and not lens:
        return body or "The body not named in its files"
    body = words.body_beside(shot.get("lens"), shot.get("body"))
    name = words.lens_name(shot) if lens else "The lens not named in its files"
    focal = words.focal(shot.get("focal_mm"))
    return name + (f" at {focal}" if focal else "") + (f", on the {body}" if body else "")


def shot_line(shot: Block) -> str:
    """'9 frames: 3 at each of f/5.6, f/8 and f/11.'"""
    frames = round(shot.get("frames") or 0)
    apertures = [words.aperture(n) for n in shot.get("apertures") or () if n]
    isos = [words.iso(i) for i in shot.get("iso") or () if i]
    text = words.count(frames)
    steps = apertures or isos
    if steps:
        each, rest = divmod(frames, len(steps))
        text += f": {each} at each of " if len(steps) > 1 and each and not rest else " at "
        text += words.join(steps)
    minutes = shot.get("minutes")
    return f"{text}{f', about {minutes:.0f} minutes' if minutes else ''}."


BUTTONS: Final = {"meant": "meant", "fine": "fine", "bad": "indeed bad"}
"""Answer as it is stored -> as the page's buttons say it."""


def right_sentence(profile: Mapping[str, Any]) -> str:
    """How often the list was right here, by the photographer's answers; '' where none is known."""
    told = profile.get("answers") or {}
    count = told.get("listed")
    if not count:
        return ""
    text = f"Of {words.count(count, 'listed frame')} that you answered, "
    text += words.join(
        [
            f"{n:.0f} {'was' if n == 1 else 'were'} {said}"
            for key, said in (("bad", "indeed bad"), ("meant", "meant so"), ("fine", "fine"))
            if (n := told.get(key))
        ]
    )
    share, low, high = (told.get(k) for k in ("right_share", "low", "high"))
    if share is not None and low is not None and high is not None:
        text += (
            f": right in {words.percent(share)} (90% interval {words.percent(low)} to "
            f"{words.percent(high)})"
        )
    return text + "."


_KINDS: Final = {
    "raw": "raw",
    "camera full size": "the camera's own size",
    "camera reduced": "a smaller size of the camera's",
    "edited full size": "edited at full size",
    "edited reduced": "reduced",
    "cropped": "cropped",
    "enlarged": "enlarged",
    "unknown": "of unknown kind",
}
_SAME: Final = 0.03
"""Relative difference within which a file's pixel is the sensor's, as for kinds of file."""
_ONE_FIGURE_UM: Final = 0.005
"""Pixels that differ by less are given as one figure of two digits."""


def scale_sentence(scales: Any, pixel_um: Any) -> str | None:
    """Files by kind and scale; None where all are of the sensor's own pixels and nobody changed them."""
    own = words.number(pixel_um)
    told = [s for s in scales or [] if s.get("pixel_pitch_um")]
    if not told or all(_plain(s, own) for s in told):
        return None
    counts: dict[str, tuple[int, set[float]]] = {}
    for s in told:
        kind = _KINDS.get(str(s.get("file_kind")), _KINDS["unknown"])
        n, found = counts.get(kind, (0, set()))
        counts[kind] = n + int(s["frames"]), found | {float(s["pixel_pitch_um"])}
    parts = []
    for kind, (n, found) in counts.items():
        covers = f" ({_span(found)} µm a pixel)" if not _all_near(found, own) else ""
        parts.append(f"{n} {kind}{covers}")
    return f"Files: {words.join(parts)}."


def lens_scale_sentence(pitch_um: Any, pixel_um: Any) -> str | None:
    """What a pixel of the files covers from which a lens was judged, beside the sensor's own."""
    pitch, own = words.number(pitch_um), words.number(pixel_um)
    if pitch is None:
        return None
    if own is None or _all_near({pitch}, own):
        return f"Pixel pitch {pitch:.2f} µm."
    return f"A pixel of these files covers {pitch:.2f} µm of the sensor, whose own pixel is {own:.2f} µm."


def _plain(scale: Any, own: float | None) -> bool:
    kept = scale.get("file_kind") in ("raw", "camera full size")
    return kept and _all_near({float(scale["pixel_pitch_um"])}, own)


def _all_near(found: set[float], own: float | None) -> bool:
    return own is not None and all(abs(one / own - 1) <= _SAME for one in found)


def _span(found: set[float]) -> str:
    low, high = min(found), max(found)
    return f"{low:.2f}" if high - low < _ONE_FIGURE_UM else f"{low:.2f} to {high:.2f}"
