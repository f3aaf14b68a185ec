"""Open photographs, as they are and blurred by textbook formulas: who is accused, and of what.

Pictures that come with scikit-image and scikit-learn; no part of the judgement was fitted to them.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from photographs import exposed, jpeg, linear
from PIL import Image

from auditor.crawl import relate
from auditor.infer import Criteria
from auditor.infer.keepers.judge import judge_frames
from auditor.measure import measure_file
from auditor.record import to_row
from auditor.settings import reconcile

FOLDERS = tuple(  # not imported, which takes half a second
    Path(find_spec(library).origin).parent / folder
    for library, folder in (("skimage", "data"), ("sklearn", "datasets/images"))
)
NAMES = ("astronaut.png", "camera.png", "chelsea.png", "coffee.png", "china.jpg")
ALL_NAMES = (
    *NAMES,
    "motorcycle_left.png",
    "flower.jpg",
    "brick.png",
    "grass.png",
    "gravel.png",
    "ihc.png",
    "motorcycle_right.png",
    "rocket.jpg",
)
FULL_E = 20_000
MARGIN_PX = 32
"""Mirrored at each side, so that no border blurs into the opposite one."""
MOVED_PX, MOVED_DEG = 5.0, (20.0, 100.0)
MISSED_PX = 2.0
"""Standard deviation of a Gaussian, which stands for a missed focus."""


def seen(path: Path, sigma_px: float = 0.0, length_px: float = 0.0, degrees: float = 0.0) -> bytes:
    """A photograph in grey behind a Gaussian (its MTF is one too) and a straight movement (a sinc along it),
    blurred in linear light and exposed afterwards."""
    with Image.open(path) as picture:
        light = linear(np.asarray(picture.convert("L"), np.float32) / 255)
    tall, wide = light.shape
    padded = np.pad(light, MARGIN_PX, mode="reflect")
    fy, fx = np.fft.fftfreq(padded.shape[0])[:, None], np.fft.rfftfreq(padded.shape[1])[None]
    way = np.radians(degrees)
    mtf = np.exp(-2 * (np.pi * sigma_px) ** 2 * (fx**2 + fy**2))
    mtf = mtf * np.sinc(length_px * (fx * np.cos(way) + fy * np.sin(way)))
    blurred = np.fft.irfft2(np.fft.rfft2(padded) * mtf, padded.shape)
    inside = blurred[MARGIN_PX : MARGIN_PX + tall, MARGIN_PX : MARGIN_PX + wide]
    noisy = exposed(np.clip(inside, 0, 1), FULL_E, np.random.default_rng(len(path.name)))
    return jpeg(noisy)


@pytest.fixture(
    scope="module", params=[NAMES, pytest.param(ALL_NAMES, marks=pytest.mark.long)], ids=len
)
def judged(request: pytest.FixtureRequest) -> pd.DataFrame:
    """Every photograph sharp, out of focus and moved twice, with the verdict on it."""
    rows, truth = [], []
    for name in request.param:
        path = next(f / name for f in FOLDERS if (f / name).exists())
        ways = {"sharp": seen(path), "missed focus": seen(path, MISSED_PX)}
        ways |= {f"shake {d:.0f}": seen(path, 0.0, MOVED_PX, d) for d in MOVED_DEG}
        for way, data in ways.items():
            rows.append(to_row(measure_file(data, f"{name} {way}.jpg")))
            truth.append(way)
    table = reconcile(relate(pd.DataFrame(rows)))
    verdicts = judge_frames(table, [], [], Criteria())
    return verdicts.assign(truth=truth, path=table["path"].to_numpy())


def test_no_sharp_photograph_is_accused(judged: pd.DataFrame) -> None:
    assert not judged[judged["truth"] == "sharp"]["soft"].any()


def test_blurred_photographs_are_found_with_their_cause(judged: pd.DataFrame) -> None:
    """Nine in ten, and of those nine in ten with the right cause."""
    blurred = judged[judged["truth"] != "sharp"]
    found = blurred[blurred["soft"]]
    assert len(found) >= 0.9 * len(blurred)
    shaken = found["truth"].str.startswith("shake")
    assert ((found["cause"] == "shake") == shaken).mean() >= 0.9
