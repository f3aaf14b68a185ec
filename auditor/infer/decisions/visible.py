"""Visible or not: what an aperture costs in the picture as it is looked at.

Ranges by a fixed share of the best are a convention. Here every aperture's curve is held against the
lens's best aperture by the square-root integral, one unit of which is one just noticeable difference
(`viewing`), for the prints that were asked for and for the screen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.decisions.common import (
    aperture_text,
    log_error,
    picture_width,
    widened,
)
from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM
from auditor.viewing import JND, Viewing, quality, screen

__all__ = ["noise_seen", "seen_difference", "verdict", "viewings", "visible_losses"]

Block = Mapping[str, Any]
Sizes = Mapping[tuple[str, str], tuple[int, int]]

_STEP: Final = 0.02
"""Step in log MTF50 over which the slope of the square-root integral is taken."""
_PRINTS_CM: Final = np.geomspace(10, 300, 60)
"""Long sides among which the largest print without a visible difference is looked for."""
OPEN: Final = "cannot be told"
_PROBABLE: Final = 0.75
"""Chance from which a verdict is given as probable."""
_FEW_NOISY: Final = 8
"""Frames of a body below which nothing is said of its noise."""
_ZONES: Final = ("centre", "corner")
_MID_TONE: Final = 0.18
"""Signal of the mid-tone at which ISO 12232 judges noise."""


def viewings(criteria: Criteria) -> list[Viewing]:
    """The prints that were asked for, and the screen."""
    prints = [Viewing.of_print(w, criteria.viewing_cm) for w in criteria.print_cm]
    return [*prints, screen()]


def seen_difference(
    first: Block, second: Block, f_numbers: tuple[float, float], pitch_um: float,
    width_px: int, viewing: Viewing, share: float,
) -> tuple[float, float]:  # fmt: skip
    """Square-root integral of the second figure less that of the first, and its standard error.

    `first` and `second` have mtf50_cpp, low and high; their errors count as independent, which for
    two apertures of one lens is on the safe side.
    """
    value, variance = 0.0, 0.0
    for sign, figure, n in ((-1, first, f_numbers[0]), (1, second, f_numbers[1])):
        mtf50 = float(figure["mtf50_cpp"])
        at = quality(mtf50 * np.exp([-_STEP, 0, _STEP]), n, pitch_um, width_px, viewing)
        value += sign * float(at[1])
        variance += ((at[2] - at[0]) / (2 * _STEP) * log_error(figure, share)) ** 2
    return value, float(variance) ** 0.5


def verdict(loss: float, error: float, share: float) -> str:
    """In words: 'visible' or 'not visible', with 'probably' where the interval holds the line of one
    just noticeable difference, and `OPEN` where the line is nearly as likely on the other side."""
    chance = NormalDist().cdf(abs(loss - JND) / max(error, 1e-9))
    if chance < _PROBABLE:
        return OPEN
    word = "visible" if loss >= JND else "not visible"
    return word if chance >= 0.5 + share / 2 else f"probably {word}"


def visible_losses(
    lenses: Sequence[Block], sizes: Sizes, criteria: Criteria
) -> list[dict[str, Any]]:
    """For every aperture of every focal range and every viewing, the loss against the best aperture.

    Each row names lens, body, converter, focal_mm, f_number, against_f_number, viewing, the zone
    that loses most, `loss_jnd` with low and high, `verdict`, `largest_print_cm` (the largest print
    from the viewing distance in which no loss shows; 300 for that and more, None where a print of
    10 cm shows it), frames, evidence and `text`.
    """
    rows = []
    for lens in lenses:
        for part in lens["focal_ranges"]:
            rows += _part_rows(lens, part, picture_width(sizes, lens), criteria)
    return rows


def _part_rows(
    lens: Block, part: Block, width_px: int, criteria: Criteria
) -> list[dict[str, Any]]:  # fmt: skip
    best = _best(part)
    if best is None:
        return []
    pitch = lens["pixel_pitch_um"] or PITCH_UNKNOWN_UM
    head = {k: lens[k] for k in ("lens", "body", "converter")} | {"focal_mm": part["focal_mm"]}
    printed = _printed(part["apertures"], pitch, width_px, criteria)
    at_best = next(q for a, q in zip(part["apertures"], printed, strict=True) if a is best)
    rows = []
    for entry, quality_of in zip(part["apertures"], printed, strict=True):
        zones = [z for z in _ZONES if entry[z] and best[z]]
        if entry is best or not zones:
            continue
        numbers = (entry["f_number"], best["f_number"])
        largest = _largest_print((at_best - quality_of)[:, [_ZONES.index(z) for z in zones]])
        found = []
        for viewing in viewings(criteria):
            losses = {
                z: seen_difference(
                    entry[z], best[z], numbers, pitch, width_px, viewing, criteria.interval
                )
                for z in zones
            }
            zone = max(zones, key=lambda z: losses[z][0])
            loss, error = losses[zone]
            low, high = widened(loss, error, criteria.interval)
            word = verdict(loss, error, criteria.interval)
            if part["evidence"] == "thin" and word in ("visible", "not visible"):
                word = f"probably {word}"
            found.append(
                head
                | {"f_number": numbers[0], "against_f_number": numbers[1], "viewing": viewing.name}
                | {"zone": zone, "loss_jnd": round(loss, 2)}
                | {"low": round(low, 2), "high": round(high, 2), "verdict": word}
                | {"largest_print_cm": largest, "frames": entry["frames"]}
                | {"evidence": part["evidence"]}
                | {"text": f"{aperture_text(numbers[0])} against {aperture_text(numbers[1])}: "
                   f"{word} {viewing.phrase}"}
            )  # fmt: skip
        if any(row["verdict"] != OPEN for row in found):
            rows += found
    return rows


def _best(part: Block) -> Block | None:
    """The aperture in use nearest to the sweet spot; None where the range has none."""
    if not part["sweet_spot"]:
        return None
    wanted = np.log(part["sweet_spot"]["f_number"])
    known = [a for a in part["apertures"] if any(a[z] for z in _ZONES)]
    return min(known, key=lambda a: abs(np.log(a["f_number"]) - wanted), default=None)


def _printed(
    apertures: Sequence[Block], pitch: float, width_px: int, criteria: Criteria
) -> NDArray[np.float64]:
    """Quality at every size of print, (apertures, `_PRINTS_CM`, `_ZONES`), JND; NaN without a figure."""
    mtf50 = [[a[z]["mtf50_cpp"] if a[z] else np.nan for z in _ZONES] for a in apertures]
    f_number = np.array([a["f_number"] for a in apertures], float)[:, None]
    views = [Viewing.of_print(w, criteria.viewing_cm) for w in _PRINTS_CM]
    return np.stack([quality(mtf50, f_number, pitch, width_px, v) for v in views], axis=1)


def _largest_print(losses: NDArray[np.float64]) -> int | None:
    """Long side in cm of the largest print without a visible loss in any zone; `losses` (`_PRINTS_CM`,
    zones) in JND."""
    losses = losses.max(axis=1)
    seen = np.flatnonzero(losses >= JND)
    if not len(seen):
        return round(float(_PRINTS_CM[-1]))
    if seen[0] == 0:
        return None
    right = seen[0]
    share = (JND - losses[right - 1]) / (losses[right] - losses[right - 1])
    return round(float(_PRINTS_CM[right - 1] + share * (_PRINTS_CM[right] - _PRINTS_CM[right - 1])))


def noise_seen(
    bodies: Sequence[Block], widths: Mapping[str, int], criteria: Criteria
) -> list[dict[str, Any]]:
    """By body and viewing, the highest used ISO at which a mid-tone's noise does not show.

    Noise counts as seen from one just noticeable difference on, between the picture with and without
    it. `widths` holds each body's long side in pixels. Each row has body, viewing, `iso` (None where
    even the lowest shows), `first_seen_iso` (None where none does), frames and text. Noise is taken
    at the common output size, at which it is white or nearly so.
    """
    rows = []
    for body in bodies:
        tones = sorted(
            (t for t in body["tones"] if t["signal"] == _MID_TONE and t.get("snr_output")),
            key=lambda t: t["iso"],
        )
        tones = [t for t in tones if not t.get("predicted")]
        if sum(int(t["frames"]) for t in tones) < _FEW_NOISY:
            continue
        pitch = body["pixel_pitch_um"] or PITCH_UNKNOWN_UM
        for viewing in viewings(criteria):
            hidden, seen = _seen_from(tones, pitch, widths.get(body["body"]), viewing, criteria)
            rows.append(
                {"body": body["body"], "viewing": viewing.name, "iso": hidden}
                | {"first_seen_iso": seen, "frames": sum(int(t["frames"]) for t in tones)}
                | {"text": _noise_text(viewing, hidden, seen, int(tones[-1]["iso"]))}
            )
    return rows


def _seen_from(
    tones: Sequence[Block], pitch_um: float, width_px: int | None, viewing: Viewing, criteria: Criteria
) -> tuple[int | None, int | None]:  # fmt: skip
    """Highest ISO without and lowest ISO with noise that shows."""
    hidden = None
    width = width_px or criteria.output_width_px
    for tone in tones:
        share = 1 / float(tone["snr_output"])
        # White noise: at another size of pixel its deviation grows with the width in pixels.
        share *= width / criteria.output_width_px
        clean, noisy = (quality(0.3, 5.6, pitch_um, width, viewing, noise=s) for s in (0.0, share))
        if float(clean - noisy) >= JND:
            return hidden, int(tone["iso"])
        hidden = int(tone["iso"])
    return hidden, None


def _noise_text(viewing: Viewing, hidden: int | None, seen: int | None, highest: int) -> str:
    """In words, for the mid-tone."""
    where = viewing.phrase
    if seen is None:
        return f"no noise shows in a mid-tone up to ISO {highest}, the highest used, {where}"
    if hidden is None:
        return f"noise shows in a mid-tone at ISO {seen}, the lowest used, {where}"
    return f"noise shows in a mid-tone from ISO {seen} on, not yet at ISO {hidden}, {where}"
