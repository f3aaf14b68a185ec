"""Frames that say nothing of a body's limits, and what the profile and its sentences say in their place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tone_archives import ToneBody, ToneWorld, tone_archive

from auditor.infer.bodies import AcceptError, accept_table, fit_bodies, infer_bodies
from auditor.infer.bodies.observe import UNKNOWN_BODY
from auditor.infer.bodies.sensor import sensor_figures
from auditor.model import Body, KeptApart, Tone
from auditor.report.card import iso_rows
from auditor.report.first_screen import body_lines
from auditor.report.iso_words import short_frames, shown_bands
from auditor.report.page import render_report
from auditor.report.summary import summary_lines

DAY = ((14.0, -2.3), (9.0, -4.3))
NIGHT = ((0.0, -5.3),)


def _apart(frames: pd.DataFrame, number: int = 1) -> pd.DataFrame:
    """The same frames as captures and outings of their own."""
    names = ["capture", "burst", "outing"]
    frames[names] += 5000 * number
    frames["path"] = f"{number}/" + frames["path"]
    return frames


def _joined(*parts: pd.DataFrame) -> pd.DataFrame:
    apart = [_apart(part, i) for i, part in enumerate(parts)]
    return pd.concat(apart, ignore_index=True)


def _night(seconds: float, short: int = 0) -> pd.DataFrame:
    """A body used by day and at night, where all but so many frames take `seconds`, twice as noisy."""
    rng = np.random.default_rng(3)
    day = tone_archive([ToneBody("Alder")], [100, 400, 1600, 3200], rng, frames=10, scenes=DAY)
    night = tone_archive(
        [ToneBody("Alder", development=2.0)], [800, 3200], rng, frames=12, scenes=NIGHT
    )
    night["ev100"] = 1.0  # in one band, without any doubt
    night["exposure_time_s"] = [0.5] * short + [seconds] * (len(night) - short)
    return _joined(day, night)


def test_no_limit_is_named_for_light_of_long_exposures_only() -> None:
    (body,) = infer_bodies(_night(2.0))["bodies"]
    (band,) = (b for b in body["brightness"] if b["key"] == "night")
    assert (band["frames"], band["long_exposures"]) == (24, 24)
    assert "night" not in [b["key"] for b in shown_bands(body)]
    assert not any("for night" in s for s in summary_lines({"bodies": [body]}))
    (line,) = body_lines({"bodies": [body]}, [body])
    assert not any("night" in light for light, _, _ in line.limits)
    assert not any("night" in light for light, _ in iso_rows([body]))
    (note,) = (n for n in body["notes"] if n.startswith("night"))
    assert "all 24 frames are long exposures" in note
    assert "under 1 s" in note


def test_a_limit_counts_the_frames_that_it_holds_for() -> None:
    (body,) = infer_bodies(_night(2.0, short=6))["bodies"]
    (band,) = (b for b in body["brightness"] if b["key"] == "night")
    assert (band["frames"], band["long_exposures"]) == (24, 18)
    assert short_frames(band) == 6
    assert not any(n.startswith("night") for n in body["notes"])
    (short,) = infer_bodies(_night(0.5))["bodies"]
    assert [short_frames(b) for b in short["brightness"] if b["key"] == "night"] == [24]


def _two_strangers() -> pd.DataFrame:
    """A body, and files of two others that name no camera."""
    rng, isos = np.random.default_rng(5), [200, 800, 3200]
    own = tone_archive([ToneBody("Alder")], isos, rng, frames=12)
    small = tone_archive([ToneBody("x", full_scale_e=15_000)], isos, rng, frames=6)
    large = tone_archive([ToneBody("y", full_scale_e=90_000)], isos, rng, frames=6)
    small["body"] = large["body"] = None
    return _joined(own, small, large)


def test_files_that_name_no_camera_are_not_held_against_a_body() -> None:
    frames = _two_strangers()
    found = infer_bodies(frames)
    assert found["iso_matches"] == []
    (stranger,) = (b for b in found["bodies"] if b["body"] == UNKNOWN_BODY)
    assert any("may be of several" in note for note in stranger["notes"])
    assert body_lines({"bodies": [stranger]}, [stranger]) == []
    model = fit_bodies(frames)
    assert {row["body"] for row in accept_table(model, "Alder", 800, "sun")} == {"Alder"}
    with pytest.raises(AcceptError, match=r"known bodies: Alder$"):
        accept_table(model, UNKNOWN_BODY, 800, "sun")
    named = infer_bodies(frames.assign(body=frames["body"].fillna("Birch")))
    assert {m["body"] for m in named["iso_matches"]} == {"Alder", "Birch"}


def test_what_is_accepted_lies_within_a_stop_of_the_iso_values_used() -> None:
    rng = np.random.default_rng(1)
    used = tone_archive([ToneBody("Alder")], [100, 200, 800], rng)
    other = tone_archive([ToneBody("Birch")], [100, 200, 400, 800, 1600, 25600, 51200], rng)
    model = fit_bodies(_joined(used, other))
    for iso in (25, 3200, 51200):
        with pytest.raises(AcceptError, match="from ISO 100 to 800 only"):
            accept_table(model, "Alder", iso, "sun")
    for iso, seen in ((50, False), (200, True), (400, False), (800, True), (1600, False)):
        rows = [r for r in accept_table(model, "Alder", iso, "sun") if r["key"] == "sun"]
        assert all(row["predicted"] for row in rows) or seen
        assert rows[1]["iso"] is not None
    (same,) = (
        r
        for r in accept_table(model, "Alder", 200, "sun")
        if r["key"] == "sun" and r["body"] == "Alder"
    )
    assert not same["predicted"]


def _small_sensor(isos: list[int], scenes: tuple[tuple[float, float], ...]) -> list[Body]:
    """A body too noisy for night at any ISO that it was used at."""
    small = ToneBody("Alder", full_scale_e=1500, read_noise_e=4)
    frames = tone_archive([small], isos, np.random.default_rng(3), frames=24, scenes=scenes)
    frames["exposure_time_s"] = np.minimum(frames["exposure_time_s"], 0.5)
    return infer_bodies(frames)["bodies"]


def test_light_in_which_no_iso_is_acceptable_is_said_to_be() -> None:
    (body,) = bodies = _small_sensor([200, 400, 800], ((14.0, -2.3), (1.0, -7.0)))
    (told,) = (s for s in summary_lines({"bodies": [body]}) if "for night" in s)
    none = "no ISO that was used is acceptable for night (not reached at ISO 200, the lowest used; "
    assert told.index("up to ISO") < told.index(none)
    (line,) = body_lines({"bodies": bodies}, bodies)
    assert [(light, limit.missed) for light, limit, _ in line.limits][-1] == ("night", True)
    assert not any(limit.missed for _, limit, _ in line.limits[:-1])
    light, ((excellent, acceptable),) = iso_rows(bodies)[-1]
    assert (light, excellent.short, acceptable.short) == ("night", "none", "none")
    (night,) = _small_sensor([400, 800], ((1.0, -7.0),))
    (told,) = (s for s in summary_lines({"bodies": [night]}) if "for night" in s)
    assert told.startswith("Alder: no ISO that was used is acceptable for night (")
    (line,) = body_lines({"bodies": [night]}, [night])
    assert [limit.missed for _, limit, _ in line.limits] == [True]


def test_first_screen_names_light_in_which_no_iso_is_acceptable() -> None:
    bodies = _small_sensor([200, 400, 800], ((14.0, -2.3), (1.0, -7.0)))
    page = render_report({"bodies": bodies}, None, None)
    start = page.index("ISO to use")
    assert "<b>none acceptable</b>" in page[start : page.index("</table>", start)]


def _left_out(body: Body, word: str) -> list[int]:
    return [entry["frames"] for entry in body["left_out"] if word in entry["reason"]]


def _middle(body: Body, iso: int) -> Tone:
    (tone,) = (t for t in body["tones"] if (t["iso"], t["signal"]) == (iso, 0.18))
    return tone


def test_files_of_several_exposures_do_not_lend_their_noise() -> None:
    rng, isos = np.random.default_rng(5), [100, 800, 3200]
    single = tone_archive([ToneBody("Alder", source="edited")], isos, rng, frames=8)
    merged = tone_archive(
        [ToneBody("Alder", source="edited", development=0.33)], isos, rng, frames=10
    )
    merged["software"] = "Photo HDR merge"
    (alone,), (both,) = (
        infer_bodies(f)["bodies"] for f in (single.copy(), _joined(single, merged))
    )
    assert both["tones"] == alone["tones"]
    assert _left_out(both, "several exposures") == [30]
    assert sum(band["frames"] for band in both["brightness"]) == 24
    # A telephone's own program may be called so: it is how all its pictures are made.
    phone = tone_archive([ToneBody("Birch")], isos, rng).assign(software="HDR+ 1.0")
    assert infer_bodies(phone)["bodies"][0]["left_out"] == []


@pytest.mark.parametrize("most", ["large", "small"])
def test_picture_sizes_of_a_camera_are_not_pooled(most: str) -> None:
    rng, isos = np.random.default_rng(5), [100, 800, 3200]
    large = ToneBody("Alder")
    small = ToneBody("Alder", development=0.5, width_px=3000, height_px=2000, pixel_pitch_um=8.0)
    sizes = (large, small) if most == "large" else (small, large)
    many, few = (
        tone_archive([body], isos, rng, frames=n) for body, n in zip(sizes, (10, 8), strict=True)
    )
    many["pixel_pitch_um"] *= np.exp(rng.uniform(-0.01, 0.01, len(many)))  # as rounded tags have it
    (alone,), (both,) = (infer_bodies(f)["bodies"] for f in (many.copy(), _joined(many, few)))
    assert both["tones"] == alone["tones"]
    assert _left_out(both, "picture size") == [24]


def test_a_pixel_of_reduced_files_is_not_called_the_sensors() -> None:
    frames = tone_archive([ToneBody("Alder", pixel_pitch_um=8.0)], [100], np.random.default_rng(5))
    for kind, known in (("camera full size", 8.0), ("camera reduced", None)):
        (body,) = infer_bodies(frames.assign(file_kind=kind))["bodies"]
        assert body["pixel_pitch_um"] == known
    (body,) = infer_bodies(frames.assign(file_kind=kind, sensor_pixel_um=4.0))["bodies"]
    assert body["pixel_pitch_um"] == 4.0


@pytest.mark.parametrize("frames_of_12_bits", [5, 11])
def test_bit_depths_of_raw_files_are_not_pooled(frames_of_12_bits: int) -> None:
    body = ToneBody("Birch", full_scale_e=45_000, source="raw")
    rng = np.random.default_rng(1)
    deep = tone_archive([body], [100, 400], rng, frames=8)
    coarse = tone_archive([body], [100, 400], rng, frames=frames_of_12_bits)
    coarse["gain_e_per_dn"] = coarse["gain_e_per_dn"].astype(float) * 4
    coarse["white_dn"] = coarse["white_dn"].astype(float) / 4
    (found,) = infer_bodies(_joined(deep, coarse))["bodies"]
    usual = 3.0 if frames_of_12_bits < 8 else 12.0
    for entry in found["sensor"]["by_iso"]:
        assert entry["gain_e_per_dn"] == pytest.approx(usual * 100 / entry["iso"], rel=0.05)
        assert entry["gain_high"] / entry["gain_low"] < 1.2
        assert entry["full_scale_e"] == pytest.approx(45_000 * 100 / entry["iso"], rel=0.05)
    assert found["sensor"]["other_bit_depth"] == 2 * min(frames_of_12_bits, 8)


def _nights(bodies: int, outings: int = 1) -> list[KeptApart | None]:
    """Of each body long exposures, twenty of an outing, exactly as noisy as all others."""
    rng, names = np.random.default_rng(0), [f"Alder {n}" for n in range(bodies)]
    made = [ToneBody(name) for name in names]
    frames = tone_archive(made, [100, 400, 1600], rng, frames=12, world=ToneWorld(bias_sd=0))
    one = ToneWorld(bias_sd=0, frames_per_outing=20)
    night = tone_archive(made, [400], rng, frames=20 * outings, world=one).assign(
        exposure_time_s=8.0
    )
    found = {b["body"]: b["long_exposures"] for b in infer_bodies(_joined(frames, night))["bodies"]}
    return [found[name] for name in names]


def test_frames_of_one_outing_are_not_taken_as_independent() -> None:
    """Of one outing nothing tells how outings differ; of three these speak, not their sixty frames."""
    (one,) = _nights(1)
    assert one is not None
    assert (one["frames"], one["outings"], one["low"], one["high"]) == (20, 1, None, None)
    found = [apart for apart in _nights(12, 3) if apart is not None]
    assert {(apart["frames"], apart["outings"]) for apart in found} == {(60, 3)}
    assert sum(apart["low"] <= 1 <= apart["high"] for apart in found) >= 10


@pytest.mark.parametrize("each", [1, 3, pytest.param(6, marks=pytest.mark.long)])
def test_no_level_of_read_noise_is_told_of_too_few_frames(each: int) -> None:
    """Read noise still falls at the last ISO, and is known to 20% in each frame."""
    bodies = [
        ToneBody(f"Birch {n}", read_noise_e=2.0, downstream_e=12.0, source="raw") for n in range(12)
    ]
    rng = np.random.default_rng(1000)
    frames = tone_archive(bodies, [100, 200, 400, 800, 1600], rng, frames=each)
    frames["read_noise_e"] = frames["read_noise_e"].astype(float) * np.exp(
        rng.normal(0, 0.2, len(frames))
    )
    sensors = sensor_figures(frames, 0.9)
    assert len(sensors) == 12
    for sensor in sensors.values():
        assert sensor["level_from_iso"] is None
        said = "needs 3 raw frames" if each == 1 else "falls at ISO 1600, the highest used"
        assert said in sensor["level_reason"]
