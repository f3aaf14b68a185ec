"""Kinds of file, development, dual gain, raw sensors and exposure habits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tone_archives import ToneBody, ToneWorld, snr_truth, tone_archive

from auditor.infer.bodies import infer_bodies
from auditor.infer.bodies import observe as observe_module
from auditor.infer.bodies.habits import lifts
from auditor.infer.bodies.observe import observe
from auditor.infer.lenses.scene_groups import scenes_of
from auditor.record import SIGNAL_BIN_EDGES

FULL_STOPS = [100, 200, 400, 800, 1600, 3200, 6400, 12800]


def _tone(profile: dict, iso: int, signal: float = 0.18, body: int = 0) -> dict:
    (found,) = (
        t for t in profile["bodies"][body]["tones"] if (t["iso"], t["signal"]) == (iso, signal)
    )
    return found


def test_noise_reduction_that_grows_with_iso_is_followed() -> None:
    """7% less noise per stop, as developed files show: no photon law has that shape."""
    body = ToneBody("Alder One", development_per_stop=-0.07)
    frames = tone_archive([body], FULL_STOPS, np.random.default_rng(21), frames=12)
    profile = infer_bodies(frames)
    for iso in (400, 1600, 6400, 12800):
        truth = float(snr_truth(body, iso, 0.18))
        assert _tone(profile, iso)["snr"] == pytest.approx(truth, rel=0.1)


def test_a_rare_iso_borrows_strength_from_the_others() -> None:
    body = ToneBody("Alder One")
    world = ToneWorld(bias_sd=0.0, outlier_share=0.0)
    rng = np.random.default_rng(22)
    frames = tone_archive([body], [400, 800, 1600, 6400], rng, frames=12, world=world)
    rare = tone_archive([body], [3200], rng, frames=1, world=ToneWorld(frame_sd=0.0, bias_sd=0.0))
    sigmas = [c for c in rare.columns if c.startswith("tone_") and c.endswith("_sigma")]
    rare[sigmas] = rare[sigmas].apply(pd.to_numeric) * 1.5  # its one frame reads 50% too high
    rare[["outing", "burst", "capture"]] += 9000
    profile = infer_bodies(pd.concat([frames, rare], ignore_index=True))
    truth = float(snr_truth(body, 3200, 0.18))
    assert _tone(profile, 3200)["snr"] == pytest.approx(truth, rel=0.12)


def test_a_sensor_of_two_gains_is_followed() -> None:
    """Read noise falls from 6 to 1.5 electrons at ISO 640; the law knows one read noise, and departures from it
    do the rest."""
    body = ToneBody(
        "Birch Raw", read_noise_e=6.0, dual_gain_iso=640, high_gain_read_e=1.5, source="raw"
    )
    isos = [100, 200, 320, 400, 500, 640, 800, 1600, 3200, 6400, 12800]
    frames = tone_archive([body], isos, np.random.default_rng(23), frames=20)
    for tone in infer_bodies(frames)["bodies"][0]["tones"]:
        truth = float(snr_truth(body, tone["iso"], tone["signal"]))
        assert tone["snr"] == pytest.approx(truth, rel=0.1)


def test_kinds_of_file_are_not_mixed() -> None:
    """Edited files of the body are cleaned up: each kind keeps its own figures."""
    plain, cleaned = ToneBody("Alder One"), ToneBody("Alder One", development=0.5, source="edited")
    rng = np.random.default_rng(24)
    frames = tone_archive([plain], FULL_STOPS, rng, frames=6)
    edited = tone_archive([cleaned], [800, 3200], rng, frames=6)
    edited[["outing", "burst", "capture"]] += 9000
    profile = infer_bodies(pd.concat([frames, edited], ignore_index=True))
    (body,) = profile["bodies"]
    assert body["kind"] == "camera"
    (other,) = body["other_kinds"]
    assert other["kind"] == "edited"
    assert any("noise reduction" in n for n in other["notes"])
    (tone,) = (t for t in other["tones"] if (t["iso"], t["signal"]) == (3200, 0.18))
    assert tone["snr"] / _tone(profile, 3200)["snr"] == pytest.approx(2.0, rel=0.15)


def test_raw_gain_and_read_noise_and_where_it_levels_out() -> None:
    """r^2 = 2^2 + (24 * 100 / ISO)^2: within 10% of the lowest from about ISO 2,500 on."""
    body = ToneBody(
        "Birch Raw", full_scale_e=45_000, read_noise_e=2.0, downstream_e=24.0, source="raw"
    )
    frames = tone_archive([body], FULL_STOPS, np.random.default_rng(25), frames=12)
    sensor = infer_bodies(frames)["bodies"][0]["sensor"]
    for entry in sensor["by_iso"]:
        assert entry["gain_e_per_dn"] == pytest.approx(3.0 * 100 / entry["iso"], rel=0.05)
        truth = np.hypot(2.0, 24 * 100 / entry["iso"])
        assert entry["read_noise_e"] == pytest.approx(truth, rel=0.08)
        assert entry["read_low"] <= entry["read_noise_e"] <= entry["read_high"]
        assert entry["full_scale_e"] == pytest.approx(45_000 * 100 / entry["iso"], rel=0.05)
    assert sensor["level_from_iso"] in (1600, 3200)
    assert sensor["level_low"] <= sensor["level_from_iso"] <= sensor["level_high"]


def test_read_noise_that_still_falls_is_said_to() -> None:
    body = ToneBody("Birch Raw", read_noise_e=0.5, downstream_e=60.0, source="raw")
    frames = tone_archive([body], [100, 200, 400], np.random.default_rng(26))
    sensor = infer_bodies(frames)["bodies"][0]["sensor"]
    assert sensor["level_from_iso"] is None
    assert "still falls" in sensor["level_reason"]


def test_gain_is_kept_where_read_noise_is_open() -> None:
    """Frames without dark flat places tell their gain alone."""
    body = ToneBody("Birch Raw", full_scale_e=45_000, read_noise_e=2.0, source="raw")
    frames = tone_archive([body], [100, 200, 400], np.random.default_rng(27))
    frames.loc[frames["iso"] < 400, "read_noise_e"] = np.nan
    sensor = infer_bodies(frames)["bodies"][0]["sensor"]
    by_iso = {e["iso"]: e for e in sensor["by_iso"]}
    assert by_iso[100]["gain_e_per_dn"] == pytest.approx(3.0, rel=0.05)
    assert by_iso[100]["read_noise_e"] is None
    assert by_iso[400]["read_noise_e"] is not None
    assert "dark flat places" in sensor["level_reason"]


def _brightened(frames: pd.DataFrame, stops: float, rows: slice) -> pd.DataFrame:
    """Edited twins of `frames`; those of `rows` lifted by so many stops."""
    twins = frames.assign(source="edited", best=False)
    names = [f"signal_share_{i:02d}" for i in range(len(SIGNAL_BIN_EDGES) - 1)]
    shift = round(stops * 2)
    values = twins[names].to_numpy(float, copy=True)
    lifted = np.zeros_like(values)
    lifted[:, shift:] = values[:, :-shift]
    lifted[:, -1] += values[:, -shift:].sum(axis=1)
    values[rows] = lifted[rows]
    twins[names] = values
    return twins


def test_lifted_files_are_found_by_their_originals() -> None:
    frames = tone_archive([ToneBody("Alder One")], [400], np.random.default_rng(27), frames=40)
    both = pd.concat([frames, _brightened(frames, 1.5, slice(0, 10))], ignore_index=True)
    found = lifts(both)["lift"].sort_values()
    assert found.iloc[-10:].median() == pytest.approx(1.5, abs=0.15)
    assert found.iloc[:-10].abs().max() < 0.1
    (habit,) = (h for h in infer_bodies(both)["habits"] if h["habit"] == "lifted")
    assert (habit["frames"], habit["of"]) == (10, 40)
    assert habit["low"] < 0.25 < habit["high"]


def test_lifted_files_stand_apart() -> None:
    """Edited files brightened by 1.5 stops show the noise of a darker signal: it is not the ISO's."""
    rng = np.random.default_rng(30)
    frames = tone_archive([ToneBody("Alder One")], [400], rng, frames=40)
    edited = _brightened(frames, 1.5, slice(0, 10))
    edited["best"], frames["best"] = True, False
    names = [c for c in edited.columns if c.startswith("tone_") and c.endswith("_sigma")]
    sigmas = edited[names].apply(pd.to_numeric)
    sigmas.iloc[:10] *= 1.7
    edited[names] = sigmas
    (body,) = infer_bodies(pd.concat([frames, edited], ignore_index=True))["bodies"]
    assert body["kind"] == "edited"
    assert body["frames_used"] == 30
    (left_out,) = body["left_out"]
    assert left_out["frames"] == 10
    assert "brightened" in left_out["reason"]


def test_time_to_spare_is_told_only_of_scenes_that_stood_still() -> None:
    rng = np.random.default_rng(28)
    frames = tone_archive([ToneBody("Alder One")], FULL_STOPS, rng, frames=6)
    still = tone_archive([ToneBody("Alder One")], [12800], rng, frames=10, scenes=((14.0, -2.3),))
    still[["outing", "burst", "capture"]] += 9000
    still["taken"] = [f"2024-06-01T12:00:{k:02d}" for k in range(10)]
    still["signature"] = bytes(rng.integers(60, 200, 96).astype(np.uint8)).hex()
    moving = still.copy()
    moving[["outing", "burst", "capture"]] += 900
    moving["taken"] = [f"2024-07-01T12:00:{k:02d}" for k in range(10)]
    moving["signature"] = [
        bytes(rng.integers(20, 236, 96).astype(np.uint8)).hex() for _ in range(10)
    ]
    # A figure on five of 96 places walks by its own width from frame to frame: one scene, and no still one.
    walking = still.copy()
    walking[["outing", "burst", "capture"]] += 1800
    walking["taken"] = [f"2024-08-01T12:00:{k:02d}" for k in range(10)]
    ground = np.tile(np.linspace(40, 220, 12), (8, 1)).astype(np.uint8)
    pictures = [ground.copy() for _ in range(10)]
    for k, picture in enumerate(pictures):
        picture[2:7, 1 + k] -= 40
    walking["signature"] = [picture.tobytes().hex() for picture in pictures]
    assert len(set(scenes_of(walking.assign(burst=range(10), outing=1)))) == 1
    profile = infer_bodies(pd.concat([frames, still, moving, walking], ignore_index=True))
    (habit,) = (h for h in profile["habits"] if h["habit"] == "time to spare")
    assert (habit["frames"], habit["of"]) == (10, 10)


def test_frames_with_two_stops_of_headroom_are_counted() -> None:
    rng = np.random.default_rng(29)
    frames = tone_archive([ToneBody("Alder One")], [100, 800], rng, frames=10)
    names = [f"signal_share_{i:02d}" for i in range(len(SIGNAL_BIN_EDGES) - 1)]
    dim = (frames["iso"] == 800) & (frames.index % 2 == 0)
    values = frames.loc[dim, names].to_numpy(float, copy=True)
    values[:, -4:] = 0.0  # nothing above a quarter of white
    frames.loc[dim, names] = values
    (habit,) = (h for h in infer_bodies(frames)["habits"] if h["habit"] == "underexposed")
    assert (habit["frames"], habit["of"]) == (int(dim.sum()), 10)


def test_a_sample_of_very_many_frames_stands_for_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """The figures stay within their intervals, outings and rare settings are kept."""
    body = ToneBody("Alder One", width_px=6000)
    frames = tone_archive([body], [100, 1600], np.random.default_rng(31), frames=400)
    frames.loc[frames.index[:5], "exposure_time_s"] = 4.0
    whole = infer_bodies(frames)["bodies"][0]
    monkeypatch.setattr(observe_module, "STEP_LIMIT", 100)
    seen = observe(frames)
    assert seen.usable == {("Alder One", "camera"): 800}
    assert len(seen.frames) == 205
    assert int(seen.frames["long_exposure"].sum()) == 5
    assert observe(frames).frames["frame"].tolist() == seen.frames["frame"].tolist()
    part = infer_bodies(frames)["bodies"][0]
    assert part["frames"] == whole["frames"] == 800
    assert part["frames_used"] == 200
    for a, b in zip(part["tones"], whole["tones"], strict=True):
        assert a["low"] <= b["snr"] <= a["high"]
        assert a["frames"] <= 100


@pytest.mark.parametrize("hashed", [True, False])
def test_the_sample_of_a_body_does_not_hang_on_other_frames_nor_on_the_order_of_rows(
    monkeypatch: pytest.MonkeyPatch, hashed: bool
) -> None:
    """A part of the archive, or one in which files were renamed, tells the same of the same frames."""
    monkeypatch.setattr(observe_module, "STEP_LIMIT", 100)
    bodies = [ToneBody("Alder One"), ToneBody("Birch", width_px=6000)]
    frames = tone_archive(bodies, [100, 1600], np.random.default_rng(41), frames=200)
    frames = frames.drop(columns="file_id", errors="ignore").assign(mark=np.arange(len(frames)))
    if hashed:
        frames["file_id"] = [f"content {n}" for n in frames["mark"]]

    def sample(part: pd.DataFrame) -> set[int]:
        part = part.reset_index(drop=True)
        seen = observe(part).frames
        return set(part["mark"][seen["frame"][seen["body"] == "Birch"]])

    whole = sample(frames)
    assert len(whole) == 200
    assert sample(frames.sample(frac=1, random_state=1)) == whole
    assert sample(frames[frames["body"] == "Birch"]) == whole
    assert sample(pd.concat([frames[::-1], frames[:7].assign(body="Cedar")])) == whole
