"""A part of the profile in a sentence: habits, requests for test frames, answers, kinds of file, and what seems to be
wrong with the gear itself."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final, cast

from auditor.gear.phones import one_aperture
from auditor.model import (
    Body,
    FocalRange,
    GearChange,
    Lens,
    Profile,
    Scale,
    Setting,
    Shot,
)
from auditor.report import words
from auditor.report.first_screen import role_of
from auditor.report.words import named, pair

__all__ = [
    "BUTTONS",
    "first_reason",
    "gear_faults",
    "inside_acceptable",
    "no_onset",
    "on_body",
    "possible_reasons",
    "right_sentence",
    "scale_sentence",
    "setting_sentence",
    "shot_line",
    "shot_name",
]


def setting_sentence(profile: Profile) -> str:
    """The setting that stands out most, which is the first; '' where none does."""
    worst = next((s for s in profile.get("settings") or [] if s.get("setting")), None)
    if worst is None:
        return ""
    noisy = worst.get("fault") == "noisy"
    share = worst.get("noisy_share") if noisy else worst.get("soft_share")
    if share is None:
        return ""
    setting = words.clean(worst.get("setting"))
    text = f"Watch {setting}"
    if words.known_name(worst.get("lens")):
        text += f" on the {named(words.lens_name(worst))}"
    text += on_body(profile, worst)
    text += f": {words.percent(share)} of {words.count(worst.get('frames'))} came out "
    text += ("noisy" if noisy else "soft") + words.share_interval(worst)
    if worst.get("usual_share") is not None:
        text += f", where {words.percent(worst.get('usual_share'))} is usual"
    if inside_acceptable(profile, worst):
        text += f". By the lens's curve {setting} is acceptable: movement or missed focus made these soft"
    return text + "."


def on_body(profile: Profile, entry: Lens | Setting | GearChange) -> str:
    """' on the Fell Two', where the archive has several bodies and the lens's name does not tell which."""
    several = len({words.clean(x.get("body")) for x in profile.get("lenses") or []}) > 1
    beside = words.body_beside(entry.get("lens"), entry.get("body"))
    return f" on the {words.short(beside)}" if several and beside else ""


def possible_reasons(lens: Lens, part: FocalRange) -> list[str]:
    """What a focal range's evidence lacks and the lens's as a whole does not say, without apertures that a small
    camera of one aperture has not got."""
    return [r for r in _possible(lens, part) if r not in (lens.get("reasons") or [])]


def first_reason(lens: Lens, part: FocalRange) -> str:
    """What a focal range's evidence lacks first of all, without apertures that the lens has not got."""
    return words.clean((_possible(lens, part) or ["not enough frames"])[0])


def _possible(lens: Lens, part: FocalRange) -> list[str]:
    one = one_aperture(lens, part)
    return [r for r in part.get("reasons") or [] if not (one and "more aperture" in r)]


def inside_acceptable(profile: Profile, row: Setting) -> bool:
    """Whether a setting that came out soft is an aperture inside the lens's acceptable range, at
    every focal length of which it is known, or that the setting names: no such frame is blamed on its aperture,
    so what made it soft is something else.
    """
    aperture = re.fullmatch(r"f/(\d+(?:\.\d+)?)(?: at (.+))?", str(row.get("setting")))
    if aperture is None or row.get("fault") == "noisy":
        return False
    n = float(aperture[1])
    ends = [
        pair(part.get("acceptable"))
        for lens in profile.get("lenses") or []
        if all(lens.get(k) == row.get(k) for k in ("lens", "body", "converter", "lens_serial"))
        for part in lens.get("focal_ranges") or []
        if part.get("acceptable") and aperture[2] in (None, _whole_focal(part))
    ]
    return bool(ends) and all((low or 0) <= n <= (high or 0) for low, high in ends)


def shot_name(shot: Shot) -> str:
    """'Skarn 24-70mm f/4 + 1.4x at 24 mm on the Fell Two'; the body alone where only it matters."""
    lens, body = words.known_name(shot.get("lens")), words.known_name(shot.get("body"))
    if shot.get("iso") and not lens:
        return body or "The body not named in its files"
    body = words.body_beside(shot.get("lens"), shot.get("body"))
    name = words.lens_name(shot) if lens else "The lens not named in its files"
    focal = words.focal(shot.get("focal_mm"))
    return name + (f" at {focal}" if focal else "") + (f", on the {body}" if body else "")


def shot_line(shot: Shot) -> str:
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


FEWEST_SEAMS: Final = 5
"""Frames at an aperture whose least and greatest bound their median at 90% (all on one side: 2 / 2^5)."""
_SEAMS: Final = (
    *("lateral_red_px_low", "lateral_red_px_high", "lateral_blue_px_low", "lateral_blue_px_high"),
    *("fringe_width_px_low", "fringe_width_px_high"),
)
_MEDIANS: Final = ("lateral_red_px", "lateral_blue_px", "fringe_width_px")


def no_onset(part: FocalRange, visible_px: float) -> str:
    """'none as wide as 1 px from f/2 to f/22 (47 frames)' where every aperture's interval stays under what shows;
    that it is not settled where one does not, where an aperture between them of few frames shows seams, or where
    there is one outing only; '' where no aperture has enough frames."""
    apertures = (part.get("fringing") or {}).get("by_aperture") or []
    enough = [s for s in apertures if (s.get("frames") or 0) >= FEWEST_SEAMS and s.get("f_number")]
    if not enough:
        return ""
    # Profiles of before outings were counted don't have them.
    seams = [s for s in enough if s.get("outings") != 1]
    if not seams:
        frames = words.count(sum(s.get("frames") or 0 for s in enough))
        return f"where they show is not settled ({frames}, of one outing at each aperture); another outing would tell"
    used = [s["f_number"] for s in seams]
    between = [s for s in apertures if min(used) <= (s.get("f_number") or 0) <= max(used)]
    frames = words.count(sum(s.get("frames") or 0 for s in between))
    widths = [words.number(s.get(key)) for s in seams for key in _SEAMS]
    medians = [words.number(s.get(key)) or 0 for s in between for key in _MEDIANS]
    if None in widths or any(abs(w or 0) >= visible_px for w in [*widths, *medians]):
        return f"where they show is not settled ({frames})"
    ends = words.aperture_range((min(used), max(used)))
    where = f"from {ends}" if " to " in ends else f"at {ends}"
    return f"none as wide as {visible_px:g} px {where} ({frames})"


def _whole_focal(part: FocalRange) -> str:
    """A focal range in whole millimetres, as settings name it."""
    return words.focal([round(mm) for mm in part.get("focal_mm") or () if mm])


BUTTONS: Final = {"meant": "meant", "fine": "fine", "bad": "indeed bad"}
"""Answer as it is stored -> as the page's buttons say it."""


def right_sentence(profile: Profile) -> str:
    """How often the list was right here, by the photographer's answers; '' where none is known."""
    answers = profile.get("answers") or {}
    if not answers.get("listed"):
        return ""
    counts = (
        (answers.get("bad"), "indeed bad"),
        (answers.get("meant"), "meant so"),
        (answers.get("fine"), "fine"),
    )
    text = f"Of {words.count(answers.get('listed'), 'listed frame')} that you answered, "
    text += words.join([f"{n} {'was' if n == 1 else 'were'} {said}" for n, said in counts if n])
    inside = words.share_interval(answers)
    if inside and answers.get("right_share") is not None:
        text += f": right in {words.percent(answers.get('right_share'))}{inside}"
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


def scale_sentence(scales: Sequence[Scale] | None) -> str:
    """Files by kind; '' where all have the sensor's own pixels and nobody changed them."""
    counts: Counter[str] = Counter()
    for s in scales or []:
        counts[_KINDS.get(str(s.get("file_kind")), _KINDS["unknown"])] += s.get("frames") or 0
    if set(counts) <= {_KINDS["raw"], _KINDS["camera full size"]}:
        return ""
    return f"Files: {words.join([f'{n} {kind}' for kind, n in counts.items()])}."


_MOST_FAULTS: Final = 3
"""So many faults of the gear are told at once; the page holds all of them."""
_DECENTRED: Final = "probably decentred"
"""How the verdict on a lens's sides begins where one is softer."""
_CHANCE: Final = 0.1
"""Chance, over all lenses and focal ranges whose sides were looked at, that a sound one is named (Bonferroni; the
share of settings to avoid that may be named by chance is the same). Beside its lens one sound one in fifty is said
to be decentred: scenes have sides of their own."""


def gear_faults(profile: Profile, lenses: Sequence[Lens]) -> list[str]:
    """Sentences on lenses and bodies that changed, lenses that are decentred or focus beside the subject, and dust.

    Parameters
    ----------
    profile : Profile
        As plain JSON.
    lenses : sequence of Lens
        Its lenses in the order of the page.

    Returns
    -------
    list of str
        At most `_MOST_FAULTS`; names stand between `NAME_START` and `NAME_END`.
    """
    found = [*_changes(profile), *_decentred(profile, lenses), *_focus(profile), *_dust(profile)]
    return found[:_MOST_FAULTS]


def _changes(profile: Profile) -> Iterator[str]:
    for c in profile.get("changes") or []:
        text = words.clean(c.get("text"))
        if not text:
            continue
        lens, body = c.get("lens"), words.known_name(c.get("body")) or "a body not named"
        what = f"{named(words.lens_name(c))}{on_body(profile, c)}" if lens else named(body)
        yield f"{what}: {text[:1].lower()}{text[1:]}."


def _decentred(profile: Profile, lenses: Sequence[Lens]) -> Iterator[str]:
    """Those that stand up to all having been looked at; what is less sure stands with its lens."""
    looked_at = [
        (lens, part, sides)
        for lens in lenses
        for part in lens.get("focal_ranges") or []
        if (sides := part.get("sides"))
    ]
    for lens, part, sides in looked_at:
        verdict, sure = words.clean(sides.get("verdict")), sides.get("confidence")
        if (
            role_of(profile, lens) not in ("in use", "thin")
            or not verdict.startswith(_DECENTRED)
            or (sure is not None and (1 - sure) * len(looked_at) > _CHANCE)
        ):
            continue
        several = len(lens.get("focal_ranges") or []) > 1 and part.get("focal_mm")
        at = f" at {words.focal(part.get('focal_mm'))}" if several else ""
        inside = f"{words.certainty(sure)} sure; " if sure is not None else ""
        inside += words.count(sides.get("frames"))
        yield f"{named(words.lens_name(lens))}{on_body(profile, lens)} is {verdict}{at} ({inside})."


def _focus(profile: Profile) -> Iterator[str]:
    for f in profile.get("focus_bias") or []:
        if text := words.clean(f.get("text")):
            yield f"{text}."


def _dust(profile: Profile) -> Iterator[str]:
    """One sentence for each body in use whose spots have not gone."""
    last: dict[str, list[str]] = {}
    for spot in profile.get("dust") or []:
        body = cast(Body, {"body": spot.get("body")})
        if not spot.get("gone_by") and role_of(profile, body) == "in use":
            last.setdefault(words.known_name(spot.get("body")), []).append(spot.get("last") or "")
    for name, days in last.items():
        seen = f", last seen on {max(days)}" if max(days) else ""
        yield f"Dust on the sensor of the {named(name)}: {words.count(len(days), 'spot')}{seen}."
