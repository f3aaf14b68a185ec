"""Artificial archives: the plan, its truth, the files, and the demo against its own truth."""

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rawpy
from drawn_truth import directional_mtf50, lens_truth, luma_mtf50, mtf50_at
from fault_archive import fault_archive
from PIL import Image

from auditor import exposure, optics
from auditor.artificial.archive import (
    ArchiveRecipe,
    BodyRecipe,
    FocalCurve,
    LensRecipe,
    Series,
    load_recipe,
    plan,
    shot_optics,
)
from auditor.artificial.camera import Sensor
from auditor.artificial.lightpath import Optics
from auditor.artificial.render import draw_archive

DEMO = Path(__file__).parents[2] / "demo_archive"


def small_recipe(**more):
    body = BodyRecipe("One", "Maker", "S1", 4.0, Sensor(30_000, 3.0))
    lens = LensRecipe("Maker 35mm f/2", "L1", (FocalCurve(35, 2.0, (1.4, 4, 1.4), (1.8, 7, 1.3)),))
    series = (
        Series("2024-05-01 Here", "One", lens.name, 35, "lake", (2.0, 8.0), (100.0, 200.0)),
        Series("2024-05-02 There", "One", lens.name, 35, "crag", (8.0,), kind="dng"),
    )
    return ArchiveRecipe("Nobody", 240, 160, (body,), (lens,), series, **more)


def test_plan_is_deterministic_and_metered():
    shots = plan(small_recipe())
    assert shots == plan(small_recipe())
    assert len({s.path for s in shots}) == len(shots) == 5
    first = [s for s in shots if s.series == 0]
    light = [float(exposure.ev100(s.f_number, s.exposure_time_s, s.iso)) for s in first]
    assert max(light) - min(light) < 0.05  # one scene, one brightness, whatever the settings
    assert [s.taken for s in shots] == sorted(s.taken for s in shots)


def test_files_are_drawn_once_and_alike_and_read_back(tmp_path):
    """The last frame, a raw one, is cut off in the second drawing."""
    first, second = tmp_path / "a", tmp_path / "b"
    recipe = small_recipe(truncated=0)
    truth = draw_archive(recipe, first, workers=1)
    assert len(truth) == 5
    for row in truth:
        path = first / row["path"]
        if path.suffix == ".dng":
            with rawpy.imread(str(path)) as raw:
                assert raw.raw_image_visible.shape == (160, 240)
        else:
            assert Image.open(path).size == (240, 160)
    before = {p: p.stat().st_mtime_ns for p in first.rglob("*.jpg")}
    draw_archive(recipe, first, workers=1)
    assert before == {p: p.stat().st_mtime_ns for p in first.rglob("*.jpg")}
    draw_archive(small_recipe(truncated=1), second, workers=1)
    assert len(before) == 4
    for path in [row["path"] for row in truth]:
        one, other = (folder / path for folder in (first, second))
        whole = one.read_bytes()
        cut = len(whole) // 3 if path.endswith("dng") else len(whole)
        assert other.read_bytes() == whole[:cut]


def test_lens_truth_follows_the_definitions():
    (row,) = lens_truth(small_recipe())
    curve = FocalCurve(35, 2.0, (1.4, 4, 1.4), (1.8, 7, 1.3))
    grid = np.geomspace(2.0, 8.0, 400)
    weaker = np.array([mtf50_at(curve.optics(float(n), 4.0), 1.0) for n in grid])
    best = grid[weaker.argmax()]
    assert row["sweet_spot"] == pytest.approx(best, rel=0.02)
    inside = grid[weaker >= 0.75 * weaker.max()]
    assert row["pin_sharp"] == pytest.approx([inside[0], inside[-1]], rel=0.02)


def test_faults_blur_what_they_should():
    recipe = fault_archive(3, 4, {"focus": 0.5, "shake": 0.5})
    for shot in plan(recipe)[:12]:
        look = shot_optics(recipe, shot)
        across = shot.motion_deg if shot.fault == "shake" else 0.0
        assert shot.fault in ("focus", "shake")
        assert directional_mtf50(look, across) < 0.9 * mtf50_at(look)


def test_lateral_colour_blurs_luma_across_the_radius():
    """Points and edges by chance over the corners of a 3:2 frame: three displaced copies of each edge,
    summed with the weights of ITU-R BT.601."""
    still = Optics(8.0, 4.0, 0.3, 0.3)
    apart = replace(still, lateral_red_px=1.2, lateral_blue_px=-0.8)
    assert luma_mtf50(still, "corner") == pytest.approx(mtf50_at(still, 1.0))
    assert luma_mtf50(apart, "corner", colour=False) == luma_mtf50(still, "corner")
    rng = np.random.default_rng(5)
    x, y = 1.5 * rng.uniform(-1, 1, 9000), rng.uniform(-1, 1, 9000)
    radius = np.hypot(x, y) / np.hypot(1.5, 1)
    radius = radius[radius >= 0.7][:1500]
    along = radius * np.cos(rng.uniform(0, 2 * np.pi, len(radius)))
    freq = np.linspace(0, 0.6, 1201)
    system = optics.system_mtf(freq, 8.0, 4.0, 0.3, still.wavelength_um)
    shifts = zip((0.299, 0.587, 0.114), (1.2, 0.0, -0.8), strict=True)
    sums = sum(w * np.exp(2j * np.pi * np.outer(along * s, freq)) for w, s in shifts)
    expected = freq[np.argmax(system * np.abs(sums) < 0.5, axis=1)].mean()
    assert luma_mtf50(apart, "corner") == pytest.approx(expected, rel=0.01)
    assert expected < 0.95 * luma_mtf50(still, "corner")


def test_unfit_recipes_are_refused(tmp_path):
    path = tmp_path / "recipe.json"
    raw = json.loads((DEMO / "recipe.json").read_text())
    raw["series"][0]["place"] = "chart"
    path.write_text(json.dumps(raw))
    with pytest.raises(ValueError, match="recipe does not fit"):
        load_recipe(path)


def stops(a, b):
    return abs(2 * math.log2(a / b))


@pytest.mark.long
def test_the_demo_is_audited_to_a_third_of_a_stop(tmp_path):
    """Every sweet spot and every range end against the optics that the demo is drawn with."""
    (tmp_path / "recipe.json").write_bytes((DEMO / "recipe.json").read_bytes())
    recipe = load_recipe(DEMO / "recipe.json")
    draw_archive(recipe, tmp_path, workers=2)
    out = tmp_path / "profile"
    command = [sys.executable, "-m", "auditor", "run", "sample", "frames", "--out", str(out)]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    profile = json.loads((out / "profile.json").read_text())
    counts = {"found": 200, "measured": 199, "set_aside": 1, "copies": 6}
    assert profile["frames"] == counts
    checked = 0
    for truth in lens_truth(recipe):
        if truth["frames"] < 24:
            # The phone, the compact and the lent lens have no series of apertures; a focal length with
            # two frames an aperture may share its neighbour's range.
            continue
        lens = next(x for x in profile["lenses"] if truth["lens"] in x["lens"])
        found = next(
            r for r in lens["focal_ranges"]
            if r["focal_mm"][0] - 1 <= truth["focal_mm"] <= r["focal_mm"][1] + 1
        )  # fmt: skip
        pairs = [(found["sweet_spot"]["f_number"], truth["sweet_spot"])]
        for name in ("pin_sharp", "acceptable"):
            pairs += list(zip(found[name], truth[name], strict=True))
        for mine, true in pairs:
            # Both are told on the engraved scale, where f/5.6 stands for 5.657.
            assert stops(mine, true) <= 1 / 3 + 0.07, (truth["lens"], mine, true)
            checked += 1
    assert checked == 20
