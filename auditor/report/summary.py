"""What was found, in plain sentences: the head of the page and the end of a run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from auditor.report import words
from auditor.report.iso_words import band_name, highest_used, iso_limit
from auditor.report.profile_parts import NAME_END, NAME_START, Block, blocks, common, named, short
from auditor.report.sentences import handheld_lines, setting_lines

LENSES: Final = 6
"""So many lenses, the most used first, have their own sentence; the rest are counted."""

FEWEST_LENSES: Final = 3
"""Where fewer lenses are settled than this, some with thin evidence are listed too."""

FEW: Final = 5
"""A band of light with fewer frames than this says nothing of its body."""

FEW_PAIRS: Final = 3
"""A comparison from fewer pairs stands in the tables only."""

EXAMPLE_ISO: Final = 1600
"""Bodies are compared by the example nearest to this: a usual ISO indoors and at dusk."""

NO_LENS: Final = "No lens could be judged: no measured frame names its lens and aperture."
NAMELESS_BODY: Final = "Body not named in its files"


@dataclass(frozen=True, slots=True)
class Finding:
    """One sentence under its topic; names stand between `NAME_START` and `NAME_END`."""

    topic: str
    text: str


def _best(parts: Sequence[Block]) -> str:
    """'f/8 (90% interval f/7.1 to f/9; 412 frames)', over one focal range or several."""
    sweet = [p.get("sweet_spot") or {} for p in parts]
    best, low, high = (
        [v for s in sweet if (v := s.get(k)) is not None] for k in ("f_number", "low", "high")
    )
    text = words.aperture_range((min(best), max(best)))
    inside = []
    if low and high:
        ends = words.aperture_range((min(low), max(high)))
        inside.append(f"90% interval {ends}" if " to " in ends else f"90% sure of {ends}")
    inside.append(words.count(sum(p.get("frames") or 0 for p in parts)))
    if all(p.get("evidence") == "thin" for p in parts):
        inside.append("thin evidence")
    return f"{text} ({'; '.join(inside)})"


def by_frames(entries: Sequence[Block], what: str) -> list[Block]:
    """Lenses or bodies, as `what` says, with most frames first; the nameless after all others."""
    return sorted(
        entries,
        key=lambda x: (not words.known_name(x.get(what)), -(x.get("frames") or 0)),
    )


def lens_sentence(lens: Block, bodies: int = 1, name: str | None = None) -> str:
    """One sentence on a lens; says what is missing where nothing can be said.

    `bodies`: how many bodies the archive has (with one, it need not be named). `name`: what to call
    the lens instead of 'your' and its name.
    """
    known = words.known_name(lens.get("lens"))
    body = words.known_name(lens.get("body"))
    beside = words.body_beside(lens.get("lens"), lens.get("body"))
    on = f" on the {short(beside)}" if beside else ""
    name = name or (
        f"your {named(words.lens_name(lens))}" if known else "the lens not named in its files"
    )
    if (bodies > 1 or not known) and "body" in lens:
        name += on if body or not known else " on a body not named in its files"
    name = name[0].upper() + name[1:]
    files = words.clean(lens.get("files"))
    if files:
        return f"{name}: {words.count(lens.get('frames'))}, {files} only; no aperture is advised."
    parts = lens.get("focal_ranges") or []
    told = [p for p in parts if (p.get("sweet_spot") or {}).get("f_number")]
    if not told:
        return f"{name}: {words.count(lens.get('frames'))}, not enough to name its best aperture."
    if not common(told, "acceptable") and len(told) > 1:  # no advice holds everywhere
        each = [
            f"{_best([p])} at {words.focal(p.get('focal_mm')) or 'a focal length not known'}"
            for p in told[:4]
        ]
        return f"{name} is at its best at {words.join(each)}."
    clauses: list[str] = []
    for key, label in (("pin_sharp", "pin-sharp"), ("acceptable", "acceptable")):
        ends = words.aperture_range(common(told, key))
        if ends and not any(c.endswith(f" {ends}") for c in clauses):
            clauses.append(f"{label} {'from' if ' to ' in ends else 'at'} {ends}")
    text = f"{name} is at its best at {_best(told)}"
    if not clauses:
        return text + "."
    everywhere = "at every focal length " if len(told) == len(parts) > 1 else ""
    return f"{text}; {everywhere}{words.join(clauses)}."


def by_light(body: Block) -> list[Block]:
    """The body's bands, the brightest first."""
    return sorted(
        (body.get("brightness") or []),
        key=lambda b: -(words.number([*(b.get("ev100") or ()), None][0]) or 0),
    )


def _iso_limit(band: Block, highest: float | None) -> str:
    fine, clean = (iso_limit(band, level, highest) for level in ("acceptable", "excellent"))
    inside = [fine.why] if fine.why else []
    if clean.untold:
        inside.append("how far it is clean, texture hides")
    elif clean.iso is None:
        inside.append("never quite clean")
    else:
        ends = clean.between()
        told = [
            f"clean to {clean.text}",
            ends if " " in ends else "",
            "predicted" if clean.predicted else "",
        ]
        inside.append(", ".join(t for t in told if t))
    inside.append(words.count(band.get("frames")))
    return f"{fine.text} for {words.clean(band_name(band))} ({'; '.join(inside)})"


def too_few_for_noise(body: Block) -> bool:
    """Whether fewer than `FEW` frames tell of a body's noise, so that no limit is told."""
    used = body.get("frames_used")
    return (body.get("frames") or 0 if used is None else used) < FEW


def body_sentence(body: Block, name: str | None = None) -> str:
    """One sentence on how far ISO goes in the brightest and the darkest band that have frames of
    their own; '' when none has, or when it rests on too few frames to be said first."""
    bands = [
        b
        for b in by_light(body)
        if (b.get("usable_iso") or {}).get("acceptable") and (b.get("frames") or 0) >= FEW
    ]
    if not bands or too_few_for_noise(body) or body.get("limits_firm") is False:
        return ""
    highest = highest_used(body)
    limits = [_iso_limit(b, highest) for b in (bands if len(bands) < 2 else (bands[0], bands[-1]))]
    known = words.known_name(body.get("body"))
    name = name or (f"The {named(known)}" if known else "The body not named in its files")
    return f"{name} stays usable up to {words.join(limits)}."


def _matches(profile: Block) -> list[str]:
    """For every pair of bodies one example, the one nearest to ISO 1600 that is known to a stop
    either way; one that was seen on both bodies goes before one that is predicted."""
    pairs: dict[Any, list[Block]] = {}
    for m in profile.get("iso_matches") or []:
        low, high = (m.get(k) for k in ("low", "high"))
        vague = low is not None and high is not None and high > 4 * low
        both = (words.clean(m.get("body")), words.clean(m.get("reference_body")))
        known = m.get("iso") and m.get("reference_iso") and all(both)
        if known and not vague and both[::-1] not in pairs:  # one direction implies the other
            pairs.setdefault(both, []).append(m)
    out = []
    for (body, reference), rows in list(pairs.items())[:2]:
        m = min(
            rows,
            key=lambda m: (
                bool(m.get("predicted")),
                abs((m.get("reference_iso") or 1) - EXAMPLE_ISO),
            ),
        )
        ends = words.interval(m, 0)
        out.append(
            f"{words.iso(m.get('iso'))} on the {short(body)} looks as noisy as "
            f"{words.iso(m.get('reference_iso'))} on the {short(reference)}"
            + (f" (90% interval {ends}" if ends else " (interval not known")
            + (", predicted" if m.get("predicted") else "")
            + f", {band_name(m)})."
        )
    return out


def _comparisons(profile: Block) -> list[str]:
    """What was settled, the whole frame's figure standing for its zones; at most three."""
    settled: dict[Any, tuple[Block, str]] = {}
    for c in profile.get("comparisons") or []:
        text = words.clean(c.get("verdict"))
        enough = (c.get("pairs") or 0) >= FEW_PAIRS
        both_named = words.clean(c.get("label")) and words.clean(c.get("against"))
        if text and enough and both_named and not text.startswith("cannot tell"):
            key = tuple(words.clean(c.get(k)) for k in ("label", "against", "lens", "what"))
            settled.setdefault(key, (c, text))
    out = []
    for c, text in list(settled.values())[:3]:
        verdict = text.rstrip(".")
        pairs = words.count(c.get("pairs"), "pair")
        label = short(c.get("label"))
        of = words.clean(f"{c.get('zone') or ''} {c.get('what') or ''}")
        against = short(c.get("against"))
        plain = words.clean(c.get("against")) == f"without {words.clean(c.get('label'))}"
        both = f"With and without {label}" if plain else f"{label} against {against}"
        out.append(f"{both}, {of}: {verdict} ({pairs}).")
    return out


def keeper_counts(profile: Block) -> tuple[int, int | None, dict[str, int]]:
    """Frames softer or noisier than they had to be, frames that could be judged, and by cause.

    The list of keepers may hold only the surest; `verdicts` counts all of them.
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


def _keepers(profile: Block) -> list[str]:
    total, judged, causes = keeper_counts(profile)
    if not total:
        return []
    top = sorted(causes.items(), key=lambda item: -item[1])[:3]
    told = words.join([f"{cause} ({n:,})" for cause, n in top])
    of = f", {words.percent(total / judged)} of the {judged:,} judged," if judged else ""
    return [
        f"{words.count(total)}{of} came out softer or noisier than the settings had to be; "
        f"most often: {told}."
    ]


def next_line(profile: Block) -> str:
    """What an afternoon's test frames would settle, a sentence."""
    note = words.clean(profile.get("next_shots_note"))
    shots = profile.get("next_shots") or []
    if note or not shots:
        return note or "Nothing is left open that a few test frames would settle."
    frames = sum(round(s.get("frames") or 0) for s in shots)
    minutes = sum(s.get("minutes") or 0 for s in shots)
    gear = [words.known_name(s.get("lens")) or words.known_name(s.get("body")) for s in shots]
    first = list(dict.fromkeys(g for g in gear if g))[:3]
    told = f" with {words.join([f'the {short(g)}' for g in first])}" if first else ""
    time = f" in about {minutes:.0f} minutes" if minutes else ""
    return f"{words.count(frames, 'test frame')}{time}{told} would settle most of what is open."


def filter_words(profile: Block) -> str:
    """Which part of the frames the profile looks at, in plain words; '' for all of them."""
    told = words.clean((profile.get("filter") or {}).get("words"))
    left_out = words.clean((profile.get("gear") or {}).get("left_out"))
    return "; ".join(t for t in (told, f"left out: {left_out}" if left_out else "") if t)


def looked_at(profile: Block) -> str:
    """'2 of the 5 frames measured are looked at here (lens "Tarn")'; '' for all of them."""
    part = filter_words(profile)
    if not part:
        return ""
    seen = words.count(
        (profile.get("filter") or profile.get("gear") or {}).get("frames"), "is", "are"
    )
    all_of = words.count((profile.get("frames") or {}).get("measured"))
    return seen.replace(" ", f" of the {all_of} measured ", 1) + f" looked at here ({part})"


def findings(profile: Block) -> list[Finding]:
    """The sentences of the summary with their topics, the most important first."""
    frames = profile.get("frames") or {}
    lenses, bodies = (profile.get("lenses") or []), by_frames((profile.get("bodies") or []), "body")
    text = f"{words.count(frames.get('measured'))} measured"
    text = looked_at(profile) or text
    if lenses:
        text += f", taken with {words.count(len(lenses), 'lens', 'lenses')}"
        text += f" on {words.count(len(bodies), 'body', 'bodies')}" if bodies else ""
    copies = frames.get("copies")
    if copies:
        text += f"; {words.count(copies, 'of them is a copy', 'of them are copies')}"
        text += " (raw and JPEG, exports, backups) of an exposure that is measured once"
    aside = frames.get("set_aside")
    if aside:
        text += f"; {words.count(aside, 'file')} set aside, each with its reason"
    if unread := (profile.get("unread_folders") or []):
        text += f"; {words.count(len(unread), 'folder')} could not be read and may hold more"
    out = [Finding("Archive", text + ".")]
    if not lenses:
        out.append(Finding("Lenses", NO_LENS))
    ordered = by_frames(lenses, "lens")
    told = _worth_telling(profile, ordered)[:LENSES]
    several = len({words.clean(x.get("body")) for x in lenses})
    out += [Finding("Lenses", lens_sentence(x, several)) for x in told]
    if len(ordered) > len(told):
        rest = words.count(len(ordered) - len(told), "more lens", "more lenses")
        out.append(Finding("Lenses", f"{rest} in the report."))
    unused = {
        words.known_name(g.get("body"))
        for g in blocks(profile.get("gear") or {}, "bodies")
        if g.get("role") != "in use"
    }
    used = [b for b in bodies if words.known_name(b.get("body")) not in unused]
    out += [Finding("Bodies", s) for b in used[:4] if (s := body_sentence(b))]
    for topic, lines in (
        ("Bodies", _matches(profile)),
        ("Comparisons", _comparisons(profile)),
        ("Keepers", _keepers(profile) + setting_lines(profile) + handheld_lines(profile)[:1]),
        ("Next", [next_line(profile)] if "next_shots" in profile else []),
    ):
        out += [Finding(topic, line) for line in lines]
    return out


def _worth_telling(profile: Block, lenses: list[Block]) -> list[Block]:
    """Lenses in use of which more than thin evidence is there; without any, those with most frames."""
    keys = ("lens", "body", "converter")
    found = blocks(profile.get("gear") or {}, "lenses")
    unused = {
        tuple(words.known_name(g.get(k)) for k in keys) for g in found if g.get("role") != "in use"
    }
    used = [x for x in lenses if tuple(words.known_name(x.get(k)) for k in keys) not in unused]
    sure = [
        x
        for x in used
        if any(
            p.get("sweet_spot") and p.get("evidence") != "thin"
            for p in (x.get("focal_ranges") or [])
        )
    ]
    return sure + [x for x in used if x not in sure][: max(FEWEST_LENSES - len(sure), 0)]


def summary_lines(profile: Block) -> list[str]:
    """Plain sentences, the most important first; at least one, whatever the profile holds."""
    marks = str.maketrans("", "", NAME_START + NAME_END)
    return [f.text.translate(marks) for f in findings(profile)]
