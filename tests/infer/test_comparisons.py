"""What labels cost, from pairs with known differences."""

from __future__ import annotations

import json

import compared
import numpy as np
import pandas as pd
import pytest
from compared import find
from drawn_pairs import Accessory, PairWorld, log_mtf50_change, pair_archive

from auditor.infer.comparisons import compare_labels
from auditor.infer.comparisons.colour import uv_of
from auditor.infer.comparisons.verdict import NEGLIGIBLE_STOPS, verdict


@pytest.fixture(scope="module")
def filtered() -> list[dict]:
    """A filter that blurs by 0.3 px, tints unevenly, takes 1.5 stops and shades the corners."""
    tint = compared.tint(0.003)
    accessory = Accessory(
        "Polfilter", blur_px=0.3, tint=tint, tint_across=tint, light_stops=1.5, shade_stops=0.5
    )
    frames, pictures = pair_archive(accessory, np.random.default_rng(31))
    return compare_labels(frames, [], pictures=pictures)


def test_a_filter_that_blurs_is_found_and_its_blur_measured(filtered: list[dict]) -> None:
    whole = find(filtered, "sharpness")
    assert whole["label"] == "Polfilter"
    assert whole["pairs"] == 8
    assert whole["high"] < 0
    assert "softer" in whole["verdict"]
    assert whole["added_blur_px"]["value"] == pytest.approx(0.3, rel=0.3)
    for zone, truth in zip(("centre", "middle", "corner"), log_mtf50_change(0.3), strict=True):
        entry = find(filtered, "sharpness", zone)
        assert entry["difference"] == pytest.approx(np.expm1(truth), abs=0.04)


def test_nothing_on_a_lens_adds_light() -> None:
    """Exposures that happen to give a clear glass more light show that it takes none; a filter against another
    may well let more through."""
    frames, pictures = pair_archive(
        Accessory("clear glass", light_stops=-0.4), np.random.default_rng(8)
    )
    light = find(compare_labels(frames, [], pictures=pictures), "light")
    assert light["low"] > NEGLIGIBLE_STOPS
    assert light["verdict"].startswith("no light lost (+0.")
    texts = ("takes light", "more light", "no light lost")
    between_filters = verdict(0.27, 0.46, 8, texts)
    assert between_filters == "more light (0.27 to 0.46 stops)"


def test_a_cast_its_unevenness_and_the_light_are_found(filtered: list[dict]) -> None:
    cast = find(filtered, "cast")
    assert cast["found"]
    assert cast["difference"] == pytest.approx(0.003, abs=0.0008)
    assert cast["even"] is False
    assert "uneven" in cast["verdict"]
    assert find(filtered, "light")["difference"] == pytest.approx(-1.5, abs=0.1)
    shade = find(filtered, "vignetting", "corner")
    assert shade["high"] < 0
    # Shade grows with the square of the radius: between corner zone and centre about two thirds.
    assert shade["difference"] == pytest.approx(-0.5 * 0.6, abs=0.1)


def test_an_even_cast_is_called_even() -> None:
    frames, pictures = pair_archive(Accessory(tint=compared.tint(0.003)), np.random.default_rng(32))
    cast = find(compare_labels(frames, [], pictures=pictures), "cast")
    assert cast["found"]
    assert cast["even"] is True
    assert "even, so harmless" in cast["verdict"]


def test_a_perfect_filter_is_not_accused() -> None:
    accused = 0
    for k in range(8):
        frames, pictures = pair_archive(Accessory(), np.random.default_rng([33, k]))
        entries = compare_labels(frames, [], pictures=pictures)
        accused += any("softer" in e["verdict"] for e in entries if "low" in e and e["high"] < 0)
        assert not find(entries, "cast")["found"]
    assert accused <= 1


def test_missed_focus_on_one_side_is_not_the_filters_fault() -> None:
    """Three of eight frames with the filter missed focus by 2 px, none without."""
    frames, pictures = pair_archive(Accessory(), np.random.default_rng(34), PairWorld(missed=0.0))
    with_it = frames.index[frames["labels"].map(len) > 0][:3]
    for zone in ("centre", "middle", "corner"):
        frames.loc[with_it, f"{zone}_mtf50_cpp"] *= 0.35
    whole = find(compare_labels(frames, [], pictures=pictures), "sharpness")
    assert abs(whole["difference"]) < 0.04
    assert whole["low"] <= 0 <= whole["high"]
    assert whole["sound_pairs"] == pytest.approx(5, abs=0.7)


def test_a_zone_seen_in_a_missed_pair_only_still_has_its_blur() -> None:
    """Of six pairs one shows the corner, and its frame without the filter was out of focus."""
    frames, _ = pair_archive(
        Accessory(blur_px=0.3), np.random.default_rng(5), PairWorld(pairs=6, missed=0.0)
    )
    bare = frames["labels"].map(len) == 0
    first = frames.index[bare][0]
    apart = (pd.to_datetime(frames["taken"]) - pd.to_datetime(frames.loc[first, "taken"])).abs()
    pair = [first, apart[~bare].idxmin()]
    frames.loc[~frames.index.isin(pair), "corner_mtf50_cpp"] = np.nan
    frames.loc[first, [f"{z}_mtf50_cpp" for z in ("centre", "middle", "corner")]] *= 0.3
    found = [c for c in compare_labels(frames, []) if c["what"] == "sharpness"]
    assert {c["zone"] for c in found} == {None, "centre", "middle", "corner"}
    assert all(np.isfinite(c["added_blur_px"]["value"]) for c in found)


@pytest.mark.long
def test_shake_at_the_filters_slower_shutter_is_not_its_fault() -> None:
    """A filter that takes two stops is held for four times as long: half of its frames move, of the
    bare ones one in ten. Its own blur of 0.3 px is measured all the same."""
    errors, held = [], []
    world = PairWorld(pairs=10, missed=0.08, shaken=(0.1, 0.5))
    truth = dict(zip(("centre", "middle", "corner"), np.expm1(log_mtf50_change(0.3)), strict=True))
    for k in range(40):
        frames, pictures = pair_archive(
            Accessory(blur_px=0.3, light_stops=2.0), np.random.default_rng([41, k]), world
        )
        for entry in compare_labels(frames, [], pictures=pictures):
            if entry["what"] == "sharpness" and entry["zone"] in truth:
                errors.append(entry["difference"] - truth[entry["zone"]])
                held.append(entry["low"] <= truth[entry["zone"]] <= entry["high"])
    assert len(errors) == 120
    assert abs(np.mean(errors)) < 0.02
    assert np.mean(held) >= 0.85


def test_two_apertures_in_a_pair_are_brought_to_one() -> None:
    """The filter was used at f/11, the bare lens at f/8: diffraction is not the filter's fault."""
    from auditor.optics import mtf50

    frames, pictures = pair_archive(Accessory(), np.random.default_rng(35), PairWorld(missed=0.0))
    with_it = frames["labels"].map(len) > 0
    frames.loc[with_it, "f_number"] = 11.0
    for zone, blur in (("centre", 0.38), ("middle", 0.5), ("corner", 0.65)):
        factor = float(mtf50(11.0, 4.0, blur) / mtf50(8.0, 4.0, blur))
        assert factor < 0.93
        frames.loc[with_it, f"{zone}_mtf50_cpp"] *= factor
    whole = find(compare_labels(frames, [], pictures=pictures), "sharpness")
    assert whole["difference"] == pytest.approx(0, abs=0.04)
    assert whole["low"] <= 0 <= whole["high"]


def test_no_pictures_still_gives_sharpness_and_light() -> None:
    frames, _ = pair_archive(Accessory(blur_px=0.5), np.random.default_rng(36))
    shares = np.zeros(20)
    shares[12:17] = 0.2
    for i, share in enumerate(shares):
        frames[f"signal_share_{i:02d}"] = share
    entries = compare_labels(frames, [])
    assert find(entries, "sharpness")["high"] < 0
    assert not [e for e in entries if e["what"] == "cast"]


def test_raw_grids_without_white_balance_say_nothing_of_colour() -> None:
    frames, pictures = pair_archive(
        Accessory(tint=compared.tint(0.01), light_stops=2), np.random.default_rng(37)
    )
    entries = compare_labels(frames.assign(source="raw"), [], pictures=pictures)
    assert not [e for e in entries if e["what"].startswith("cast")]
    assert find(entries, "light")["difference"] == pytest.approx(-2, abs=0.15)


def test_light_that_changed_in_some_pairs_counts_for_little() -> None:
    frames, pictures = pair_archive(Accessory(light_stops=1.0), np.random.default_rng(38))
    grids = pictures["colour_grid"].to_list()
    for k in (1, 3):  # two bare frames under a passing cloud
        dim = np.frombuffer(grids[k], "<u2").astype(float) * 0.4
        grids[k] = dim.astype("<u2").tobytes()
    light = find(compare_labels(frames, [], pictures=pictures.assign(colour_grid=grids)), "light")
    assert light["difference"] == pytest.approx(-1.0, abs=0.2)


def test_every_entry_has_the_keys_of_the_profile(filtered: list[dict]) -> None:
    keys = {"label", "against", "lens", "what", "zone", "pairs", "difference", "low", "high"}
    for entry in filtered:
        assert keys | {"verdict"} <= set(entry)
    assert json.loads(json.dumps(filtered, allow_nan=False)) == filtered


def test_nothing_gives_nothing() -> None:
    frames, pictures = pair_archive(Accessory(), np.random.default_rng(39))
    assert compare_labels(frames.iloc[:0], [], pictures=pictures) == []
    assert compare_labels(frames.assign(status="set-aside"), [], pictures=pictures) == []
    assert compare_labels(frames.assign(labels=[[]] * len(frames)), []) == []


def test_a_few_pairs_cannot_tell_and_say_how_many_would() -> None:
    frames, pictures = pair_archive(
        Accessory(), np.random.default_rng(40), PairWorld(pairs=3, scatter=0.08)
    )
    whole = find(compare_labels(frames, [], pictures=pictures), "sharpness")
    assert "cannot tell" in whole["verdict"]
    assert "pairs would settle it" in whole["verdict"]


def test_a_label_on_one_side_only_is_said_to_be() -> None:
    frames, _ = pair_archive(Accessory(), np.random.default_rng(41))
    frames["labels"] = [["ND"]] * len(frames)
    entries = compare_labels(frames, [], patterns=[("walk/*", "grey filter")])
    (entry,) = entries
    assert entry["difference"] is None
    assert entry["verdict"].startswith("cannot tell")


def test_chromaticities_of_published_colours() -> None:
    """CIE 15: u'v' of D65 white are 0.1978, 0.4683; sRGB's red primary (x 0.64, y 0.33) lies at
    u' = 4x / (-2x + 12y + 3) = 0.4507, v' = 9y / (...) = 0.5229 (IEC 61966-2-1)."""
    assert uv_of([1.0, 1.0, 1.0]) == pytest.approx([0.1978, 0.4683], abs=2e-4)
    assert uv_of([1.0, 0.0, 0.0]) == pytest.approx([0.4507, 0.5229], abs=2e-4)


@pytest.mark.long
def test_100_archives_of_perfect_and_of_blurring_filters() -> None:
    accused, found, right, cast_right, light = 0, 0, 0, 0, []
    held: dict[str, list[bool]] = {"sharpness": [], "cast": [], "light": []}
    tint = compared.tint(0.003)
    # The tint is drawn by lifting red, which adds light of its own (luminance by Rec. ITU-R BT.709).
    taken = 1.5 - float(np.log2(np.exp([tint[0], 0.0, tint[1]]) @ [0.2126, 0.7152, 0.0722]))
    for k in range(100):
        frames, pictures = pair_archive(Accessory(), np.random.default_rng([44, k]))
        entries = compare_labels(frames, [], pictures=pictures)
        accused += any(e["high"] < 0 for e in entries if e["what"] == "sharpness")
        accessory = Accessory(
            blur_px=0.3,
            tint=tint,
            tint_across=tint if k % 2 else (0.0, 0.0),
            light_stops=1.5,
        )
        frames, pictures = pair_archive(accessory, np.random.default_rng([45, k]))
        entries = compare_labels(frames, [], pictures=pictures)
        whole, cast = find(entries, "sharpness"), find(entries, "cast")
        found += whole["high"] < 0
        right += abs(whole["added_blur_px"]["value"] / 0.3 - 1) <= 0.3
        cast_right += cast["found"] and cast["even"] == (k % 2 == 0)
        lost = find(entries, "light")
        light.append(abs(lost["difference"] + taken))
        held["light"].append(lost["low"] <= -taken <= lost["high"])
        held["cast"].append(cast["low"] <= 0.003 <= cast["high"])
        for zone, truth in zip(("centre", "middle", "corner"), log_mtf50_change(0.3), strict=True):
            entry = find(entries, "sharpness", zone)
            held["sharpness"].append(entry["low"] <= np.expm1(truth) <= entry["high"])
    assert accused <= 5
    assert found >= 90
    assert right >= 90
    assert cast_right >= 95
    assert np.median(light) <= 0.1
    assert np.quantile(light, 0.9) <= 0.1
    for values in held.values():
        assert np.mean(values) >= 0.85
