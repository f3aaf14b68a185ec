"""Decisions hold only what can be compared against each other, and name what they speak of."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest
from faulty_gear import FocusHabit, Wear, over_years, with_depth
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

from auditor.infer.criteria import Criteria
from auditor.infer.decisions import decide, decision_shots, scan
from auditor.infer.decisions.changes import find_changes
from auditor.infer.decisions.focus_bias import find_focus_bias
from auditor.infer.decisions.rivals import lens_choice, lens_rivals
from auditor.infer.decisions.sensor_dust import find_dust
from auditor.infer.decisions.visible import noise_visibility, visible_losses
from auditor.record import DUST_GRID, TONE_SIGNALS, ZONES, Dust, pack_dust, tone_column

CRITERIA = Criteria()
FIGURES = [f"{place}_mtf50_cpp" for place in (*ZONES, "left", "right", "top", "bottom")]
NOISE = [f"{tone_column(signal)}_sigma" for signal in TONE_SIGNALS]
SIZES = {("Body A", f"Lens {n}"): (6000, 4000) for n in "AB"}


def lens_entry(name: str, parts: Sequence[Mapping[str, Any]], **more: Any) -> dict[str, Any]:
    return {
        "lens": name, "body": "Body A", "converter": None, "lens_serial": None, "source": "camera",
        "pixel_pitch_um": 4.0, "focal_ranges": list(parts),
    } | more  # fmt: skip


def focal_part(
    zones: Mapping[float, tuple[float | None, float | None]],
    focal_mm: Sequence[float] = (35.0, 35.0),
) -> dict[str, Any]:
    """Centre and corner (c/px, None where unknown) by f-number, known to 2%; best where the weaker is."""

    def figure(value: float | None) -> dict[str, float] | None:
        known = {"low": 0.98, "high": 1.02, "mtf50_cpp": 1.0}
        more = {"frames": 20, "frames_error": 0.01, "lacking": 0.01}
        return None if value is None else {k: v * value for k, v in known.items()} | more

    best = max(zones, key=lambda n: min(z or 0.0 for z in zones[n]))
    return {
        "focal_mm": list(focal_mm), "frames": 20 * len(zones), "outings": 16, "evidence": "strong",
        "apertures": [
            {"f_number": n, "frames": 20, "centre": figure(centre), "middle": None,
             "corner": figure(corner)} for n, (centre, corner) in zones.items()
        ],
        "sweet_spot": {"f_number": best, "low": best, "high": best},
    }  # fmt: skip


def years_of_frames(seed: int, wear: Wear | None = None) -> pd.DataFrame:
    """One lens over four years, noise and hot pixels included."""
    spec = ArchiveSpec((LensSpec(frames=14),), outings=24, missed=0.1, shaken=0.05)
    frames, _ = simulate_frames(spec, seed)
    rng = np.random.default_rng(seed)
    for name, signal in zip(NOISE, TONE_SIGNALS, strict=True):
        noise = signal / 30 * np.sqrt(frames["iso"] / 100)
        frames[name] = noise * np.exp(rng.normal(0, 0.05, len(frames)))
    frames["hot_pixels"] = rng.poisson(40, len(frames))
    return over_years(frames, 4, seed, wear)[0]


@pytest.mark.parametrize(
    ("size", "pitch_um", "sharper"),
    [
        # Reduced in the camera: the same blur is fewer pixels wide.
        ((4500, 3000), 4.0 * 6000 / 4500, 6000 / 4500),
        # Crop mode and a wider shape: other parts of the lens lie at the edges.
        ((3984, 2656), 4.0, 1.25),
        ((6000, 3376), 4.0, 1.1),
    ],
)
def test_another_size_of_picture_is_no_change_of_lens_or_body(size, pitch_um, sharper):
    for seed in range(2):
        frames = years_of_frames(seed)
        later = frames["taken"] > "2021"
        frames.loc[later, ["width_px", "height_px"]] = size
        frames.loc[later, "pixel_pitch_um"] = pitch_um
        frames.loc[later, FIGURES] *= sharper
        frames.loc[later, NOISE] /= sharper
        frames["hot_pixels"] = frames["hot_pixels"].where(~later, frames["hot_pixels"] // 2)
        assert 40 < later.sum() < len(frames) - 30
        assert find_changes(frames, [], CRITERIA) == []


def test_a_change_is_found_in_the_usual_size_beside_others():
    """A third of the frames are reduced, before and after, others a border wider; of some a program has
    turned the pixels, so that the lens's left side lies elsewhere."""
    frames = years_of_frames(3, Wear(factor=0.8, places=("left",)))
    rng = np.random.default_rng(3)
    small, turned, border = (rng.random(len(frames)) < s for s in (0.33, 0.2, 0.2))
    frames.loc[small, FIGURES] *= 1.5
    frames.loc[small, "pixel_pitch_um"] *= 1.5
    frames.loc[small, ["width_px", "height_px"]] = 4000, 2667
    frames.loc[border & ~small, ["width_px", "height_px"]] = 6024, 4020
    for first, second in (("width_px", "height_px"), (FIGURES[-4], FIGURES[-1])):
        frames.loc[turned, [first, second]] = frames.loc[turned, [second, first]].to_numpy()
    found = find_changes(frames, [], CRITERIA)
    assert [f["change"] for f in found] == [pytest.approx(-0.2, abs=0.06)]
    assert "left side" in found[0]["text"]
    assert found[0]["frames_before"] + found[0]["frames_after"] <= (~small & ~turned).sum()


@pytest.mark.parametrize(
    ("source", "other", "seeds"),
    [("camera", "sharpening", (0, 1)), ("edited", "development", (4,)), ("raw", None, (5,))],
)
def test_what_all_of_a_frame_shows_is_told_of_all_of_it_and_may_be_its_development(
    source, other, seeds, monkeypatch
):
    """A camera set to sharpen more makes every place sharper; no setting of a camera makes one side softer."""
    monkeypatch.setattr(scan, "DRAWS", 40)  # of intervals, which nobody looks at here

    def curve(frames):
        zones = frames.groupby("f_number")[["centre_mtf50_cpp", "corner_mtf50_cpp"]].quantile(0.7)
        return lens_entry("Lens A", [focal_part({n: tuple(z) for n, z in zones.iterrows()})])

    for seed in seeds:
        frames = years_of_frames(seed).assign(source=source)
        lens = curve(frames)
        frames.loc[frames["taken"] > "2021", FIGURES] *= 1.35
        (found,) = find_changes(frames, [lens], CRITERIA)
        assert found["place"] == "frame"
        assert "the whole frame is 3" in found["text"]
        assert all("whole" not in also for also in found["also"])
        assert ("would look alike" in found["text"]) == (other is not None)
        assert (other or "") in found["text"]
    frames = years_of_frames(3, Wear(factor=0.8, places=("left",))).assign(source=source)
    (side,) = find_changes(frames, [curve(frames)], CRITERIA)
    assert "left side" in side["text"]
    assert "alike" not in side["text"]


@pytest.mark.parametrize("factor", [1.1, 1.5, 3.0])
def test_how_much_sharper_a_lens_is_does_not_hang_on_its_place_in_the_alphabet(factor):
    """Half as sharp again is 50%, whether the sharper lens is named first or second."""
    soft = focal_part({5.6: (0.2, 0.15), 8.0: (0.2, 0.15)})
    sharp = focal_part({5.6: (0.2 * factor, 0.15), 8.0: (0.2 * factor, 0.15)})
    texts = []
    for first, second, better in ((sharp, soft, "Lens A"), (soft, sharp, "Lens B")):
        pair = [lens_entry("Lens A", [first]), lens_entry("Lens B", [second])]
        texts.append(lens_rivals(pair, SIZES, CRITERIA)[0]["text"])
        assert f"in the centre {better} is {factor - 1:.0%} sharper" in texts[-1]
    told = [[float(n) for n in re.findall(r"([0-9.]+)%", text)] for text in texts]
    # Differences are kept to three decimals, of which the lesser one's count for more.
    assert told[0] == pytest.approx(told[1], abs=1)


def test_what_the_centre_loses_is_not_told_of_the_whole_frame():
    """At f/11 the corner is unknown; at f/16 it is known, and loses more than the centre."""
    zones = {8.0: (0.30, 0.28), 11.0: (0.29, None), 16.0: (0.27, 0.19)}
    rows = visible_losses([lens_entry("Lens A", [focal_part(zones)])], SIZES, CRITERIA)
    told = {n: [r for r in rows if r["f_number"] == n] for n in zones}
    assert {r["zone_missing"] for r in told[11.0]} == {"corner"}
    for row in told[11.0]:
        assert row["zone"] == "centre"
        assert row["zone_missing"] == "corner"
    assert {r["zone_missing"] for r in told[16.0]} == {None}
    assert not any(r["zone_missing"] for r in told[16.0])


def noisy_body(half: float) -> dict[str, Any]:
    """Noise that grows with ISO, each ratio known to this share."""
    ratios = {iso: 900 / np.sqrt(iso) for iso in (100, 200, 400, 800, 1600, 3200)}
    return {
        "body": "Body A", "pixel_pitch_um": 4.0,
        "tones": [
            {"iso": iso, "signal": 0.18, "snr": snr, "snr_output": 1.3 * snr, "frames": 10,
             "low": snr * (1 - half), "high": snr * (1 + half)} for iso, snr in ratios.items()
        ],
    }  # fmt: skip


def shifted(body: dict[str, Any], end: str) -> list[int | None]:
    """From which ISO noise would show if the figures were those at one end of their intervals."""
    tones = [
        t | dict.fromkeys(("snr", "low", "high"), t[end])
        | {"snr_output": t["snr_output"] * t[end] / t["snr"]} for t in body["tones"]
    ]  # fmt: skip
    found = noise_visibility(
        [body | {"tones": tones}], {("Body A", "Lens A"): (6000, 4000)}, CRITERIA
    )
    return [row["first_seen_iso"] for row in found]


def test_from_which_iso_noise_shows_is_told_as_surely_as_noise_is_known():
    vague, sure = (
        noise_visibility([noisy_body(h)], {("Body A", "Lens A"): (6000, 4000)}, CRITERIA)
        for h in (0.5, 0.0)
    )
    body = noisy_body(0.5)
    assert [r["first_seen_low"] for r in vague] == shifted(body, "low")
    assert [r["first_seen_high"] for r in vague] == shifted(body, "high")
    assert [r["first_seen_iso"] for r in vague] == [r["first_seen_iso"] for r in sure]
    for row, same in zip(vague, sure, strict=True):
        assert row["first_seen_low"] != row["first_seen_high"]
        assert same["first_seen_low"] == same["first_seen_iso"] == same["first_seen_high"]


def test_a_zoom_is_called_sharper_only_where_it_has_a_rival_that_is_softer():
    """Sharper than a prime at 24 mm, softer than another at 70 mm, alone between them."""
    level, good, poor = (dict.fromkeys((5.6, 8.0), (c, c)) for c in (0.2, 0.26, 0.15))
    spans = ((24.0, 24.0), (40.0, 45.0), (70.0, 70.0))
    zoom = lens_entry("Lens Z", [focal_part(level, span) for span in spans])
    short = lens_entry("Lens A", [focal_part(poor, spans[0])])
    long = lens_entry("Lens B", [focal_part(good, (68.0, 68.0))])
    for lenses, expected in (
        ([short, zoom], {("Lens A", 24.0): "no", ("Lens Z", 24.0): "yes"}),
        ([short, long, zoom], {
            ("Lens A", 24.0): "no", ("Lens B", 68.0): "yes", ("Lens Z", 24.0): "yes",
            ("Lens Z", 70.0): "no",
        }),
    ):  # fmt: skip
        rows = lens_choice(lenses, lens_rivals(lenses, SIZES, CRITERIA))
        assert {(r["lens"], r["focal_mm"][0]): r["take"] for r in rows} == expected


@pytest.mark.parametrize(
    ("soft", "sharp", "names"),
    [
        ({"lens_serial": "111"}, {"lens_serial": "222"}, ("Lens A (serial 111)", "Lens A (serial 222)")),
        ({}, {"converter": "1.4x"}, ("Lens A", "Lens A + 1.4x")),
        ({"converter": "1.4x"}, {}, ("Lens A + 1.4x", "Lens A")),
    ],
)  # fmt: skip
def test_lenses_of_one_name_are_told_apart(soft, sharp, names):
    """Copies, and a lens with its converter and without."""
    apertures = [dict.fromkeys((5.6, 8.0), (c, c)) for c in (0.2, 0.26)]
    lenses = [
        lens_entry("Lens A", [focal_part(zones)], **own)
        for zones, own in zip(apertures, (soft, sharp), strict=True)
    ]
    rivals = lens_rivals(lenses, SIZES, CRITERIA)
    assert len(rivals) == 1
    assert rivals[0]["text"].startswith(f"{names[0]} and {names[1]} at 35 mm")
    assert f"in the centre {names[1]} is 30% sharper" in rivals[0]["text"]
    for key in ("converter", "lens_serial"):
        other = "against_serial" if key == "lens_serial" else "against_converter"
        assert (rivals[0][key], rivals[0][other]) == (soft.get(key), sharp.get(key))
    assert [r["take"] for r in lens_choice(lenses, rivals)] == ["no", "yes"]
    visible = visible_losses(lenses, SIZES, CRITERIA)
    assert {(r["converter"], r["lens_serial"]) for r in visible} == {
        (own.get("converter"), own.get("lens_serial")) for own in (soft, sharp)
    }


def test_frames_without_a_serial_are_no_rival_of_the_copies():
    """They show one of these, nobody knows which."""
    parts = [focal_part(dict.fromkeys((5.6, 8.0), (c, c))) for c in (0.2, 0.26, 0.15)]
    lenses = [
        lens_entry("Lens A", [part], lens_serial=serial)
        for part, serial in zip(parts, (None, "111", "222"), strict=True)
    ]
    rivals = lens_rivals(lenses, SIZES, CRITERIA)
    assert [(r["lens_serial"], r["against_serial"]) for r in rivals] == [("111", "222")]


def test_a_change_names_the_copy_that_changed_and_no_serial_where_there_is_one_copy():
    frames = years_of_frames(3, Wear(factor=0.8, places=("left",))).assign(lens_serial="111")
    (alone,) = find_changes(frames, [], CRITERIA)
    assert alone["lens_serial"] is None
    both = pd.concat([years_of_frames(4).assign(lens_serial="222"), frames], ignore_index=True)
    copies = [lens_entry("Lens A", [], lens_serial=s) for s in ("111", "222")]
    (told,) = find_changes(both, copies, CRITERIA)
    assert told["lens_serial"] == "111"
    assert [s["lens_serial"] for s in decision_shots({"changes": [told]})] == ["111"]


def test_focus_of_one_copy_is_not_laid_to_the_other():
    """Frames of the copy 111 are focused behind, those of 222 are not."""
    told = []
    for seed in range(5):
        tables = []
        for serial, bias in (("111", -0.6), ("222", 0.0)):
            lens = LensSpec(apertures=(2.8, 4.0, 5.6), frames=20, lens_serial=serial)
            spec = ArchiveSpec((lens,), outings=15, all_columns=False)
            frames = simulate_frames(spec, seed + (bias == 0) * 50)[0]
            tables.append(with_depth(frames, lens, FocusHabit(bias=bias), seed))
        both = pd.concat(tables, ignore_index=True)
        part = focal_part(dict.fromkeys((2.8, 4.0, 5.6), (0.2, 0.2)))
        copies = [lens_entry("Lens A", [part], lens_serial=s) for s in ("111", "222")]
        told += find_focus_bias(both, copies, CRITERIA)
    assert len(told) >= 3
    assert {f["lens_serial"] for f in told} == {"111"}
    assert all(f["text"].startswith("Lens A (serial 111)") for f in told)
    assert all(f["frames"] <= 60 for f in told)


@pytest.mark.parametrize(("quarter_turns", "turned"), [(1, range(10, 16)), (-1, range(0, 16, 2))])
def test_pictures_whose_pixels_were_turned_move_no_dust(quarter_turns, turned):
    """One grain through sixteen months; those held upright were saved turned, orientation 1."""
    rng = np.random.default_rng(0)
    rows = []
    for i in range(16):
        sure = rng.normal(0, 1, (120, 180)).astype(np.float32)
        sure[24, 72] += 8.0
        sure[100:] = np.nan
        size = (4000, 6000) if i in turned else (6000, 4000)
        if i in turned:
            sure = np.rot90(sure, quarter_turns).copy()
        found = Dust(sure, np.full(DUST_GRID[::-1], 0.002, np.float32))
        rows.append(
            {"status": "measured", "source": "edited", "body": "Body A", "body_serial": "1",
             "taken": f"202{i // 12}-{1 + i % 12:02d}-01T10:00:00", "f_number": 16.0,
             "width_px": size[0], "height_px": size[1], "outing": i, "burst": i, "best": True,
             "file_id": f"id{i}", "orientation": 1, "dust_map": pack_dust(found)}
        )  # fmt: skip
    table = pd.DataFrame(rows)
    (spot,) = find_dust(table, table)
    assert (spot["x"], spot["y"]) == (pytest.approx(0.4, abs=0.01), pytest.approx(0.2, abs=0.01))
    level = [i for i in range(16) if i not in turned]
    assert spot["frames"] == len(level)
    assert (spot["since"], spot["last"]) == (
        rows[level[0]]["taken"][:10],
        rows[level[-1]]["taken"][:10],
    )
    assert spot["not_before"] is None
    assert spot["gone_by"] is None


def files_of(body: str, lens: str, *kinds: tuple[int, str, int, float]) -> pd.DataFrame:
    """So many frames of each kind of file, so wide (px, 3:2) and of such a pixel pitch."""
    rows = [
        {"status": "measured", "body": body, "lens": lens, "source": source, "best": True,
         "width_px": width, "height_px": round(width / 1.5), "pixel_pitch_um": pitch}
        for count, source, width, pitch in kinds for _ in range(count)
    ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.mark.parametrize(
    "other", [("camera", 3000, 8.0), ("raw", 3000, 8.0), ("edited", 4200, 4.0)]
)
def test_files_that_no_curve_is_drawn_from_do_not_decide_how_large_pictures_are(other):
    """Reduced JPEGs, reduced raw files and crops, more than there are frames behind the curve."""
    part = focal_part({5.6: (0.2, 0.15), 8.0: (0.24, 0.2), 16.0: (0.17, 0.15)})
    lenses = [
        lens_entry("Lens A", [part], source="raw", frames=30),
        lens_entry("Lens B", [part], source="raw", frames=30, body="Body B"),
    ]
    own, its = (30, "raw", 6000, 4.0), files_of("Body B", "Lens B", (30, "raw", 6000, 4.0))
    alone = decide(pd.concat([files_of("Body A", "Lens A", own), its]), lenses, [], CRITERIA)
    among = pd.concat([files_of("Body A", "Lens A", own, (70, *other)), its])
    found = decide(among, lenses, [], CRITERIA)
    assert found["visible"] == alone["visible"] != []
    # Across bodies lenses are compared per picture height, and these two are equals.
    assert found["rivals"] == alone["rivals"] != []
    assert "no difference could be shown" in found["rivals"][0]["text"]
