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
from auditor.report.faults import render_alone
from auditor.report.first_screen import (
    answered,
    body_lines,
    by_frames,
    comparison_sentences,
    distinct,
    lens_lines,
    other_lenses,
)
from auditor.report.iso_words import (
    band_name,
    highest_used,
    iso_limit,
    limits_told,
    settled_bands,
    short_frames,
)
from auditor.report.sentences import gear_faults, handheld_sentence, setting_sentence
from auditor.report.words import NAME_END, NAME_START, named, plain, short

__all__ = [
    "BODIES",
    "NAMELESS_BODY",
    "body_sentence",
    "filter_words",
    "findings",
    "keeper_counts",
    "lens_sentence",
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

FOCAL_RANGES: Final = 4
"""So many focal ranges, those with most frames, stand in their lens's sentence."""

FEW_JUDGED: Final = 20
"""Of fewer frames no share is given in percent: one frame would be 5% and more."""

NAMELESS_BODY: Final = "Body not named in its files"


def lens_sentence(lens: Lens, bodies: int = 1, name: str | None = None) -> str:
    """One sentence on a lens; says what is missing where nothing can be said.

    `bodies`: how many bodies the archive has (with one, it need not be named). `name`: what to call
    the lens instead of 'your' and its name.
    """
    name = name or _called(lens, bodies)
    name = name[0].upper() + name[1:]
    files = words.clean(lens.get("files"))
    counted = words.count(lens.get("frames"))
    if files:
        return f"{name}: {counted}, {files} only; no aperture is advised."
    parts = lens.get("focal_ranges") or []
    if advised := answered(lens, FOCAL_RANGES):
        told = [_best(part, len(parts) > 1) for part in advised]
        return f"{name} is at its best at {'; '.join(told)}."
    used = [a.get("f_number") for part in parts for a in part.get("apertures") or ()]
    if len(used) == 1 and used[0]:
        only = f"used at {words.aperture(used[0])} only"
        return f"{name}: {counted}, {only}, so there is no other aperture to hold it against."
    return f"{name}: {counted}, not enough to name its best aperture."


def _called(lens: Lens, bodies: int) -> str:
    """'your Tarn 35mm on the Alder One'."""
    known = words.known_name(lens.get("lens"))
    name = f"your {named(words.lens_name(lens))}" if known else "the lens not named in its files"
    if "body" not in lens or (known and bodies == 1):
        return name
    if not words.known_name(lens.get("body")):
        return name + (" on a body not named in its files" if known else "")
    beside = words.body_beside(lens.get("lens"), lens.get("body"))
    return name + (f" on the {short(beside)}" if beside else "")


def _best(part: FocalRange, several: bool) -> str:
    """'f/8 (90% interval f/7.1 to f/9; 412 frames) at 24 mm, pin-sharp from f/4 to f/11'."""
    best, sweet = words.aperture(words.best_aperture(part)), part.get("sweet_spot")
    ends = words.aperture_range([sweet.get("low"), sweet.get("high")]) if sweet else ""
    inside = [words.best_at_end(part)]
    inside += [f"90% interval {ends}" if " to " in ends else f"90% sure of {ends}"] if ends else []
    inside += [words.count(part.get("frames") or 0)]
    inside += ["thin evidence"] if part.get("evidence") == "thin" else []
    text = f"{best} ({'; '.join(i for i in inside if i)})"
    if several:
        text += f" at {words.focal(part.get('focal_mm')) or 'a focal length not known'}"
    for label, both in (
        ("pin-sharp", part.get("pin_sharp")), ("acceptable", part.get("acceptable"))
    ):  # fmt: skip
        if span := words.aperture_range(both):
            text += f", {label} {'from' if ' to ' in span else 'at'} {span}"
    return text


def no_lens(lenses: Sequence[Lens]) -> str:
    """What to say where there is no lens, or none with a name; '' otherwise."""
    if not lenses:
        return "No lens could be judged: no measured frame names its lens and aperture."
    if any(words.known_name(x.get("lens")) for x in lenses):
        return ""
    return "No measured frame names its lens: a body's frames are taken for those of one lens."


def body_sentence(body: Body) -> str:
    """One sentence on how far ISO goes in the brightest and the darkest of the `settled_bands` in which any is
    acceptable, and in those in which none that was used is; '' where there are none."""
    bands, highest = settled_bands(body), highest_used(body)
    usable = [b for b in bands if iso_limit(b, "acceptable").iso]
    told = [*usable[:1], *usable[1:][-1:], *(b for b in bands if b not in usable)]
    if not told:
        return ""
    known = words.known_name(body.get("body"))
    light = [
        f"{limits_told(b, highest)} for {words.clean(band_name(b))} ({words.count(short_frames(b))})"
        for b in told
    ]
    name = named(known) if known else "body not named in its files"
    return f"On the {name} noise is {'; '.join(light)}."


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
    out = [_archive(profile, gear), no_lens(lenses)]
    lines = lens_lines(profile, lenses)[:LENSES]
    several = len({words.clean(x.get("body")) for x in lenses})
    out += [lens_sentence(line.lens, several) for line in lines]
    if len(lenses) > len(lines):
        more = "more " if lines else ""
        rest = other_lenses(lenses, [line.lens for line in lines])
        if rest:
            out.append(f"{words.count(rest, f'{more}lens', f'{more}lenses')} in the report.")
    out += [body_sentence(line.body) for line in body_lines(profile, bodies)[:BODIES]]
    out += gear_faults(profile, lenses)
    out += comparison_sentences(profile) + _keepers(profile)
    out += [setting_sentence(profile), handheld_sentence(profile)]
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
    # Of keepers there may be tens of thousands, which are only counted here.
    known: Any = plain({**profile, "keepers": None}, gaps=False)
    known["keepers"] = profile.get("keepers")
    before = len(known.get("faults") or ())
    # An entry that can't be told costs itself alone, as on the page.
    told = render_alone(lambda p: "\n".join(findings(p)), known, "the summary").split("\n")
    told += [f"note: {f['part']} cannot be told here" for f in (known.get("faults") or ())[before:]]
    return [text.translate(marks) for text in told]
