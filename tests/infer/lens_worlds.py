"""Random lenses and what is true of them, for the tests of the lens room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from simulated_frames import (
    ArchiveSpec,
    Blur,
    LensSpec,
    simulate_frames,
    true_weaker,
)

from auditor.exposure import nominal_f_number
from auditor.infer.criteria import Criteria
from auditor.infer.lenses import infer_lenses
from auditor.model import Lens
from auditor.record import ZONES

APERTURES = (
    (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0),
    (4.0, 5.6, 8.0, 11.0, 16.0, 22.0),
    (2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0),
    (2.8, 3.5, 4.5, 5.6, 7.1, 9.0, 11.0, 14.0, 18.0, 22.0),
    (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0),
)


SHARED_ERROR = 0.025
"""ln MTF50, standard deviation."""


def random_lens(rng: np.random.Generator) -> LensSpec:
    """A lens of ordinary quality; its blur is drawn wider than the fit's prior expects."""

    def blur(floor: tuple[float, float], wide: tuple[float, float], power: float) -> Blur:
        return Blur(rng.uniform(*floor), rng.uniform(*wide), rng.uniform(0.8, power))

    pitch, apertures = rng.uniform(3.0, 6.0), APERTURES[rng.integers(len(APERTURES))]
    zones = [
        blur((0.2, 0.6), (0.3, 1.2), 2.5),
        blur((0.2, 0.7), (0.4, 1.6), 2.0),
        blur((0.3, 0.9), (0.8, 2.5), 2.0),
    ]
    # No lens is sharper further out (common practice, no source).
    for inner, outer in ((0, 1), (1, 2)):
        a, b = zones[inner], zones[outer]
        zones[outer] = Blur(max(a.floor, b.floor), max(a.wide, b.wide), min(a.power, b.power))
    return LensSpec(
        pitch_um=pitch, apertures=apertures, centre=zones[0], middle=zones[1], corner=zones[2]
    )


def true_ends(lens: LensSpec, share: float) -> tuple[float, float]:
    """Ends of the true range, in f-numbers, within the apertures used."""
    grid = np.geomspace(lens.apertures[0], lens.apertures[-1], 600)
    weaker = true_weaker(lens, grid)
    keeps = np.flatnonzero(weaker >= share * weaker.max())
    return float(grid[keeps[0]]), float(grid[keeps[-1]])


@dataclass
class Outcome:
    """What the inference made of a number of simulated archives."""

    error: list[float] = field(default_factory=list)
    """log of found over true, centre and corner, every aperture."""
    held: list[bool] = field(default_factory=list)
    """Whether the interval held the truth, every zone and aperture."""
    sweet_right: list[bool] = field(default_factory=list)
    sweet_held: list[bool] = field(default_factory=list)
    end_thirds: list[float] = field(default_factory=list)
    """Distance of range ends from the truth in thirds of a stop."""
    ends_held: list[bool] = field(default_factory=list)
    untold: int = 0
    """Points that had no evidence."""


def with_shared_error(frames: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Figures off by what all frames of an archive share, as in drawn and photographed archives, where
    curves are off by 2 to 3% however many frames there are: a level, and a tilt over apertures."""
    level, tilt = SHARED_ERROR / np.sqrt(2) * rng.standard_normal(2)
    off = np.exp(level + tilt * np.log2(frames["f_number"].to_numpy(float) / 8.0) / 1.5)
    return frames.assign(**{f"{z}_mtf50_cpp": frames[f"{z}_mtf50_cpp"] * off for z in ZONES})


def lenses_of(
    archives: Sequence[pd.DataFrame], criteria: Criteria | None = None
) -> list[list[Lens]]:
    """What is inferred of each of several archives. They are looked at as lenses on bodies of one archive, which
    changes nothing of a lens (`test_curves_fitted_together_are_those_fitted_alone`) and takes a third of the time."""
    apart = 1 + max(int(frames["outing"].max()) for frames in archives)
    joined = pd.concat(
        [
            frames.assign(
                lens=f"{n:03d} " + frames["lens"],
                body=f"{n:03d} " + frames["body"],
                outing=frames["outing"] + n * apart,
            )
            for n, frames in enumerate(archives)
        ],
        ignore_index=True,
    )
    found: list[list[Lens]] = [[] for _ in archives]
    for entry in infer_lenses(joined, criteria or Criteria()):
        found[int(entry["lens"].split(" ")[0])].append(entry)
    return found


def audit(
    count: int, first_seed: int, forget: Sequence[str] = (), shared: bool = False, **spec: Any
) -> Outcome:
    """Infer the lens of `count` archives, each with a lens of its own, without columns `forget`; with
    or without `shared` error of measurement."""
    out = Outcome()
    lenses, truths, archives = [], [], []
    for seed in range(first_seed, first_seed + count):
        lens = random_lens(np.random.default_rng(seed))
        frames, truth = simulate_frames(
            ArchiveSpec(lenses=[lens], all_columns=False, **spec), seed + 50_000
        )
        frames = frames.drop(columns=list(forget))
        if shared:
            frames = with_shared_error(frames, np.random.default_rng([seed, 1]))
        lenses.append(lens)
        truths.append({z: truth.curves[0, z] for z in ZONES})
        archives.append(frames)
    for lens, truth, (found,) in zip(lenses, truths, lenses_of(archives), strict=True):
        add(out, lens, found["focal_ranges"][0], truth)
    return out


def add(out: Outcome, lens: LensSpec, part: dict, curves: dict) -> None:
    for zone in ZONES:
        for entry, true in zip(part["apertures"], curves[zone], strict=True):
            found = entry[zone]
            if found is None:
                out.untold += 1
                continue
            if zone != "middle":
                out.error.append(float(np.log(found["mtf50_cpp"] / true)))
            out.held.append(found["low"] <= true <= found["high"])
    used = np.array(lens.apertures)
    weaker = true_weaker(lens, used)
    good = [nominal_f_number(f) for f in used[weaker >= 0.97 * weaker.max()]]
    spot = part["sweet_spot"]
    if spot is None:
        return
    out.sweet_right.append(spot["f_number"] in good)
    out.sweet_held.append(spot["low"] <= nominal_f_number(used[weaker.argmax()]) <= spot["high"])
    for name, share in (("pin_sharp", 0.75), ("acceptable", 0.60)):
        for true, end, held in zip(
            true_ends(lens, share), part[name], part[f"{name}_intervals"], strict=True
        ):
            out.end_thirds.append(abs(6 * float(np.log2(end / true))))
            out.ends_held.append(held[0] <= nominal_f_number(true) <= held[1])


def sided(across: Any, down: Any, upright: Any, outing: Any) -> pd.DataFrame:
    """Frames whose left over right and top over bottom sides have these ln ratios, held `upright` or level."""
    return pd.DataFrame({
        "left_mtf50_cpp": 0.2 * np.exp(across), "right_mtf50_cpp": 0.2, "top_mtf50_cpp": 0.2 * np.exp(down),
        "bottom_mtf50_cpp": 0.2, "orientation": np.where(upright, 6, 1), "outing": outing,
    })  # fmt: skip
