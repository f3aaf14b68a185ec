"""Visible or not: from which ISO a body's noise shows in the picture as it is looked at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from auditor.infer.criteria import Criteria
from auditor.infer.decisions.visible import viewings
from auditor.infer.enough import FEW
from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM
from auditor.model import NoiseVisible
from auditor.record import MID_GREY
from auditor.viewing import JND, Viewing, quality

__all__ = ["noise_visibility"]

Block = Mapping[str, Any]

_USUAL_FRAME: Final = (0.3, 5.6)
"""MTF50 (c/px) and f-number of the picture in which noise is looked for: a usual frame."""
_ENDS: Final = ("low", "snr", "high")
"""Keys of a tone: its signal to noise ratio and the ends of its interval."""


def noise_visibility(
    bodies: Sequence[Block], widths: Mapping[str, int], criteria: Criteria
) -> list[NoiseVisible]:
    """Highest used ISO at which a mid-tone's noise does not show, by body and viewing.

    Noise counts as visible from one just noticeable difference on, between the picture with and without it,
    at the common output size, at which it is white or nearly so.

    Parameters
    ----------
    bodies : sequence of mapping
        The profile's `bodies`.
    widths : mapping of str to int
        Long side in pixels of each body's pictures.
    criteria : Criteria
        Prints, viewing distance and output size.

    Returns
    -------
    list of NoiseVisible
        Each has body, viewing, `iso` (None where even the lowest shows), `first_seen_iso` (None where none
        does) with the ends of its interval, `first_seen_low` and `first_seen_high` (None where none does at
        that end), frames and text; bodies with fewer than `FEW` frames are left out.
    """
    rows: list[NoiseVisible] = []
    for body in bodies:
        tones = sorted(
            (t for t in body["tones"] if t["signal"] == MID_GREY and t.get("snr_output")),
            key=lambda t: t["iso"],
        )
        tones = [t for t in tones if not t.get("predicted")]
        if sum(int(t["frames"]) for t in tones) < FEW:
            continue
        pitch = body["pixel_pitch_um"] or PITCH_UNKNOWN_UM
        for viewing in viewings(criteria):
            # The more noise, the lower the ISO at which it shows first.
            (_, low), (hidden, first_visible), (_, high) = _visible_from(
                tones, pitch, widths.get(body["body"]), viewing, criteria
            )
            highest = int(tones[-1]["iso"])
            text = _noise_text(viewing, hidden, first_visible, highest)
            rows.append({
                "body": body["body"], "viewing": viewing.name, "iso": hidden,
                "first_seen_iso": first_visible, "first_seen_low": low, "first_seen_high": high,
                "frames": sum(int(t["frames"]) for t in tones),
                "text": text if low == high else _open_noise_text(viewing, low, high, highest),
            })  # fmt: skip
    return rows


def _visible_from(
    tones: Sequence[Block],
    pitch_um: float,
    width_px: int | None,
    viewing: Viewing,
    criteria: Criteria,
) -> list[tuple[int | None, int | None]]:
    """Highest ISO without and lowest ISO with noise that shows: by the lower end of the signal to noise ratio's
    interval, by the ratio itself, by the upper end."""
    width = width_px or criteria.output_width_px
    # White noise: at another size of pixel its deviation grows with the width in pixels.
    ratios = np.array([
        float(t["snr_output"]) * float(t[end]) / float(t["snr"]) for end in _ENDS for t in tones
    ])  # fmt: skip
    shares = width / criteria.output_width_px / ratios
    clean, *noisy = quality(*_USUAL_FRAME, pitch_um, width, viewing, noise=np.append(0.0, shares))
    visible = clean - np.array(noisy).reshape(len(_ENDS), len(tones)) >= JND
    isos = [None, *(int(t["iso"]) for t in tones), None]
    first = np.where(visible.any(1), visible.argmax(1), len(tones)).tolist()
    return [(isos[k], isos[k + 1]) for k in first]


def _noise_text(
    viewing: Viewing, hidden: int | None, first_visible: int | None, highest: int
) -> str:
    """In words, for the mid-tone."""
    where = viewing.phrase
    if first_visible is None:
        return f"no noise shows in a mid-tone up to ISO {highest}, the highest used, {where}"
    if hidden is None:
        return f"noise shows in a mid-tone at ISO {first_visible}, the lowest used, {where}"
    return (
        f"noise shows in a mid-tone from ISO {first_visible} on, not yet at ISO {hidden}, {where}"
    )


def _open_noise_text(viewing: Viewing, low: int | None, high: int | None, highest: int) -> str:
    """In words, for the mid-tone, where the interval leaves open from which ISO in use noise shows."""
    if high is None:
        on = f"ISO {low} on at the earliest, perhaps not up to ISO {highest}, the highest used"
    else:
        on = f"an ISO between {low} and {high} on"
    return f"noise shows in a mid-tone from {on} (90% interval), {viewing.phrase}"
