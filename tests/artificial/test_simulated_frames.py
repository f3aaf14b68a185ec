"""The simulator of measurements against the closed form it claims to draw from."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

from auditor.optics import system_mtf
from auditor.record import COLUMNS


def test_the_table_has_the_columns_of_store_and_relations():
    frames, truth = simulate_frames(ArchiveSpec(), 1)
    assert set(frames) >= {c.name for c in COLUMNS} | {"capture", "best", "burst", "outing"}
    assert len(frames) == len(truth.fault)


def test_the_same_seed_gives_the_same_archive_and_another_another():
    one, _ = simulate_frames(ArchiveSpec(all_columns=False), 1)
    same, _ = simulate_frames(ArchiveSpec(all_columns=False), 1)
    other, _ = simulate_frames(ArchiveSpec(all_columns=False), 2)
    assert one.equals(same)
    assert not one["centre_mtf50_cpp"].equals(other["centre_mtf50_cpp"])


def test_sound_frames_scatter_around_the_closed_form_and_failed_ones_lie_below():
    lens = LensSpec(frames=200)
    spec = ArchiveSpec(lenses=[lens], outing=0.0, soft_zone=0.0, all_columns=False)
    frames, truth = simulate_frames(spec, 3)
    blur = lens.centre.at(frames["f_number"].to_numpy(), 2.8)
    value = frames["centre_mtf50_cpp"].to_numpy()
    sound = truth.fault == "none"
    # By definition the system MTF is one half at its MTF50.
    at_half = system_mtf(np.exp(_by_aperture(frames, np.log(value), sound)), *_lens_at(lens))
    assert at_half == pytest.approx(np.full(len(lens.apertures), 0.5), abs=0.01)
    assert np.median(value[~sound] / value[sound].mean()) < 0.9
    assert len(blur) == len(value)


def _by_aperture(frames, values, sound):
    return np.array(
        [values[sound & (frames["f_number"] == f)].mean() for f in LensSpec().apertures]
    )


def _lens_at(lens):
    n = np.array(lens.apertures)
    return n, lens.pitch_um, lens.centre.at(n, n.min())


def test_faults_come_in_the_shares_asked_for():
    spec = ArchiveSpec(lenses=[LensSpec(frames=500)], missed=0.3, shaken=0.15, all_columns=False)
    fault = simulate_frames(spec, 4)[1].fault
    assert np.mean(fault == "missed focus") == pytest.approx(0.30, abs=0.03)
    assert np.mean(fault == "shake") == pytest.approx(0.15 * 0.70, abs=0.03)
