"""What is out of focus says nothing of the lens: zones, and edges within a zone."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from validate_sharpness import PITCH_UM, jpeg, polygon_spectrum

from auditor import optics
from auditor.measure.picture import Picture
from auditor.measure.sharpness import measure_sharpness
from auditor.measure.sharpness.frontier import frontier
from auditor.measure.sharpness.softness import Softness, nothing_in_focus, out_of_focus
from auditor.record import ZONES, Sharpness

_polygons = cache(polygon_spectrum)


def _frame(f_number: float, inner_px: float, outer_px: float, split: float, seed: int) -> Sharpness:
    """Polygons through a perfect lens, blurred by `inner_px` within `split` half-diagonals."""
    scene = _polygons(seed)
    near, far = (jpeg(scene, f_number, blur, 20_000).code for blur in (inner_px, outer_px))
    assert near is not None
    assert far is not None
    h, w = near.shape[:2]
    y, x = np.mgrid[:h, :w]
    inside = np.hypot(x - w / 2, y - h / 2) < split * np.hypot(w, h) / 2
    code = np.where(inside, near, far)
    return measure_sharpness(Picture(code, lossy=True), float(optics.mtf50(f_number, PITCH_UM)))


def test_a_centre_out_of_focus_is_not_taken_for_the_lens() -> None:
    found = _frame(5.6, inner_px=3.0, outer_px=0.0, split=0.35, seed=301)
    assert found.zones["centre"] is None
    for name in ("middle", "corner"):
        zone = found.zones[name]
        assert zone is not None
        assert zone.mtf50_cpp == pytest.approx(float(optics.mtf50(5.6, PITCH_UM)), rel=0.08)


def test_a_poor_corner_at_full_aperture_stays() -> None:
    """A corner of a third of the centre, as weak lenses have it wide open (common practice)."""
    found = _frame(2.8, inner_px=0.0, outer_px=1.0, split=0.7, seed=301)
    assert found.zones["centre"] is not None
    assert found.zones["corner"] is not None
    truth = float(optics.mtf50(2.8, PITCH_UM, 1.0))
    assert truth < 0.36 * found.zones["centre"].mtf50_cpp
    # Diffraction shapes the centre's edges, not the corner's: each is fitted with its own share.
    assert found.zones["corner"].mtf50_cpp == pytest.approx(truth, rel=0.05)


def test_steps_soft_all_over_stay_measured() -> None:
    found = _frame(8.0, inner_px=1.5, outer_px=1.5, split=0.5, seed=301)
    truth = float(optics.mtf50(8.0, PITCH_UM, 1.5))
    for name in ZONES:
        zone = found.zones[name]
        assert zone is not None
        assert zone.mtf50_cpp == pytest.approx(truth, rel=0.08)


def _seen(*values: float, error: float = 0.01) -> dict[str, tuple[float, float]]:
    return {n: (v, v * error) for n, v in zip(ZONES, values, strict=True)}


def test_a_corner_is_believed_soft_the_less_the_smaller_the_aperture() -> None:
    ln = np.log
    assert not out_of_focus(_seen(0.45, 0.30, 0.15), ln(0.49))
    assert out_of_focus(_seen(0.13, 0.12, 0.043), ln(0.13)) == {"corner"}
    assert not out_of_focus(_seen(0.45, 0.30, 0.15))
    assert out_of_focus(_seen(0.45, 0.30, 0.10)) == {"corner"}


@pytest.mark.parametrize("f_number", [2.8, 5.6, 11.0, 22.0])
def test_soft_objects_all_softer_by_a_pixels_blur_are_not_in_focus(f_number: float) -> None:
    """By the closed form; a Gaussian of one pixel adds about (1 / 0.187)^2 to 1 / MTF50^2."""
    limit = float(np.log(optics.mtf50(f_number, PITCH_UM)))
    frames = {px: _seen(*3 * [float(optics.mtf50(f_number, PITCH_UM, px))]) for px in (0.7, 1.5)}
    assert nothing_in_focus(frames[1.5], Softness(1.0, limit))
    assert not nothing_in_focus(frames[0.7], Softness(1.0, limit))
    # One zone in focus, true steps, optics not known, or a figure not sure: nothing is claimed.
    sharp = frames[1.5] | {"middle": (0.9 * float(np.exp(limit)), 0.01)}
    assert not nothing_in_focus(sharp, Softness(1.0, limit))
    assert not nothing_in_focus(frames[1.5], Softness(0.0, limit))
    assert not nothing_in_focus(frames[1.5], Softness(1.0))
    unsure = {n: (v, 1.5 * v) for n, (v, _) in frames[1.5].items()}
    assert not nothing_in_focus(unsure, Softness(1.0, limit))
    assert not nothing_in_focus({}, Softness(1.0, limit))


def test_an_unsure_corner_does_not_speak_against_the_centre() -> None:
    assert not out_of_focus(_seen(0.20, 0.25, 0.30, error=0.3))
    assert "centre" in out_of_focus(_seen(0.20, 0.25, 0.30))


def test_a_centre_is_held_against_the_corners_by_what_is_not_diffraction() -> None:
    """Softness that hides behind diffraction at f/22 (0.13 c/px) is plain at f/2.8 (0.49 c/px): a
    centre short by a quarter is out of focus at one, and may be the lens's at the other."""
    assert "centre" in out_of_focus(_seen(0.098, 0.12, 0.13), np.log(0.13))
    assert "centre" not in out_of_focus(_seen(0.36, 0.44, 0.48), np.log(0.49))
    assert "centre" in out_of_focus(_seen(0.20, 0.44, 0.48), np.log(0.49))
    # A tenth is no proof at any aperture.
    assert "centre" not in out_of_focus(_seen(0.118, 0.12, 0.13), np.log(0.13))


def test_the_sharpest_zone_always_stays() -> None:
    rng = np.random.default_rng(5)
    for _ in range(200):
        values = np.exp(rng.normal(-2, 1, 3))
        out = out_of_focus(_seen(*values, error=0.05), float(rng.choice([np.inf, -0.7, -2])))
        assert ZONES[int(values.argmax())] not in out


def test_a_fifth_of_the_edges_in_focus_is_the_sharp_end() -> None:
    """12 edges of a subject before 48 of a background far out of focus."""
    rng = np.random.default_rng(6)
    found = []
    for _ in range(20):
        values = np.concatenate([np.full(12, -1.2), rng.normal(-2.6, 0.15, 48)])
        errors = np.full(60, 0.05)
        found.append(frontier(values + errors * rng.standard_normal(60), errors)[0])
    assert np.abs(np.array(found) + 1.2).max() < 0.08


@pytest.mark.parametrize("f_number", [2.8, 5.6, 11.0, 22.0])
@pytest.mark.parametrize("lack_px2", [0.0, 25.0])
def test_the_sharp_end_stands_out_at_every_aperture(f_number: float, lack_px2: float) -> None:
    """Objects' softness adds to 1 / MTF50^2 alike at every aperture (Gaussian blurs add by their
    squares), for a perfect lens and for one that is 25 px^2 softer: what diffraction nearly hides of
    that at f/22 may be taken for the objects', within the error stated."""
    limit = float(optics.mtf50(f_number, PITCH_UM))
    truth = -0.5 * np.log(limit**-2 + lack_px2)
    rng = np.random.default_rng(int(10 * f_number))
    found = []
    for _ in range(20):
        softness = np.concatenate([np.zeros(12), rng.exponential(20, 16), rng.normal(150, 25, 32)])
        values = -0.5 * np.log(np.exp(-2 * truth) + np.maximum(softness, 0))
        errors = rng.uniform(0.04, 0.12, len(values))
        found.append(frontier(values + errors * rng.standard_normal(len(values)), errors))
    error = np.array([value - truth for value, _ in found])
    assert abs(np.mean(error)) < (0.04 if lack_px2 == 0 or f_number < 16 else 0.1)
    assert np.mean(np.abs(error) < 2 * np.array([stderr for _, stderr in found])) >= 0.85


def test_the_sharpest_place_lies_about_an_edge() -> None:
    """A plain sky with one small square: the middle of the place shows it, wherever it stands."""
    for top, left in ((163, 170), (470, 901), (560, 330)):
        code = np.full((720, 1080, 3), 190, np.uint8)
        code[top : top + 60, left : left + 60] = 60
        # Turned by 7 degrees, so that its sides are slanted.
        turn = cv2.getRotationMatrix2D((left + 30, top + 30), 7, 1)
        code = cv2.warpAffine(code, turn, (1080, 720), borderMode=cv2.BORDER_REPLICATE)
        place = measure_sharpness(Picture(code)).sharpest
        assert place is not None
        y, x = place.y + place.height / 2, place.x + place.width / 2
        assert abs(y - top - 30) < 45
        assert abs(x - left - 30) < 45
        assert 0 <= place.x <= 1080 - place.width
        assert 0 <= place.y <= 720 - place.height
