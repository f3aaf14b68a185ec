"""A drawn archive of one body and one lens with known faults, for measuring how well faults are found."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from auditor.artificial.archive import ArchiveRecipe, BodyRecipe, FocalCurve, LensRecipe, Series
from auditor.artificial.camera import Sensor
from auditor.artificial.scenes import PLACES


def fault_archive(
    seed: int, frames_per_aperture: int = 6, faults: Mapping[str, float] | None = None,
    size: tuple[int, int] = (1536, 1024),
) -> ArchiveRecipe:  # fmt: skip
    """One body and one lens with known faults, for measuring how well faults are found.

    Parameters
    ----------
    seed : int
        Decides the lens and all that is left to chance.
    frames_per_aperture : int
        Outings, each with every aperture once.
    faults : mapping of str to float, optional
        Share of the frames by fault; 12% focus and 8% shake where None.
    size : tuple of int
        Width and height in px.

    Returns
    -------
    ArchiveRecipe
        To be drawn by `render.draw_archive`.
    """
    rng = np.random.default_rng(seed)
    wide = float(rng.uniform(2.5, 5.0))
    curve = FocalCurve(35.0, 2.0, (1.4, wide, 1.4), (1.8, wide * 1.7, 1.3))
    body = BodyRecipe("Probe Body", "Probe", "B1", 4.0, Sensor(45_000, 3.0))
    lens = LensRecipe("Probe 35mm f/2", "L1", (curve,))
    shares = {"focus": 0.12, "shake": 0.08} if faults is None else dict(faults)
    series = [
        Series(
            f"2024-0{1 + i % 8}-1{i % 7} Outing {i}", body.name, lens.name, 35.0,
            PLACES[i % len(PLACES)], (2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0),
            isos=(float(rng.choice([100, 200, 400])),), faults=shares,
        )
        for i in range(frames_per_aperture)
    ]  # fmt: skip
    series += [
        Series(f"2024-09-0{i + 1} Dark {i}", body.name, lens.name, 35.0, place, (5.6,),
               isos=(100.0, 800.0, 3200.0, 12_800.0, 25_600.0))
        for i, place in enumerate(("alp", "woodland", "hamlet")[: max(1, frames_per_aperture // 2)])
    ]  # fmt: skip
    return ArchiveRecipe("A probe", size[0], size[1], (body,), (lens,), tuple(series), seed)
