"""What the archive says about bodies and ISO, against closed forms and the standard's definition."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from tone_archives import ToneBody, ToneWorld, snr_truth, tone_archive

from auditor.exposure import ev100
from auditor.infer.bodies import (
    accept_table,
    fit_bodies,
    infer_bodies,
    parse_accept,
)
from auditor.infer.bodies.bands import Scenes, bands_of
from auditor.infer.bodies.matches import MOST_REFERENCES, _references
from auditor.infer.bodies.response import ISO_GRID, SIGNAL_GRID
from auditor.infer.bodies.visible import frame_snr, isos_reaching, lightness_slope
from auditor.infer.criteria import Criteria
from auditor.record import MID_GREY, SIGNAL_BIN_EDGES, TONE_SIGNALS, tone_column

FULL_STOPS = [100, 200, 400, 800, 1600, 3200, 6400, 12800]
ONE = ToneBody("Alder One", full_scale_e=60_000)
TWO = ToneBody("Alder Two", full_scale_e=30_000)


@pytest.fixture(scope="module")
def archive() -> pd.DataFrame:
    return tone_archive([ONE, TWO], FULL_STOPS, np.random.default_rng(11))


@pytest.fixture(scope="module")
def profile(archive: pd.DataFrame) -> dict:
    return infer_bodies(archive)


def test_mid_tone_snr_follows_the_closed_form(profile: dict) -> None:
    errors = []
    for truth, body in zip((ONE, TWO), profile["bodies"], strict=True):
        assert body["body"] == truth.name
        for tone in body["tones"]:
            if tone["signal"] == 0.18:
                errors.append(tone["snr"] / float(snr_truth(truth, tone["iso"], 0.18)) - 1)
    assert len(errors) == 16
    assert np.median(np.abs(errors)) <= 0.08


def test_every_iso_used_has_every_tone_with_bounds(profile: dict) -> None:
    for body in profile["bodies"]:
        assert {(t["iso"], t["signal"]) for t in body["tones"]} == {
            (i, s) for i in FULL_STOPS for s in (0.01125, 0.0225, 0.045, 0.09, 0.18, 0.36, 0.72)
        }
        assert all(t["low"] < t["snr"] < t["high"] for t in body["tones"])
        assert all(t["frames"] > 0 or t["predicted"] for t in body["tones"])


def test_half_the_electrons_is_worth_half_the_iso(profile: dict) -> None:
    off = [
        abs(np.log2(m["iso"] / m["reference_iso"] * factor))
        for m in profile["iso_matches"]
        for factor in [2.0 if m["body"] == TWO.name else 0.5]
        if 200 <= m["reference_iso"] <= 6400
    ]
    assert len(off) > 60
    assert np.median(off) <= 1 / 3


def test_matches_there_and_back_agree(profile: dict) -> None:
    exact = {
        (m["body"], m["key"] if "key" in m else m["band"], m["reference_iso"]): m["iso_exact"]
        for m in profile["iso_matches"]
    }
    for band in {m["band"] for m in profile["iso_matches"]}:
        there = exact[TWO.name, band, 1600]
        back = exact[ONE.name, band, 800]
        # ISO 1600 on one is ISO x on two; ISO 800 on two is ISO y on one: x / 800 = 1600 / y.
        assert there / 800 == pytest.approx(1600 / back, rel=0.06)


def test_noise_based_speed_of_the_standard_by_hand() -> None:
    """ISO 12232: the noise-based speed is the exposure index at which the mid-tone has SNR 40 or 10.

    By hand: a mid-tone of 0.18 holds 0.18 * 60000 * 100 / S electrons at index S. With read noise
    3 e-, SNR = n / sqrt(n + 9) is 40 at n = 800 + sqrt(800^2 + 1600 * 9) = 1609.0 and 10 at
    n = 50 + sqrt(50^2 + 100 * 9) = 108.3; so S40 = 1080000 / 1609.0 = 671, S10 = 9972.
    """
    grid_iso = np.array(ISO_GRID, float)[:, None]
    grid_signal = np.array(SIGNAL_GRID)[None, :]
    log_sigma = np.log(grid_signal / snr_truth(ONE, grid_iso, grid_signal))
    # A frame that is all mid-tone: put the mid-tone's noise in the bin that holds it.
    bins = len(SIGNAL_BIN_EDGES) - 1
    mid_bin = int(np.searchsorted(SIGNAL_BIN_EDGES, np.log2(MID_GREY))) - 1
    at_mid = log_sigma[:, SIGNAL_GRID.index(MID_GREY)]
    slope = lightness_slope(MID_GREY) / lightness_slope(SIGNAL_GRID[mid_bin])
    log_sigma[:, mid_bin] = at_mid + np.log(slope)
    shares = np.zeros(bins)
    shares[mid_bin] = 1.0
    scenes = Scenes(shares, (MID_GREY,) * 3)
    curve = frame_snr(log_sigma, scenes, np.ones(len(ISO_GRID)))
    assert 2 ** isos_reaching(curve, np.log2(40)) == pytest.approx(671, rel=0.01)
    assert 2 ** isos_reaching(curve, np.log2(10)) == pytest.approx(9972, rel=0.01)


@pytest.mark.parametrize(
    ("f_number", "seconds", "iso", "expected", "key"),
    [
        # Exif 2.32, annex C: f/8 is Av 6, 1/125 s Tv 7 (2 ** -7 s); at ISO 100 EV100 = Av + Tv.
        (8.0, 2.0**-7, 100, 13.0, "sun"),
        # The rule of sunny sixteen, f/16 and one over the ISO (common practice, no source).
        (16.0, 1 / 100, 100, 14.64, "sun"),
        (2.8, 1 / 60, 1600, 4.88, "dusk"),
        (2.0, 2.0**3, 100, -1.0, "night"),
        (4.0, 2.0**-6, 200, 9.0, "shade"),
        (5.6, 2.0**-7, 100, 11.97, "overcast"),
    ],
)
def test_brightness_band_from_exposure(
    f_number: float, seconds: float, iso: float, expected: float, key: str
) -> None:
    value = float(ev100(f_number, seconds, iso))
    assert value == pytest.approx(expected, abs=0.01)
    assert list(bands_of(np.array([value]))) == [key]


def _usable(profile: dict, body: str, key: str, name: str) -> float:
    for b in profile["bodies"]:
        if b["body"] == body:
            for band in b["brightness"]:
                if band["key"] == key:
                    return float(band["usable_iso_detail"][name]["exact"])
    raise AssertionError(f"{body} has no band {key}")


def test_dark_scenes_allow_about_two_thirds_of_a_stop_less(profile: dict) -> None:
    """Common practice, no source: woodland holds two stops less light in the median than a sunlit
    view, and the same body is given about two thirds of a stop less ISO there."""
    less = np.log2(
        _usable(profile, ONE.name, "sun", "excellent")
        / _usable(profile, ONE.name, "shade", "excellent")
    )
    assert 1 / 3 <= less <= 1.0


def test_newer_body_gains_more_in_dark_scenes() -> None:
    """Common practice, no source: the next generation gains a third of a stop in bright scenes and
    two thirds in dark ones. Bodies from memory of the field: a tenth more electrons, half the read
    noise; judged between the standard's two thresholds."""
    rng = np.random.default_rng(5)
    old = ToneBody("Birch One", full_scale_e=55_000, read_noise_e=4.3)
    new = ToneBody("Birch Two", full_scale_e=60_000, read_noise_e=2.0)
    scenes = ((14.0, -2.3), (9.0, -5.3))
    frames = tone_archive([old, new], [*FULL_STOPS, 25600], rng, frames=30, scenes=scenes)
    profile = infer_bodies(frames, Criteria(snr_acceptable=20))
    gain = {
        key: np.log2(
            _usable(profile, new.name, key, "acceptable")
            / _usable(profile, old.name, key, "acceptable")
        )
        for key in ("sun", "shade")
    }
    assert gain["sun"] == pytest.approx(1 / 3, abs=1 / 6)
    assert gain["shade"] == pytest.approx(2 / 3, abs=1 / 6)
    assert gain["shade"] > gain["sun"] + 0.1


def test_bigger_output_allows_less_iso(archive: pd.DataFrame) -> None:
    small = infer_bodies(archive, Criteria(output_megapixels=2))
    large = infer_bodies(archive, Criteria(output_megapixels=12))
    for body in (ONE.name, TWO.name):
        a = _usable(small, body, "sun", "excellent")
        b = _usable(large, body, "sun", "excellent")
        # Photon noise: twice the linear size is two stops of ISO; read noise takes a little more.
        assert np.log2(a / b) == pytest.approx(np.log2(6), abs=0.35)


def test_what_is_accepted_on_one_body_gives_the_table_for_all(archive: pd.DataFrame) -> None:
    model = fit_bodies(archive)
    body, iso, band = parse_accept("Alder One:3200:sun")
    rows = {(r["body"], r["key"]): r for r in accept_table(model, body, iso, band)}
    assert rows["Alder One", "sun"]["iso"] == 3200
    assert rows["Alder Two", "sun"]["iso"] in (1250, 1600, 2000)
    assert rows["Alder One", "shade"]["iso"] < 3200
    assert all(r["low"] <= r["iso"] <= r["high"] for r in rows.values() if r["iso"])
    # Twice the highest ISO used is still within reach, rounding or not.
    twice = 2 * model.models[body, "camera"].isos[-1]
    (own,) = (
        r for r in accept_table(model, body, twice, band) if (r["body"], r["key"]) == (body, "sun")
    )
    assert own["low"] == own["iso"] == own["high"] == twice


@pytest.mark.parametrize(
    "text", ["Alder One", "Alder One:abc:sun", ":100:sun", "A:0:sun", "A:100:x"]
)
def test_a_wrong_accept_is_told_in_plain_words(text: str) -> None:
    with pytest.raises(ValueError, match=r"\w+"):
        parse_accept(text)


def test_profile_is_plain_json(profile: dict) -> None:
    assert json.loads(json.dumps(profile, allow_nan=False)) == profile


def test_same_store_gives_the_same_profile(archive: pd.DataFrame, profile: dict) -> None:
    assert infer_bodies(archive) == profile


# Bad input -----------------------------------------------------------------------------------


def test_odd_iso_values_join_their_third_of_a_stop() -> None:
    rng = np.random.default_rng(3)
    frames = tone_archive([ONE], [1148, 137, 743, 2311, 6100], rng, frames=8)
    body = infer_bodies(frames)["bodies"][0]
    tones = {t["iso"]: t for t in body["tones"] if t["signal"] == 0.18}
    assert set(tones) == {125, 800, 1250, 2500, 6400}
    for iso, tone in tones.items():
        assert tone["snr"] == pytest.approx(float(snr_truth(ONE, iso, 0.18)), rel=0.12)


def test_extended_iso_below_base_is_noticed() -> None:
    """ISO 50 that is ISO 100 pulled down holds no more electrons."""
    rng = np.random.default_rng(4)
    frames = tone_archive([ONE], FULL_STOPS, rng, frames=12, world=ToneWorld(outlier_share=0))
    pulled = tone_archive([ONE], [100], rng, frames=20, world=ToneWorld(outlier_share=0))
    pulled["iso"] = 50.0
    pulled.index = pulled.index + 1000
    pulled["burst"] += 1000
    pulled["outing"] += 1000
    body = infer_bodies(pd.concat([frames, pulled]))["bodies"][0]
    assert any("base" in n for n in body["notes"])
    (tone,) = (t for t in body["tones"] if t["iso"] == 50 and t["signal"] == 0.18)
    assert tone["snr"] == pytest.approx(float(snr_truth(ONE, 100, 0.18)), rel=0.15)


def test_a_body_with_three_frames_is_given_wide_bounds() -> None:
    rng = np.random.default_rng(6)
    frames = tone_archive([ONE], [400], rng, frames=3)
    body = infer_bodies(frames)["bodies"][0]
    (tone,) = (t for t in body["tones"] if t["signal"] == 0.18)
    assert tone["high"] / tone["low"] > 1.08


def test_frames_that_cannot_speak_are_counted_with_the_reason(archive: pd.DataFrame) -> None:
    frames = archive.copy()
    frames.loc[frames.index[:4], "iso"] = None
    frames.loc[frames.index[4:7], "source"] = "resized"
    frames.loc[frames.index[7:9], "status"] = "set-aside"
    frames.loc[frames.index[9], "body"] = None
    profile = infer_bodies(frames)
    reasons = {
        r["reason"]: r["frames"]
        for b in profile["bodies"]
        if b["body"] == ONE.name
        for r in b["left_out"]
    }
    assert sorted(reasons.values()) == [2, 3, 4]
    assert any("ISO" in r for r in reasons)
    assert "unknown body" in [b["body"] for b in profile["bodies"]]


def test_nothing_at_all_gives_empty_lists(archive: pd.DataFrame) -> None:
    empty = {"bodies": [], "iso_matches": [], "habits": []}
    assert infer_bodies(archive.iloc[:0]) == empty
    lost = archive.assign(status="set-aside")
    assert infer_bodies(lost) == empty


def test_a_body_without_any_iso_is_listed_without_figures(archive: pd.DataFrame) -> None:
    (body,) = infer_bodies(archive[archive["body"] == ONE.name].assign(iso=None))["bodies"]
    assert body["tones"] == []
    assert body["brightness"] == []
    assert body["left_out"][0]["frames"] == 48


def test_long_exposures_stand_apart(archive: pd.DataFrame) -> None:
    rng = np.random.default_rng(9)
    night = tone_archive([ONE], [800], rng, frames=8, scenes=((1.0, -5.0),))
    night["exposure_time_s"] = 30.0
    for name in night.columns[night.columns.str.endswith("_sigma")]:
        night[name] = pd.to_numeric(night[name]) * 1.5
    night.index = night.index + 5000
    night["outing"] += 5000
    night["burst"] += 5000
    with_night = infer_bodies(pd.concat([archive, night]))["bodies"][0]
    without = infer_bodies(archive)["bodies"][0]
    assert with_night["tones"] == without["tones"]
    apart = with_night["long_exposures"]
    assert (apart["frames"], apart["outings"]) == (8, 1)
    assert apart["noise_ratio"] == pytest.approx(1.5, rel=0.1)


# Parts of an archive, and frames without measurable noise ------------------------------------


def test_a_part_of_the_archive_does_not_change_a_bodys_noise(archive: pd.DataFrame) -> None:
    part = archive[(archive["body"] == ONE.name) & (archive.index % 3 == 0)]
    (body,) = infer_bodies(part, archive=archive)["bodies"]
    whole = infer_bodies(archive)["bodies"][0]
    assert body["frames"] == len(part) < whole["frames"]
    assert body["tones"] == whole["tones"]
    for own, of_all in zip(body["brightness"], whole["brightness"], strict=True):
        assert own["usable_iso"] == of_all["usable_iso"]
        assert own["usable_iso_detail"] == of_all["usable_iso_detail"]


def _coded(frames: pd.DataFrame, faintest: float = 1.0, at_most: float = 1.2) -> pd.DataFrame:
    """The table as 8-bit files give it: noise below a code value is only bounded."""
    out = frames.copy()
    for signal in TONE_SIGNALS:
        stem = tone_column(signal)
        sigma = pd.to_numeric(out[f"{stem}_sigma"]).to_numpy(float)
        # One code value of the sRGB curve in light (IEC 61966-2-1).
        step = 2.4 / 1.055 * signal ** (1 - 1 / 2.4) / 255
        faint = sigma < faintest * step
        out[f"{stem}_sigma"] = np.where(faint, np.nan, sigma)
        out[f"{stem}_at_most"] = np.where(faint, at_most * step, np.nan)
    return out


def test_frames_without_measurable_noise_stand_behind_low_iso(archive: pd.DataFrame) -> None:
    coded = infer_bodies(_coded(archive))["bodies"][0]
    seen = infer_bodies(archive)["bodies"][0]
    assert not coded["left_out"]
    assert min(t["iso"] for t in coded["tones"]) == 100
    low = [t for t in coded["tones"] if t["iso"] == 100 and t["signal"] == 0.18]
    assert low[0]["frames"] == 0
    assert low[0]["frames_at_most"] > 0
    assert low[0]["snr"] > low[0]["snr_at_least"] > 40
    for own, of_all in zip(coded["brightness"], seen["brightness"], strict=True):
        for name in ("excellent", "acceptable"):
            a, b = (x["usable_iso_detail"][name]["exact"] for x in (own, of_all))
            assert abs(np.log2(a / b)) < 0.4


def test_a_tone_counts_the_frames_that_show_noise_apart_from_those_that_show_none(
    archive: pd.DataFrame,
) -> None:
    frames = _coded(archive[archive["body"] == ONE.name])
    (body,) = infer_bodies(frames)["bodies"]
    told = {(t["iso"], t["signal"]): (t["frames"], t["frames_at_most"]) for t in body["tones"]}
    counted = {
        (iso, signal): tuple(
            int(of[f"{tone_column(signal)}_{name}"].notna().sum()) for name in ("sigma", "at_most")
        )
        for iso, of in frames.groupby("iso")
        for signal in TONE_SIGNALS
    }
    assert any(seen and unseen for seen, unseen in counted.values())
    assert told == {place: counted[place] for place in told}


def test_a_body_that_never_shows_noise_is_clean_at_least_so_far(archive: pd.DataFrame) -> None:
    frames = archive[(archive["body"] == ONE.name) & (archive["iso"] == 100)]
    (body,) = infer_bodies(_coded(frames))["bodies"]
    assert "ISO 100: no noise could be seen" in body["notes"]
    assert all(t["snr"] is None and t["high"] is None for t in body["tones"])
    assert all(t["low"] == t["snr_at_least"] for t in body["tones"])
    for band in body["brightness"]:
        detail = band["usable_iso_detail"]["excellent"]
        assert 100 <= band["usable_iso"]["excellent"] <= 200
        assert detail["high"] is None
        assert "no noise was seen" in detail["reason"]


def test_what_one_iso_shows_is_only_predicted_at_the_others(archive: pd.DataFrame) -> None:
    """Noise is seen at ISO 3200 alone; below it, files are coded so coarsely that all hide it."""
    frames = archive[(archive["body"] == ONE.name) & (archive["iso"] <= 3200)]
    hidden = frames["iso"] < 3200
    coarse = pd.concat([_coded(frames[hidden], np.inf, 12.0), frames[~hidden]])
    (body,) = infer_bodies(coarse)["bodies"]
    assert body["frames_used"] > body["frames_measured"] == int((~hidden).sum())
    assert {t["iso"] for t in body["tones"] if not t["predicted"]} == {3200}
    for band in body["brightness"]:
        assert {p["iso"] for p in band["by_iso"] if not p["predicted"]} == {3200}
        limits = band["usable_iso"], band["usable_iso_detail"]
        assert all(limits[1][name]["predicted"] or limits[0][name] == 3200 for name in limits[0])
    few = pd.concat([coarse[hidden.loc[coarse.index]], coarse[~hidden.loc[coarse.index]][:4]])
    (body,) = infer_bodies(few)["bodies"]
    assert body["frames_measured"] == 4
    assert not body["limits_firm"]


def test_nothing_reaches_beyond_twice_the_highest_iso(profile: dict, archive: pd.DataFrame) -> None:
    low = infer_bodies(archive[archive["iso"] <= 800])
    for body in low["bodies"]:
        for band in body["brightness"]:
            assert all(v is None or v <= 1600 for v in band["usable_iso"].values())
            assert max(point["iso"] for point in band["by_iso"]) <= 1600
    assert max(max(m["iso"], m["reference_iso"]) for m in low["iso_matches"]) <= 1600


def test_few_frames_or_one_outing_make_no_headline() -> None:
    rng = np.random.default_rng(8)
    one_outing = tone_archive([ONE], [400], rng, frames=7)
    two_outings = tone_archive([ONE], [400, 800], rng, frames=8)
    few = tone_archive([ONE], [400], rng, frames=4)
    firm = [infer_bodies(f)["bodies"][0]["limits_firm"] for f in (one_outing, two_outings, few)]
    assert firm == [False, True, False]


def test_others_are_held_against_the_bodies_with_most_frames() -> None:
    def model(body: str, kind: str, frames: int) -> SimpleNamespace:
        return SimpleNamespace(body=body, kind=kind, cells=SimpleNamespace(frame_count=frames))

    many = [model(f"Body {n}", "raw", 10 + n) for n in range(MOST_REFERENCES + 3)]
    lone = model("Other", "camera", 6)
    found = _references([*many, lone])
    assert [m.body for m in found] == [m.body for m in many[3:]] + ["Other"]
