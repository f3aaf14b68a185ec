"""Spectra beside edges: contrasts within a scene, a weak word between scenes, nothing where hidden."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lens_worlds import audit

from auditor.artificial.measurements import ArchiveSpec, LensSpec, simulate_frames
from auditor.infer import Criteria
from auditor.infer.lenses import SPECTRUM_COLUMNS, infer_lenses
from auditor.infer.lenses.physics import BlurTable
from auditor.infer.lenses.spectra import blend_spectra
from auditor.optics import diffraction_mtf, gaussian_mtf, mtf50, pixel_mtf
from auditor.record import SPECTRUM_CPP

F_NUMBERS = np.array([2.8, 5.6, 11.0, 22.0])
PITCH = 4.0


def _frames(
    rng: np.random.Generator, scenes: int, edge_error: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Scenes taken at all of `F_NUMBERS`, blurred by chance: edges, spectra, aperture, scene, truth.

    Spectra are a scene's own power law times the squared MTF of diffraction, pixel and a Gaussian
    (Goodman, Introduction to Fourier Optics), written out here.
    """
    freq = np.array(SPECTRUM_CPP)
    aperture = np.tile(np.arange(len(F_NUMBERS)), scenes)
    scene = np.repeat(np.arange(scenes), len(F_NUMBERS))
    blur = rng.uniform(0.4, 1.6, len(scene))
    slope = rng.normal(-2.2, 0.3, scenes)
    log_power = slope[scene, None] * np.log(freq) + rng.normal(0, 1, scenes)[scene, None]
    for i, (k, b) in enumerate(zip(aperture, blur, strict=True)):
        mtf = diffraction_mtf(freq, F_NUMBERS[k], PITCH) * pixel_mtf(freq) * gaussian_mtf(freq, b)
        with np.errstate(divide="ignore"):
            log_power[i] += 2 * np.log(mtf)
    log_power += rng.normal(0, 0.06, log_power.shape)
    log_power[log_power < log_power.max(1, keepdims=True) - 9] = np.nan
    truth = np.log(mtf50(F_NUMBERS[aperture], PITCH, blur))
    edges = truth + rng.normal(0, edge_error, len(truth))
    return edges[:, None], log_power[:, None, :], aperture, scene, truth


def _blend(edges, spectra, aperture, scene, stated):
    stderr = np.full_like(edges, stated)
    return blend_spectra(edges, stderr, spectra, aperture, F_NUMBERS, PITCH, "camera", scene)


def test_within_scenes_spectra_tell_blur_better_than_poor_edges() -> None:
    edges, spectra, aperture, scene, truth = _frames(np.random.default_rng(1), 12, 0.15)
    value, stderr = _blend(edges, spectra, aperture, scene, 0.15)
    before, after = np.abs(edges[:, 0] - truth), np.abs(value[:, 0] - truth)
    assert np.median(after) < 0.6 * np.median(before)
    assert np.mean(after < 2 * stderr[:, 0]) >= 0.9


def test_across_scenes_they_help_a_little() -> None:
    edges, spectra, aperture, scene, truth = _frames(np.random.default_rng(2), 20, 0.15)
    value, _ = _blend(edges, spectra, aperture, np.arange(len(scene)), 0.15)
    before, after = np.abs(edges[:, 0] - truth), np.abs(value[:, 0] - truth)
    assert np.median(after) < 0.9 * np.median(before)


def test_good_edges_are_hardly_moved() -> None:
    edges, spectra, aperture, scene, truth = _frames(np.random.default_rng(3), 12, 0.02)
    value, _ = _blend(edges, spectra, aperture, np.arange(len(scene)), 0.02)
    assert np.median(np.abs(value - edges)) < 0.015
    assert np.median(np.abs(value[:, 0] - truth)) < 0.02


def test_figures_without_a_spectrum_stay_as_they_are() -> None:
    edges, spectra, aperture, scene, _ = _frames(np.random.default_rng(4), 12, 0.1)
    hidden = spectra.copy()
    hidden[:, :, 3:] = np.nan
    for some in (hidden, np.full_like(spectra, np.nan)):
        value, stderr = _blend(edges, some, aperture, scene, 0.1)
        np.testing.assert_array_equal(value, edges)
        assert (stderr == 0.1).all()
    few = _blend(edges[:6], spectra[:6], aperture[:6], scene[:6], 0.1)
    np.testing.assert_array_equal(few[0], edges[:6])


def test_the_closed_form_of_a_blur_leads_back_to_it() -> None:
    table = BlurTable.of(F_NUMBERS, PITCH)
    aperture = np.repeat(np.arange(len(F_NUMBERS)), 5)
    blur = np.tile([0.3, 0.6, 1.0, 1.7, 3.0], len(F_NUMBERS))
    found, slope = table.log_mtf50(aperture, blur**2)
    np.testing.assert_allclose(found, np.log(mtf50(F_NUMBERS[aperture], PITCH, blur)), atol=2e-3)
    assert (slope < 0).all()
    np.testing.assert_allclose(table.blur_of(aperture, found), blur**2, rtol=1e-3, atol=1e-3)


@pytest.mark.parametrize(("together", "share"), [(1, 1.0), (5, 0.9)], ids=["apart", "together"])
def test_archives_of_poor_edges_gain_by_spectra(together: int, share: float) -> None:
    """The same archives with and without their spectra; scenes at one aperture, and at several."""
    noisy = {"scatter": 0.12, "scene": 0.06, "scene_apertures": together, "spectra": True}
    without = audit(8, 2_000, forget=list(SPECTRUM_COLUMNS), **noisy)
    with_them = audit(8, 2_000, **noisy)
    assert np.mean(np.abs(with_them.error)) < share * np.mean(np.abs(without.error))
    assert np.mean(with_them.held) >= 0.75


def test_spectra_may_be_read_by_path_for_the_frames_of_a_curve_only() -> None:
    frames, _ = simulate_frames(
        ArchiveSpec(lenses=[LensSpec()], scatter=0.1, spectra=True, all_columns=False), 8
    )
    asked: list[str] = []

    def reader(paths: list[str]) -> pd.DataFrame:
        asked.extend(paths)
        columns = frames[["path", *SPECTRUM_COLUMNS]]
        return columns[columns["path"].isin(paths)].sample(frac=1.0, random_state=1)

    whole = infer_lenses(frames, Criteria())
    lean = infer_lenses(frames.drop(columns=list(SPECTRUM_COLUMNS)), Criteria(), reader)
    without = infer_lenses(frames.drop(columns=list(SPECTRUM_COLUMNS)), Criteria())
    assert set(asked) <= set(frames["path"])
    for one, other in zip(whole, lean, strict=True):
        for a, b in zip(one["focal_ranges"], other["focal_ranges"], strict=True):
            for x, y in zip(a["apertures"], b["apertures"], strict=True):
                assert x["centre"]["mtf50_cpp"] == pytest.approx(y["centre"]["mtf50_cpp"], rel=1e-3)
    assert whole[0]["focal_ranges"][0]["curve"] != without[0]["focal_ranges"][0]["curve"]


def test_lost_spectra_cost_nothing_else() -> None:
    frames, _ = simulate_frames(ArchiveSpec(lenses=[LensSpec()], all_columns=False), 9)
    plain = infer_lenses(frames, Criteria())
    empty = infer_lenses(
        frames, Criteria(), lambda paths: pd.DataFrame({"path": pd.Series([], dtype="str")})
    )
    assert plain == empty
