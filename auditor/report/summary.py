"""What was found, in plain sentences: the head of the page and the end of a run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.model import (
    Body,
    FocalRange,
    Frames,
    Lens,
    Profile,
)
from auditor.report import words
from auditor.report.first_screen import (
    BodyLine,
    LensLine,
    body_lines,
    by_frames,
    distinct,
    lens_lines,
    other_lenses,
)
from auditor.report.sentences import gear_faults
from auditor.report.words import NAME_END, NAME_START, named, plain, short

__all__ = [
    "BODIES",
    "NAMELESS_BODY",
    "filter_words",
    "findings",
    "keeper_counts",
    "looked_at",
    "next_line",
    "no_lens",
    "summary_lines",
    "worst",
]

LENSES: Final = 6
"""So many lenses, the most used first, stand on the first screen, which has as many rows of apertures, and have
their own sentence ..."""

BODIES: Final = 4
"""... and so many bodies; the rest are counted."""

FEW_JUDGED: Final = 20
"""Of fewer frames no share is given in percent: one frame would be 5% and more."""

NAMELESS_BODY: Final = "Body not named in its files"


def _lens_line(line: LensLine) -> str:
    """The best aperture of a lens, focal range by focal range; what is missing where none is known."""
    lens, several = line.lens, len(line.lens.get("focal_ranges") or []) > 1
    name = named(words.lens_name(lens))
    if beside := words.body_beside(lens.get("lens"), lens.get("body")):
        name += f" on the {short(beside)}"
    if files := words.clean(lens.get("files")):
        return f"{name}: {files} only; no aperture is advised."
    if line.parts:
        return f"{name}: best at {'; '.join(_best(part, several) for part in line.parts)}."
    return f"{name}: {words.count(lens.get('frames'))}, best aperture not settled."


def _best(part: FocalRange, several: bool) -> str:
    """'f/8 at 24 mm (90% interval f/7.1 to f/9; 412 frames)'."""
    sweet = part.get("sweet_spot")
    ends = words.aperture_range([sweet.get("low"), sweet.get("high")]) if sweet else ""
    inside = [words.best_at_end(part)]
    inside += [words.surely(ends)]
    inside += [words.count(part.get("frames") or 0)]
    inside += ["thin evidence"] if part.get("evidence") == "thin" else []
    focal = words.focal(part.get("focal_mm")) if several else ""
    at = f" at {focal}" if focal else ""
    return f"{words.aperture(words.best_aperture(part))}{at} ({'; '.join(i for i in inside if i)})"


def no_lens(lenses: Sequence[Lens]) -> str:
    """What to say where there is no lens, or none with a name; '' otherwise."""
    if not lenses:
        return "No lens could be judged: no measured frame names its lens and aperture."
    if any(words.known_name(x.get("lens")) for x in lenses):
        return ""
    return "No measured frame names its lens: a body's frames are taken for those of one lens."


def _body_line(line: BodyLine) -> str:
    """How far ISO may go on a body, light by light."""
    known = words.known_name(line.body.get("body"))
    told = []
    for light, limit, frames in line.limits:
        inside = "; ".join(t for t in (limit.why, words.count(frames)) if t)
        upto = (
            "no ISO that was used is acceptable"
            if limit.missed
            else f"acceptable up to {limit.text}"
        )
        told.append(f"{upto} for {words.clean(light)} ({inside})")
    return f"{named(known or NAMELESS_BODY)}: {'; '.join(told)}."


def keeper_counts(profile: Profile) -> tuple[int, int | None, dict[str, int]]:
    """Counts of frames softer or noisier than they had to be.

    Parameters
    ----------
    profile : Profile
        With `verdicts`, which count all of them, or `keepers`, which may hold only the most probable.

    Returns
    -------
    total : int
        Frames that fell short.
    judged : int or None
        Frames that could be judged.
    causes : dict of int
        By cause.
    """
    verdicts, keepers = profile.get("verdicts") or {}, (profile.get("keepers") or [])
    causes = {words.clean(k): int(n) for k, n in (verdicts.get("causes") or {}).items() if n}
    if not causes:
        causes = dict(Counter(words.clean(k.get("cause")) or "no cause found" for k in keepers))
    judged = verdicts.get("judged")
    if judged is None:
        judged = (profile.get("frames") or {}).get("measured")
    total = max(sum(causes.values()), len(keepers))
    return total, None if judged is None else round(judged), causes


def worst(causes: Mapping[str, int]) -> list[tuple[str, int]]:
    """The three causes that cost most frames, the worst first."""
    return sorted(causes.items(), key=lambda item: -item[1])[:3]


def _keepers(profile: Profile) -> list[str]:
    total, judged, causes = keeper_counts(profile)
    if not total:
        return []
    causes_text = words.join([f"{cause} ({n:,})" for cause, n in worst(causes)])
    of = f", {words.percent(total / judged)} of the {judged:,} judged," if judged else ""
    if judged and judged < FEW_JUDGED:
        of = f" of the {judged} judged" if judged > 1 else ", the only one judged,"
    return [
        f"{words.count(total)}{of} came out softer or noisier than the settings had to be; "
        f"most often: {causes_text}."
    ]


def next_line(profile: Profile) -> str:
    """What an afternoon's test frames would settle, a sentence."""
    note = words.clean(profile.get("next_shots_note"))
    shots = profile.get("next_shots") or []
    if note or not shots:
        return note or "Nothing is left open that a few test frames would settle."
    frames = sum(round(s.get("frames") or 0) for s in shots)
    minutes = sum(s.get("minutes") or 0 for s in shots)
    gear = [words.known_name(s.get("lens")) or words.known_name(s.get("body")) for s in shots]
    first = list(dict.fromkeys(g for g in gear if g))[:3]
    about = f" about {words.join([f'the {short(g)}' for g in first])}" if first else ""
    time = f" in about {minutes:.0f} minutes" if minutes else ""
    return f"{words.count(frames, 'test frame')}{time} would settle most of what is open{about}."


def filter_words(profile: Profile) -> str:
    """Which part of the frames the profile looks at, in plain words; '' for all of them."""
    filtered = words.clean((profile.get("filter") or {}).get("words"))
    left_out = words.clean((profile.get("gear") or {}).get("left_out"))
    return "; ".join(t for t in (filtered, f"left out: {left_out}" if left_out else "") if t)


def looked_at(profile: Profile) -> str:
    """'2 of the 5 frames measured are looked at here (lens "Tarn")'; '' for all of them."""
    restriction = filter_words(profile)
    if not restriction:
        return ""
    part_of: Any = profile.get("filter") or profile.get("gear") or {}
    included = words.count(part_of.get("frames"), "is", "are")
    all_of = words.count((profile.get("frames") or {}).get("measured"))
    return (
        included.replace(" ", f" of the {all_of} measured ", 1) + f" looked at here ({restriction})"
    )


def findings(profile: Profile) -> list[str]:
    """The sentences of the summary, the most important first; names stand between `NAME_START` and `NAME_END`."""
    lenses = by_frames(profile.get("lenses") or [], "lens")
    bodies = by_frames(profile.get("bodies") or [], "body")
    gear = [_gear(lenses, "lens", "lenses"), _gear(bodies, "body", "bodies")]
    lines = lens_lines(profile, lenses)[:LENSES]
    out = [_archive(profile, gear), no_lens(lenses), *map(_lens_line, lines)]
    if rest := other_lenses(lenses, [line.lens for line in lines]):
        more = "more " if lines else ""
        out.append(f"{words.count(rest, f'{more}lens', f'{more}lenses')} in the report.")
    out += map(_body_line, body_lines(profile, bodies)[:BODIES])
    out += gear_faults(profile, lenses) + _keepers(profile)
    out += [next_line(profile)] if "next_shots" in profile else []
    return [sentence for sentence in out if sentence]


def _gear(entries: Sequence[Lens] | Sequence[Body], one: str, many: str) -> str:
    """'70 lenses (25 without a name)'; '' where none has a name."""
    found = distinct(entries, one)
    unnamed = sum(not name for name, _ in found)
    if len(found) == unnamed:
        return ""
    return words.count(len(found), one, many) + (
        f" ({unnamed:,} without a name)" if unnamed else ""
    )


def _archive(profile: Profile, gear: Sequence[str]) -> str:
    frames: Frames = profile.get("frames") or {}  # type: ignore[typeddict-item]
    part = looked_at(profile)
    text = part or f"{words.count(frames.get('measured'))} measured"
    with_gear = " on ".join(g for g in gear if g)
    text += f", taken with {with_gear}" if with_gear else ""
    counts: Any = (profile.get("filter") or profile.get("gear") or {}) if part else frames
    if copies := counts.get("copies"):
        text += f"; {words.count(copies, 'of them is a copy', 'of them are copies')}"
        text += " (raw and JPEG, exports, backups) of an exposure that is measured once"
    if aside := frames.get("set_aside"):
        of = " of the whole archive" if part else ""
        text += f"; {words.count(aside, 'file')}{of} set aside, each with its reason"
    if unread := profile.get("unread_folders"):
        text += f"; {words.count(len(unread), 'folder')} could not be read and may hold more"
    return text + "."


def summary_lines(profile: Mapping[str, Any]) -> list[str]:
    """What was found, in plain sentences.

    Parameters
    ----------
    profile : mapping
        A profile; any key may be missing.

    Returns
    -------
    list of str
        The most important first; at least one.
    """
    marks = str.maketrans("", "", NAME_START + NAME_END)
    known: Any = plain({**profile, "keepers": None})
    known["keepers"] = profile.get("keepers")  # tens of thousands, which are only counted here
    return [text.translate(marks) for text in findings(known)]
