"""Lens against lens: where two lenses cover a focal length, which is sharper, by how much, how certainly.

Lenses are compared per picture height on bodies that can be compared. On one body, in one kind of
file, that is the plain ratio of MTF50 at the same aperture, from which whatever the measurement and
the camera's finishing do to both cancels; on two bodies only undeveloped sensor data are compared with each
other, because two cameras' developments can't be separated from their lenses. A comparison that can't be
made is declined, with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Any, Literal

import numpy as np
from scipy.special import stdtr

from auditor.exposure import aperture_text
from auditor.infer.criteria import Criteria
from auditor.infer.decisions.common import (
    LEAST_ERROR,
    ZONES,
    focal_text,
    holm,
    interval_about,
    lens_text,
    log_error,
)
from auditor.infer.decisions.visible import (
    OPEN,
    Figures,
    Files,
    probability_visible,
    quality_difference,
    verdict,
    viewings,
)
from auditor.infer.enough import FEW, FEW_FRAMES
from auditor.infer.lenses.describe import best_aperture
from auditor.infer.lenses.grouping import PRIME, SAME_PITCH
from auditor.model import LensChoice, Rival, RivalAperture, RivalDifference, RivalZone

__all__ = ["lens_choice", "lens_rivals"]

Block = Mapping[str, Any]
Sizes = Mapping[tuple[str, str], tuple[int, int]]


def lens_rivals(
    lenses: Sequence[Block], sizes: Sizes, criteria: Criteria
) -> list[Rival]:  # fmt: skip
    """Every pair of lenses that share focal lengths, with what can be said of it.

    Log ratios of MTF50 at the apertures in common are averaged; the mean is tested with Student's t, and the
    sharper lens is named where the test remains significant among all pairs and zones (`holm`).

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
    list of Rival
        Each has `lens`, `body`, `converter` and `lens_serial` (where a name has several copies), `against` and
        the same of it, `focal_mm` (both cover it), `declined` (a reason, or None), `zones`: {zone:
        {difference, low, high, sharper}} over all shared apertures, `apertures` with f_number, frames and per
        zone the difference with its interval, `seen` ({viewing: verdict}), and `text`. A difference is a share
        of MTF50 per picture height, positive where `lens` is sharper.
    """
    found = [f for pair in _pairs(lenses) if (f := _compare(*pair, sizes, criteria))]
    tests = sorted(
        ((p, i, zone) for i, (_, chances) in enumerate(found) for zone, p in chances.items()),
        key=lambda t: t[0],
    )
    for _, i, zone in tests[: holm([p for p, *_ in tests])]:
        entry = found[i][0]
        block = entry["zones"][zone]
        block["sharper"] = entry["lens"] if block["difference"] > 0 else entry["against"]
    for entry, _ in found:
        if not any(z["sharper"] for z in entry["zones"].values()):
            # What could not be shown is not called visible.
            visibility = entry["seen"]
            entry["seen"] = {
                v: w if w.endswith("not visible") else OPEN for v, w in visibility.items()
            }
        entry["text"] = _text(entry)
    return [entry for entry, _ in found]


def _pairs(lenses: Sequence[Block]) -> Iterator[tuple[Block, Block, Block, Block]]:
    """Lens and focal range, twice, for pairs of different lenses that share focal lengths. Of frames
    without a serial nobody knows which copy of a lens they show: they are compared with none."""
    parts = [
        (lens, part)
        for lens in lenses
        for part in lens["focal_ranges"]
        if part["focal_mm"] and lens["lens"] != "unknown lens"
    ]
    for (a, first), (b, second) in combinations(parts, 2):
        serials = a.get("lens_serial"), b.get("lens_serial")
        one_name = (a["lens"], a["converter"]) == (b["lens"], b["converter"])
        if one_name and (None in serials or serials[0] == serials[1]):
            continue
        if max(first["focal_mm"][0], second["focal_mm"][0]) <= PRIME * min(
            first["focal_mm"][1], second["focal_mm"][1]
        ):
            yield a, first, b, second


def _declined(a: Block, b: Block) -> str | None:
    """Why two lenses can't be compared; None where they can."""
    if a["source"] != b["source"]:
        return f"one shows in {a['source']} files, the other in {b['source']} files"
    if a["body"] == b["body"]:
        if a["source"] in ("edited", "resized"):
            return "edited files are developed frame by frame"
        known = a["pixel_pitch_um"], b["pixel_pitch_um"]
        if all(known) and abs(math.log(known[0] / known[1])) > SAME_PITCH:
            return "their pictures are of different sizes"
        return None
    if a["source"] != "raw":
        return "their bodies develop differently, which can't be told from the lenses"
    if not a["pixel_pitch_um"] or not b["pixel_pitch_um"]:
        return "the pixel pitch of a body is unknown"
    return None


def _compare(
    a: Block, first: Block, b: Block, second: Block, sizes: Sizes, criteria: Criteria
) -> tuple[Rival, dict[str, float]] | None:  # fmt: skip
    """The entry, and by zone the p-value of its difference between equal lenses."""
    low = max(first["focal_mm"][0], second["focal_mm"][0])
    high = min(first["focal_mm"][1], second["focal_mm"][1])
    entry: Rival = {
        "lens": a["lens"], "body": a["body"], "against": b["lens"], "against_body": b["body"],
        "converter": a["converter"], "lens_serial": a.get("lens_serial"),
        "against_converter": b["converter"], "against_serial": b.get("lens_serial"),
        "focal_mm": [min(low, high), max(low, high)], "declined": _declined(a, b),
        "zones": {}, "apertures": [], "seen": {}, "text": "",
    }  # fmt: skip
    if entry["declined"]:
        # Of few frames no comparison is missed.
        worth = min(first["frames"], second["frames"]) >= 2 * FEW_FRAMES
        return (entry, {}) if worth else None
    heights = [sizes.get((x["body"], x["lens"]), (0, 0))[1] for x in (a, b)]
    one_body = a["body"] == b["body"]
    # Per picture height: figures count cycles per pixel of the file.
    per_height = math.log(heights[0] / heights[1]) if all(heights) and not one_body else 0.0
    outings = first["outings"], second["outings"]
    others = {e["f_number"]: e for e in second["apertures"]}
    shared = [(e, others[e["f_number"]]) for e in first["apertures"] if e["f_number"] in others]
    errors: dict[str, list[tuple[float, float]]] = {z: [] for z in ZONES}
    shown: list[tuple[float, float, float, float]] = []
    for one, two in shared:
        row: RivalAperture = {
            "f_number": one["f_number"], "frames": [one["frames"], two["frames"]],
        }  # fmt: skip
        for zone in ZONES:
            found = _ratio(one[zone], two[zone], criteria.interval, outings if one_body else None)
            row[zone] = None
            if found is not None:
                ratio, error = found[0] + per_height, found[1]
                row[zone] = _difference(ratio, error, criteria.interval)
                errors[zone].append((ratio, error))
                figures = one[zone]["mtf50_cpp"], two[zone]["mtf50_cpp"]
                shown.append((*figures, error / math.sqrt(2), one["f_number"]))
        if row["centre"] or row["corner"]:
            entry["apertures"].append(row)
    if not entry["apertures"]:
        return None
    chances: dict[str, float] = {}
    for zone, ratios in errors.items():
        if ratios:
            over = _mean_over_apertures(ratios, max(sum(outings) - 2, 1), criteria)
            entry["zones"][zone], chances[zone] = over
    if one_body and (files := Files.of(a, first, sizes)):
        entry["seen"] = _visibility(files, shown, criteria)
    return entry, chances


def _ratio(
    one: Block | None, two: Block | None, share: float, outings: tuple[int, int] | None
) -> tuple[float, float] | None:
    """Log ratio and its standard error; None where either is unknown or rests on few frames.

    Given `outings` of each, they are on one body, in one kind of file. Then the measurement's level is common
    to both and cancels. What remains is the error that the frames of each leave, and that what they typically fall
    short by varies from outing to outing by as much as it is. A lens that is focused beside the subject throughout
    passes for a softer one.
    """
    if not one or not two or min(one["frames"], two["frames"]) < FEW:
        return None
    value = math.log(one["mtf50_cpp"] / two["mtf50_cpp"])
    if outings is not None:
        sides = list(zip((one, two), outings, strict=True))
        errors = [f["frames_error"] for f, _ in sides]
        errors += [f["lacking"] / math.sqrt(max(n, 1)) for f, n in sides]
        return value, max(math.hypot(*errors), LEAST_ERROR)
    return value, math.hypot(log_error(one, share), log_error(two, share))


def _difference(ratio: float, error: float, share: float) -> RivalDifference:
    low, high = interval_about(ratio, error, share)
    value, low, high = (round(math.expm1(x), 3) for x in (ratio, low, high))
    return {"difference": value, "low": low, "high": high}


def _mean_over_apertures(
    found: Sequence[tuple[float, float]], dof: float, criteria: Criteria
) -> tuple[RivalZone, float]:
    """Mean over apertures, and its p-value between equal lenses (Student's t with `dof`, outings less two).

    A lens's errors correlate from aperture to aperture (the same scenes and outings), so the error of the
    mean is taken to be the mean error. Weights are 1 / error: its square would leave all to the aperture whose
    own error happens to be understated (halves of one lens's frames of photographs were told apart in 5 of
    36 splits, so in 2).
    """
    ratio, error = np.array(found).T
    weight = 1 / error
    mean = float((weight * ratio).sum() / weight.sum())
    spread = float((weight * error).sum() / weight.sum())
    p = 2 * float(stdtr(dof, -abs(mean) / spread))
    return {**_difference(mean, spread, criteria.interval), "sharper": None}, p


def _visibility(
    files: Files, shown: Sequence[tuple[float, float, float, float]], criteria: Criteria
) -> dict[str, str]:
    """By viewing: whether the difference shows at the aperture and in the zone where it is largest. `shown`: MTF50
    of two lenses on one body, the error of either (of their ratio, as far as it is one's), and the f-number."""
    first, second, each, f_number = np.array(shown).T
    one, two = Figures(first, each, f_number), Figures(second, each, f_number)
    out = {}
    for viewing in viewings(criteria):
        value, error = quality_difference(one, two, files, viewing)
        largest = np.abs(value).argmax()
        chance = probability_visible(float(abs(value[largest])), float(error[largest]))
        out[viewing.name] = verdict(chance, criteria.interval)
    return out


def _sharper_by(block: Block) -> tuple[float, float, float]:
    """By what share the sharper lens is sharper than the softer one, with its ends, of a difference of the
    first lens against the second."""
    shares = [float(block[k]) for k in ("difference", "low", "high")]
    if shares[0] < 0:
        # Softer by a half is half as sharp: the other is sharper by all of it.
        shares = [1 / (1 + share) - 1 for share in shares]
    low, high = sorted(shares[1:])
    return shares[0], low, high


def _first(entry: Block) -> tuple[Any, ...]:
    """Body, lens, converter and serial of the one that is compared with the other."""
    return tuple(entry[k] for k in ("body", "lens", "converter", "lens_serial"))


def _second(entry: Block) -> tuple[Any, ...]:
    """The same of the other."""
    return tuple(
        entry[k] for k in ("against_body", "against", "against_converter", "against_serial")
    )


def _text(entry: Block) -> str:
    first = lens_text(*_first(entry)[1:])
    second = lens_text(*_second(entry)[1:])
    who = f"{first} and {second} at {focal_text(entry['focal_mm'])}"
    if entry["declined"]:
        return f"{who} can't be compared: {entry['declined']}"
    clauses = []
    for zone, block in entry["zones"].items():
        if block["sharper"]:
            more, *ends = _sharper_by(block)
            # What is reported is one per cent at least.
            size = max(round(100 * more), 1)
            clauses.append(
                f"in the {zone} {first if block['difference'] > 0 else second} is {size}% sharper "
                f"({ends[0]:.0%} to {ends[1]:.0%})"
            )
    if not clauses:
        return f"{who}: no difference could be shown"
    numbers = [r["f_number"] for r in entry["apertures"]]
    span = aperture_text(numbers[0])
    if len(numbers) > 1:
        span += f" to {aperture_text(numbers[-1])}"
    return f"{who}, {span}: {'; '.join(clauses)}"


def lens_choice(lenses: Sequence[Block], rivals: Sequence[Rival]) -> list[LensChoice]:
    """Each body's lenses at their best over focal length: what the picture 'which lens' shows.

    Parameters
    ----------
    lenses : sequence of mapping
        The profile's `lenses`.
    rivals : sequence of Rival
        From `lens_rivals`.

    Returns
    -------
    list of LensChoice
        A row is a focal range of a lens that has a rival there: body, lens, converter, lens_serial, focal_mm,
        f_number (its sweet spot), the weaker zone's figure there (`mtf50_cpp`, low, high), and `take`: "yes"
        where it is named the sharper in a zone and its rivals there in none, "no" the other way round, else
        None.
    """
    named: dict[tuple[Any, ...], list[tuple[Any, bool, bool]]] = {}
    for entry in rivals:
        if entry["declined"]:
            continue
        leads = [z["difference"] > 0 for z in entry["zones"].values() if z["sharper"]]
        ahead, behind = any(leads), not all(leads)
        named.setdefault(_first(entry), []).append((entry["focal_mm"], ahead, behind))
        named.setdefault(_second(entry), []).append((entry["focal_mm"], behind, ahead))
    rows: list[LensChoice] = []
    for lens in lenses:
        serial = lens.get("lens_serial")
        own = named.get((lens["body"], lens["lens"], lens["converter"], serial), [])
        for part in lens["focal_ranges"]:
            there = [t for t in own if part["focal_mm"] and _meet(t[0], part["focal_mm"])]
            best = best_aperture(part["apertures"], part["sweet_spot"])
            if not there or best is None:
                continue
            take: Literal["yes", "no"] | None = None
            sharper_there, softer_there = (any(t[i] for t in there) for i in (1, 2))
            if sharper_there != softer_there:
                take = "yes" if sharper_there else "no"
            weaker = min((best[z] for z in ZONES if best[z]), key=lambda f: float(f["mtf50_cpp"]))
            rows.append({
                "body": lens["body"], "lens": lens["lens"], "converter": lens["converter"],
                "lens_serial": serial,
                "focal_mm": part["focal_mm"], "f_number": best["f_number"], "mtf50_cpp": weaker["mtf50_cpp"],
                "low": weaker["low"], "high": weaker["high"], "take": take,
            })  # fmt: skip
    return rows


def _meet(first: Sequence[float], second: Sequence[float]) -> bool:
    """Whether two focal ranges have a focal length in common."""
    return max(first[0], second[0]) <= min(first[1], second[1])
