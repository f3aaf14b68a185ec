"""A request for test frames in words: what to take along, and what to do with it."""

from __future__ import annotations

from auditor.report import words
from auditor.report.profile_parts import Block

__all__ = ["shot_line", "shot_name"]


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
    frames = round(words.number(shot.get("frames")) or 0)
    apertures = [words.aperture(n) for n in shot.get("apertures") or () if n]
    isos = [words.iso(i) for i in shot.get("iso") or () if i]
    text = words.count(frames)
    steps = apertures or isos
    if steps:
        each, rest = divmod(frames, len(steps))
        text += f": {each} at each of " if len(steps) > 1 and each and not rest else " at "
        text += words.join(steps)
    minutes = words.number(shot.get("minutes"))
    return f"{text}{f', about {minutes:.0f} minutes' if minutes else ''}."
