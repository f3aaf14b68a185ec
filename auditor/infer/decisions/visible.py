"""Visible or not: what an aperture costs in the picture as it is viewed.

Ranges by a fixed share of the best are a convention. Here every aperture's curve is compared with the
lens's best aperture by the square-root integral, one unit of which is one just noticeable difference
(`viewing`), for the prints that were asked for and for the screen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from auditor.infer.criteria import Criteria
from auditor.infer.decisions.common import ZONES, interval_about, log_error
from auditor.infer.enough import FEW
from auditor.infer.lenses.describe import best_aperture
from auditor.infer.lenses.grouping import PITCH_UNKNOWN_UM
from auditor.model import NoiseVisible, VisibleLoss
from auditor.record import MID_GREY
from auditor.viewing import JND, Viewing, quality, screen

__all__ = [
    "OPEN",
    "Figures",
    "Files",
    "noise_visibility",
    "odds",
    "probability_visible",
    "quality_difference",
    "verdict",
    "viewings",
    "visible_losses",
]

Block = Mapping[str, Any]
Floats = NDArray[np.float64]
Sizes = Mapping[tuple[str, str], tuple[int, int]]

_STEP: Final = 0.02
"""Step in log MTF50 over which the slope of the square-root integral is taken."""
_PRINTS_CM: Final = np.geomspace(10, 300, 25)
"""Long sides among which the largest print without a visible difference is looked for."""
OPEN: Final = "cannot be told"
_LIKELIER: Final = 0.6
"""Chance from which the likelier verdict is given."""
_ODDS: Final = {"2 in 3": 2 / 3, "3 in 4": 3 / 4, "4 in 5": 4 / 5, "9 in 10": 9 / 10}
"""Chances in words."""
_USUAL_FRAME: Final = (0.3, 5.6)
"""MTF50 (c/px) and f-number of the picture in which noise is looked for: a usual frame."""
_ENDS: Final = ("low", "snr", "high")
"""Keys of a tone: its signal to noise ratio and the ends of its interval."""


def viewings(criteria: Criteria) -> list[Viewing]:
    """The prints that were asked for, and the screen."""
    prints = [Viewing.of_print(w, criteria.viewing_cm) for w in criteria.print_cm]
    return [*prints, screen()]


class Figures(NamedTuple):
    """Figures of sharpness as they are viewed, of one shape or broadcast.

    Attributes
    ----------
    mtf50_cpp : array_like
        MTF50, cycles per pixel, NaN where there is none.
    error : array_like
        Standard error of its natural log.
    f_number : array_like
        Aperture.
    """

    mtf50_cpp: ArrayLike
    error: ArrayLike
    f_number: ArrayLike

    @classmethod
    def of(cls, apertures: Sequence[Block], share: float) -> Figures:
        """The figures (A, `ZONES`) of apertures, whose intervals hold this share of the truth."""
        figures = [[a[z] for z in ZONES] for a in apertures]
        return cls(
            np.array([[f["mtf50_cpp"] if f else np.nan for f in row] for row in figures]),
            np.array([[log_error(f, share) if f else np.nan for f in row] for row in figures]),
            np.array([a["f_number"] for a in apertures], float)[:, None],
        )


@dataclass(frozen=True, slots=True)
class Files:
    """A lens's files, as far as they bear on how its pictures look.

    Attributes
    ----------
    pitch_um : float
        Pixel pitch in micrometres.
    width_px : int
        Long side.
    sharpening : float
        Amount of an unsharp mask of one pixel.
    """

    pitch_um: float
    width_px: int
    sharpening: float = 0.0

    @classmethod
    def of(cls, lens: Block, part: Block, sizes: Sizes) -> Files | None:
        """Those behind a focal range of a lens; None where no frame tells their size."""
        size = sizes.get((lens["body"], lens["lens"]))
        pitch = lens["pixel_pitch_um"] or PITCH_UNKNOWN_UM
        known = part.get("sharpening") or {"amount": 0.0}
        return cls(pitch, size[0], known["amount"]) if size else None

    def quality(self, mtf50_cpp: Any, f_number: Any, viewing: Viewing) -> Any:
        """Square-root integral of figures at an aperture."""
        return quality(
            mtf50_cpp, f_number, self.pitch_um, self.width_px, viewing,
            sharpening=self.sharpening,
        )  # fmt: skip


def quality_difference(
    first: Figures, second: Figures, files: Files, viewing: Viewing, correlation: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Difference of the square-root integral between two sets of figures, with its standard error.

    Errors are propagated to first order.

    Parameters
    ----------
    first, second : Figures
        What is compared, of shapes that broadcast.
    files : Files
        Pixel pitch, size and sharpening of the lens's files.
    viewing : Viewing
        Size and distance of the picture.
    correlation : array_like
        Of the errors of both.

    Returns
    -------
    difference, error : ndarray of float64
        Second less first, in just noticeable differences.
    """
    mtf50, error, f_number = (
        np.stack(np.broadcast_arrays(*pair)).astype(float)
        for pair in zip(first, second, strict=True)
    )

    scaled = [mtf50 * math.exp(step) for step in (0.0, -_STEP, _STEP)]
    same, low, high = files.quality(np.stack(scaled), f_number, viewing)
    a, b = (high - low) / (2 * _STEP) * error
    variance = np.maximum(a * a + b * b - 2 * np.asarray(correlation) * a * b, 0.0)
    return np.asarray(same[1] - same[0]), np.sqrt(variance)


def probability_visible(loss: float, error: float) -> float:
    """Probability that a loss, normal with this error (both in just noticeable differences), is one or more."""
    return NormalDist().cdf((loss - JND) / max(error, 1e-9))


def verdict(chance: float, share: float) -> str:
    """Verdict on a probability that a loss is visible.

    Parameters
    ----------
    chance : float
        Probability that it is.
    share : float
        Share of the truth that intervals are meant to hold.

    Returns
    -------
    str
        'visible' or 'not visible'; with 'probably' where the probability leaves more open than such an
        interval; `OPEN` where neither is clearly the likelier.
    """
    certainty = max(chance, 1 - chance)
    if certainty < _LIKELIER:
        return OPEN
    word = "visible" if chance >= 0.5 else "not visible"
    return word if certainty >= 0.5 + share / 2 else f"probably {word}"


def odds(chance: float, word: str) -> str | None:
    """Odds of a verdict with 'probably', in words ('3 in 4'); None of others."""
    if not word.startswith("probably"):
        return None
    certainty = max(chance, 1 - chance)
    return min(_ODDS, key=lambda o: abs(_ODDS[o] - certainty))


def visible_losses(lenses: Sequence[Block], sizes: Sizes, criteria: Criteria) -> list[VisibleLoss]:
    """Loss against the best aperture for every aperture of every focal range and every viewing.

    Parameters
    ----------
    lenses : sequence of mapping
        The profile's `lenses`.
    sizes : mapping
        (body, lens) -> long and short side in pixels (`common.picture_sizes`).
    criteria : Criteria
        Interval, prints and viewing distance.

    Returns
    -------
    list of VisibleLoss
        Each names lens, body, converter, lens_serial, focal_mm, f_number, against_f_number, viewing, the zone
        that loses most, `loss_jnd` with low and high, `chance` that a zone's loss is visible, `verdict`,
        `odds` (of a verdict with 'probably', in words), `largest_print_cm` (the largest print from the viewing
        distance in which no loss shows; 300 for that and more, None where a print of 10 cm shows it),
        `zone_missing`, frames and evidence. Where a zone is not known at both apertures
        (`zone_missing`), the verdict is of the other alone and no print larger than `largest_print_cm` is
        without a loss.
    """
    rows: list[VisibleLoss] = []
    for lens in lenses:
        for part in lens["focal_ranges"]:
            files = Files.of(lens, part, sizes)
            rows += _part_rows(lens, part, files, criteria) if files else []
    return rows


def _part_rows(lens: Block, part: Block, files: Files, criteria: Criteria) -> list[VisibleLoss]:
    best = best_aperture(part["apertures"], part["sweet_spot"])
    if best is None:
        return []
    apertures, views = part["apertures"], viewings(criteria)
    all_shown, best_shown = (Figures.of(a, criteria.interval) for a in (apertures, [best]))
    prints = [Viewing.of_print(w, criteria.viewing_cm) for w in _PRINTS_CM]
    # By aperture, size of print and zone, JND.
    printed = np.stack(
        [files.quality(all_shown.mtf50_cpp, all_shown.f_number, v) for v in prints], axis=1
    )
    at_best = printed[next(i for i, a in enumerate(apertures) if a is best)]
    correlation = [[(a[z] or {}).get("with_best") or 0.0 for z in ZONES] for a in apertures]
    losses = [
        np.stack(quality_difference(all_shown, best_shown, files, v, correlation), axis=-1)
        for v in views
    ]
    rows = []
    for i, entry in enumerate(apertures):
        zones = [z for z in ZONES if entry[z] and best[z]]
        if entry is best or not zones:
            continue
        missing = next((z for z in ZONES if z not in zones), None)
        largest = _largest_print((at_best - printed[i])[:, [ZONES.index(z) for z in zones]])
        found: list[VisibleLoss] = []
        for viewing, loss in zip(views, losses, strict=True):
            by_zone = {z: (float(loss[i, k, 0]), float(loss[i, k, 1])) for k, z in enumerate(ZONES)}
            zone = max(zones, key=lambda z: by_zone[z][0])
            low, high = interval_about(*by_zone[zone], criteria.interval)
            chance = max(probability_visible(*by_zone[z]) for z in zones)
            word = verdict(chance, criteria.interval)
            if part["evidence"] == "thin" and word in ("visible", "not visible"):
                word = f"probably {word}"
            how = odds(round(chance, 3), word)
            found.append({
                "lens": lens["lens"], "body": lens["body"], "converter": lens["converter"],
                "lens_serial": lens.get("lens_serial"),
                "focal_mm": part["focal_mm"], "f_number": entry["f_number"],
                "against_f_number": best["f_number"], "viewing": viewing.name, "zone": zone,
                "loss_jnd": round(by_zone[zone][0], 2), "low": round(low, 2), "high": round(high, 2),
                "chance": round(chance, 3), "verdict": word, "odds": how, "largest_print_cm": largest,
                "zone_missing": missing,
                "frames": entry["frames"], "evidence": part["evidence"],
            })  # fmt: skip
        if any(row["verdict"] != OPEN for row in found):
            rows += found
    return rows


def _largest_print(losses: Floats) -> int | None:
    """Long side in cm of the largest print without a visible loss in any zone; `losses` (`_PRINTS_CM`,
    zones) in JND."""
    losses = losses.max(axis=1)
    visible = np.flatnonzero(losses >= JND)
    if not len(visible):
        return round(float(_PRINTS_CM[-1]))
    if visible[0] == 0:
        return None
    around = slice(visible[0] - 1, visible[0] + 1)
    return round(float(np.interp(JND, losses[around], _PRINTS_CM[around])))


def noise_visibility(
    bodies: Sequence[Block], sizes: Sizes, criteria: Criteria
) -> list[NoiseVisible]:
    """Highest used ISO at which a mid-tone's noise does not show, by body and viewing.

    Noise counts as visible from one just noticeable difference on, between the picture with and without it,
    at the common output size, at which it is white or nearly so.

    Parameters
    ----------
    bodies : sequence of mapping
        The profile's `bodies`.
    sizes : mapping
        (body, lens) -> long and short side in pixels (`common.picture_sizes`).
    criteria : Criteria
        Prints, viewing distance and output size.

    Returns
    -------
    list of NoiseVisible
        Each has body, viewing, `iso` (None where even the lowest shows), `first_seen_iso` (None where none
        does) with the ends of its interval, `first_seen_low` and `first_seen_high` (None where none does at
        that end) and frames; bodies with fewer than `FEW` frames are left out.
    """
    rows: list[NoiseVisible] = []
    for body in bodies:
        tones = [
            t
            for t in sorted(body["tones"], key=lambda t: t["iso"])
            if t["signal"] == MID_GREY and t.get("snr_output") and not t.get("predicted")
        ]
        frames = sum(int(t["frames"]) for t in tones)
        if frames < FEW:
            continue
        pitch = body["pixel_pitch_um"] or PITCH_UNKNOWN_UM
        longest = [long for (name, _), (long, _) in sizes.items() if name == body["body"]]
        width = max(longest, default=criteria.output_width_px)
        isos = [None, *(int(t["iso"]) for t in tones), None]
        for viewing in viewings(criteria):
            # The more noise, the lower the ISO at which it shows first.
            low, seen, high = _first_visible(tones, pitch, width, viewing, criteria)
            rows.append({
                "body": body["body"], "viewing": viewing.name, "iso": isos[seen],
                "first_seen_iso": isos[seen + 1], "first_seen_low": isos[low + 1],
                "first_seen_high": isos[high + 1], "frames": frames,
            })  # fmt: skip
    return rows


def _first_visible(
    tones: Sequence[Block], pitch_um: float, width: int, viewing: Viewing, criteria: Criteria
) -> list[int]:
    """Place of the first tone whose noise shows: by the lower end of the signal to noise ratio's interval, by the
    ratio itself, by the upper end."""
    # White noise: at another size of pixel its deviation grows with the width in pixels.
    ratios = np.array([
        float(t["snr_output"]) * float(t[end]) / float(t["snr"]) for end in _ENDS for t in tones
    ])  # fmt: skip
    shares = width / criteria.output_width_px / ratios
    clean, *noisy = quality(*_USUAL_FRAME, pitch_um, width, viewing, noise=np.append(0.0, shares))
    visible = clean - np.array(noisy).reshape(len(_ENDS), len(tones)) >= JND
    return np.where(visible.any(1), visible.argmax(1), len(tones)).tolist()
