"""Noise of real camera JPEGs against pairs of one exposure and the mean of hundreds.

What 'flat areas of the mean picture' are can be said in several ways; the truth is given for three:
the median block among the flattest fifth of 16 px and of 24 px blocks, and all of their pixels pooled.
The bounds in `clean_blocks` were set on the scenes of TUNED; the others were kept back.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import spearmanr
from skimage.restoration import estimate_sigma

from auditor.measure.noise import measure_noise
from auditor.measure.picture import Picture

DATA = Path(__file__).parents[2] / ".." / "shared" / "data" / "real-noise"
KEPT_BACK = {"a049e4", "eaa7c4", "56acb5", "3834ed"}

pytestmark = pytest.mark.skipif(not DATA.exists(), reason="the real pairs are not on this machine")


def _blocks(values: NDArray[Any], n: int) -> NDArray[Any]:
    h, w = values.shape[0] // n, values.shape[1] // n
    return values[: h * n, : w * n].reshape(h, n, w, n).swapaxes(1, 2).reshape(-1, n, n)


def _truths(real: NDArray[Any], mean: NDArray[Any]) -> tuple[float, float, float]:
    difference = real.astype(float) - mean
    out = []
    for n in (16, 24):
        flat, noise = _blocks(mean.astype(float), n), _blocks(difference, n)
        level, change = flat.mean((1, 2)), flat.var((1, 2))
        grey = (level > 5) & (level < 250)
        chosen = grey & (change <= np.quantile(change[grey], 0.2))
        out += [float(np.median(noise[chosen].std((1, 2)))), float(noise[chosen].std())]
    return out[0], out[2], out[1]


def _table() -> list[dict[str, Any]]:
    rows = []
    for row in csv.DictReader((DATA / "index.csv").open()):
        name = str(DATA / row["pair"])
        real, mean = cv2.imread(name + "-real.jpg"), cv2.imread(name + "-mean.jpg")
        assert real is not None
        assert mean is not None
        luma = cv2.cvtColor(real, cv2.COLOR_BGR2GRAY)
        truth = _truths(luma, cv2.cvtColor(mean, cv2.COLOR_BGR2GRAY))
        found = measure_noise(Picture(real, lossy=True))
        clean = measure_noise(Picture(mean, lossy=True))
        library = float(estimate_sigma(luma.astype(float)))
        rows.append(
            {"pair": row["pair"], "kept": row["scene"] in KEPT_BACK, "truth": truth,
             "found": found.sigma_code8, "clean": clean.sigma_code8, "library": library,
             "note": found.note}
        )  # fmt: skip
    return rows


def _line(rows: list[dict[str, Any]], key: str, kind: int) -> tuple[int, float, float, float]:
    measured = [r for r in rows if r[key] is not None and r["truth"][kind] > 0]
    found = np.array([r[key] for r in measured])
    truth = np.array([r["truth"][kind] for r in measured])
    ratio = found / truth
    inside = float(((ratio > 0.85) & (ratio < 1.15)).sum() / len(rows))  # open ones are misses
    return len(measured), float(np.median(ratio)), inside, float(spearmanr(found, truth)[0])


@pytest.fixture(scope="module")
def table() -> list[dict[str, Any]]:
    pytest.importorskip("pywt", reason="the other library's estimator needs PyWavelets")
    return _table()


def test_noise_of_real_pairs(table: list[dict[str, Any]]) -> None:
    kinds = ("median 16 px block", "median 24 px block", "pooled 16 px blocks")
    for name, rows in (
        ("tuned", [r for r in table if not r["kept"]]),
        ("kept back", [r for r in table if r["kept"]]),
        ("all", table),
    ):
        for kind, what in enumerate(kinds):
            for key in ("found", "library"):
                n, median, inside, rank = _line(rows, key, kind)
                print(
                    f"{name:9s} {what:20s} {key:7s} {n}/{len(rows)} median {median:.2f} "
                    f"within 15% {inside:.2f} rank {rank:.3f}"
                )
    n, median, inside, rank = _line(table, "found", 1)
    assert n >= 0.85 * len(table)
    assert abs(median - 1) < 0.07
    assert inside >= 0.80
    assert rank >= 0.97


def test_means_of_many_exposures_hold_no_noise(table: list[dict[str, Any]]) -> None:
    """The mean pictures are the same scenes without noise, textures and all."""
    for row in table:
        assert row["clean"] is None or row["clean"] < 0.6, row["pair"]
