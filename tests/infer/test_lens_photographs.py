"""Whole archives of real photographs seen through known optics: the shape of the curves."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from photo_worlds import photo_archive
from photographs import APERTURES, DATA

from auditor.crawl import relate
from auditor.exposure import nominal_f_number
from auditor.infer import Criteria
from auditor.infer.lenses import infer_lenses

NAMES = ("004", "011", "016", "026", "034", "043", "053", "059", "069", "075", "087", "096", "102")
"""Landscapes, streets, people, plants, animals; by day, at dusk and indoors."""
MIDDLE = APERTURES.index(8.0)


def ends(values: np.ndarray, share: float) -> tuple[float, float]:
    """Ends of the range that keeps a share of the best, between apertures straight in log-log."""
    grid = np.linspace(np.log2(APERTURES[0]), np.log2(APERTURES[-1]), 600)
    fine = np.exp(np.interp(grid, np.log2(APERTURES), np.log(values)))
    keeps = np.flatnonzero(fine >= share * values.max())
    return float(2 ** grid[keeps[0]]), float(2 ** grid[keeps[-1]])


@pytest.mark.long
def test_curves_keep_their_shape_where_photographs_are_the_scenes() -> None:
    """12 frames per aperture, 30% out of focus, 15% shaken, ISO 100 to 800. Shape: MTF50 against
    that at f/8, for the photographs' own softness lies on every frame alike."""
    photographs = [DATA / f"{n}.jpg" for n in NAMES]
    if not all(p.is_file() for p in photographs):
        pytest.skip("the shared photographs are not here")
    shape: list[float] = []
    for seed in (101,):
        rows, truth = photo_archive(photographs, 12, seed)
        part = infer_lenses(relate(pd.DataFrame(rows)), Criteria())[0]["focal_ranges"][0]
        assert [a["f_number"] for a in part["apertures"]] == list(APERTURES)
        for zone, true in truth.items():
            # Where no frame came near what the lens can do there is no point.
            found = np.array(
                [a[zone]["mtf50_cpp"] if a[zone] else np.nan for a in part["apertures"]]
            )
            ratio = found / found[MIDDLE] / (true / true[MIDDLE])
            shape += [r for r in np.delete(np.abs(ratio - 1), MIDDLE) if np.isfinite(r)]
        weaker = np.minimum(truth["centre"], truth["corner"])
        good = [nominal_f_number(n) for n in np.array(APERTURES)[weaker >= 0.97 * weaker.max()]]
        assert part["sweet_spot"]["f_number"] in good
        for name, share in (("pin_sharp", 0.75), ("acceptable", 0.60)):
            stops = 2 * np.abs(np.log2(np.array(part[name]) / ends(weaker, share)))
            assert stops.max() <= 1.0
    assert len(shape) >= 0.8 * 2 * (len(APERTURES) - 1)
    assert np.median(shape) <= 0.06
    assert np.quantile(shape, 0.95) <= 0.18
