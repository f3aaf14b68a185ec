"""What was found, in plain sentences: the head of the page and the end of a run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.report import words

__all__ = ["body_sentence", "lens_sentence", "summary_lines"]

LENSES: Final = 6
"""So many lenses, the most used first, have their own sentence; the rest are counted."""

Block = Mapping[str, Any]


def _list(block: Block, key: str) -> list[Block]:
    return [v for v in block.get(key) or () if isinstance(v, Mapping)]


def _ends(block: Block | None) -> str:
    low, high = (words.number((block or {}).get(k)) for k in ("low", "high"))
    if low is None or high is None:
        return ""
    return words.aperture_range((low, high))


def _range_clause(part: Block) -> str:
    """'best at f/8 (f/7.1 to f/9), pin-sharp from f/4 to f/11, acceptable from f/2.8 to f/16'."""
    sweet = part.get("sweet_spot") or {}
    best = words.number(sweet.get("f_number"))
    if best is None:
        return ""
    ends = _ends(sweet)
    clauses = [f"best at {words.aperture(best)}" + (f" (90% sure of {ends})" if ends else "")]
    for key, label in (("pin_sharp", "pin-sharp"), ("acceptable", "acceptable")):
        text = words.aperture_range(part.get(key))
        if text:
            clauses.append(f"{label} {'from' if ' to ' in text else 'at'} {text}")
    return ", ".join(clauses)


def lens_sentence(lens: Block, bodies: int = 1) -> str:
    """One sentence on a lens; says what is missing where nothing can be said."""
    name = words.shorten(words.lens_name(lens))
    if bodies > 1 and lens.get("body"):
        name += f" on the {words.shorten(words.clean(lens.get('body')), 40)}"
    parts = _list(lens, "focal_ranges")
    told = [(p, c) for p in parts if (c := _range_clause(p))]
    frames = words.count(lens.get("frames"))
    if not told:
        return f"Your {name}: {frames}, not enough to name its best aperture yet."
    strong = max(told, key=lambda pair: words.number(pair[0].get("frames")) or 0)
    thin = " The evidence is thin." if strong[0].get("evidence") == "thin" else ""
    if len(parts) == 1:
        return f"Your {name} is {strong[1]}; {frames}.{thin}"
    best = Counter(words.aperture((p.get("sweet_spot") or {}).get("f_number")) for p, _ in told)
    at = words.focal(strong[0].get("focal_mm"))
    text = f"Your {name} at {at} is {strong[1]}; {words.count(strong[0].get('frames'))}."
    others = [
        f"{words.aperture((p.get('sweet_spot') or {}).get('f_number'))} at {words.focal(p.get('focal_mm'))}"
        for p, _ in told
        if p is not strong[0]
    ]
    if others and len(best) == 1:
        text += " The other focal lengths agree." if len(others) > 1 else " The other range agrees."
    elif others:
        text += f" Elsewhere its best is {words.join(others)}."
    return text + thin


def body_sentence(body: Block) -> str:
    """One sentence on how far ISO goes, brightest and darkest band; '' when nothing is known."""
    bands = [b for b in _list(body, "brightness") if (b.get("usable_iso") or {}).get("acceptable")]
    if not bands:
        return ""
    bands.sort(key=lambda b: -(words.number((b.get("ev100") or [0])[0]) or 0))
    clauses = []
    for band in [bands[0], *bands[-1:]] if len(bands) > 1 else bands:
        usable = band.get("usable_iso") or {}
        clean = words.number(usable.get("excellent"))
        text = f"{words.iso(usable.get('acceptable'))} in {band_name(band)}"
        if clean:
            text += f" (clean to {words.iso(clean)})"
        clauses.append(f"{text}, from {words.count(band.get('frames'))}")
    name = words.shorten(words.clean(body.get("body")) or "an unnamed body")
    return f"The {name} stays usable up to {words.join(clauses)}."


def band_name(band: Block) -> str:
    """The band's own name, or its edges in EV."""
    name = words.clean(band.get("band") or band.get("name"))
    if name:
        return name
    low, high = (words.number(v) for v in (*(band.get("ev100") or ()), None, None)[:2])
    if low is None and high is None:
        return "light not known"
    if low is None:
        return f"light below EV {high:g}"
    return f"light from EV {low:g}" + (f" to {high:g}" if high is not None else " up")


def _keepers(profile: Block) -> list[str]:
    keepers = _list(profile, "keepers")
    if not keepers:
        return []
    causes = Counter(words.clean(k.get("cause")) or "no cause found" for k in keepers)
    top = [f"{cause} ({n})" for cause, n in causes.most_common(3)]
    measured = words.number((profile.get("frames") or {}).get("measured"))
    share = f", {words.percent(len(keepers) / measured)} of all," if measured else ""
    came = "came" if len(keepers) > 1 else "comes"
    return [
        f"{words.count(len(keepers), 'keeper')}{share} {came} out softer or noisier than the settings "
        f"had to be: {words.join(top)}."
    ]


def _settings(profile: Block) -> list[str]:
    rows = [s for s in _list(profile, "settings") if words.number(s.get("soft_share"))]
    if not rows:
        return []
    worst = max(
        rows,
        key=lambda s: (
            (words.number(s.get("soft_share")) or 0) - (words.number(s.get("usual_share")) or 0)
        ),
    )
    lens = words.shorten(words.clean(worst.get("lens")))
    text = f"Watch {words.shorten(words.clean(worst.get('setting')))}" + (
        f" on the {lens}" if lens else ""
    )
    text += f": {words.percent(worst.get('soft_share'))} of {words.count(worst.get('frames'))} came out soft"
    if words.number(worst.get("usual_share")) is not None:
        text += f", where {words.percent(worst.get('usual_share'))} is usual"
    return [text + "."]


def _comparisons(profile: Block) -> list[str]:
    told = [c for c in _list(profile, "comparisons") if c.get("verdict")]
    out = []
    for c in told[:3]:
        head = words.shorten(words.clean(c.get("label")), 40)
        against = words.shorten(words.clean(c.get("against")), 40)
        text = f"{head} against {against}: {words.clean(c.get('verdict')).rstrip('.')}"
        out.append(f"{text} ({words.count(c.get('pairs'), 'pair')}).")
    return out


def _matches(profile: Block) -> list[str]:
    rows = [m for m in _list(profile, "iso_matches") if words.number(m.get("iso"))]
    if not rows:
        return []
    known = sorted(rows, key=lambda m: abs((words.number(m.get("reference_iso")) or 1) - 1600))
    m = known[0]
    ends = words.interval(m, 0)
    return [
        f"{words.iso(m.get('iso'))} on the {words.shorten(words.clean(m.get('body')), 40)} looks as noisy as "
        f"{words.iso(m.get('reference_iso'))} on the {words.shorten(words.clean(m.get('reference_body')), 40)}"
        + (f" (between {ends})." if ends else ".")
    ]


def _next(shots: Sequence[Block]) -> list[str]:
    if not shots:
        return ["Nothing is left open that a few test frames would settle."]
    frames = sum(round(words.number(s.get("frames")) or 0) for s in shots)
    lens = words.shorten(words.clean(shots[0].get("lens")))
    about = f", first with the {lens}" if lens else ""
    return [f"{words.count(frames, 'test frame')} would settle most of what is still open{about}."]


def summary_lines(profile: Block) -> list[str]:
    """Plain sentences, the most important first; at least one, whatever the profile holds."""
    frames = profile.get("frames") or {}
    lenses, bodies = _list(profile, "lenses"), _list(profile, "bodies")
    text = f"{words.count(frames.get('measured'))} measured"
    if lenses:
        text += f", from {words.count(len(lenses), 'lens', 'lenses')}"
        text += f" on {words.count(len(bodies), 'body', 'bodies')}" if bodies else ""
    set_aside = words.number(frames.get("set_aside"))
    if set_aside:
        text += f"; {words.count(set_aside, 'file')} set aside, with the reason for each"
    lines = [text + "."]
    if not lenses:
        lines.append("No lens could be judged: no measured frame names its lens and aperture.")
    ordered = sorted(lenses, key=lambda x: -(words.number(x.get("frames")) or 0))
    several = len({words.clean(x.get("body")) for x in lenses})
    lines += [lens_sentence(x, several) for x in ordered[:LENSES]]
    if len(ordered) > LENSES:
        rest = words.count(len(ordered) - LENSES, "more lens", "more lenses")
        lines.append(f"{rest}: see the report.")
    lines += [s for b in bodies[:4] if (s := body_sentence(b))]
    lines += _matches(profile) + _comparisons(profile) + _keepers(profile) + _settings(profile)
    if "next_shots" in profile:
        lines += _next(_list(profile, "next_shots"))
    return lines
