"""What to shoot next: proposed where it would change something, silent where not."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import pandas as pd
import pytest
from simulated_frames import ArchiveSpec, Blur, LensSpec, simulate_frames

from auditor.infer import Criteria, build_profile
from auditor.infer.next_shots import next_shots, open_note
from auditor.infer.next_shots.series import body_requests, lens_series


def profile(lens: LensSpec, seed: int = 4, **spec: object) -> dict:
    frames, _ = simulate_frames(ArchiveSpec(lenses=[lens], all_columns=False, **spec), seed)  # type: ignore[arg-type]
    return build_profile(frames, Criteria())


def shots(lens: LensSpec, seed: int = 4, **spec: object) -> list[dict]:
    """The series that are about sharpness."""
    return [s for s in profile(lens, seed, **spec)["next_shots"] if s["kind"] == "sharpness"]


def test_a_settled_lens_needs_no_frame():
    assert shots(LensSpec(frames=40), outings=20) == []


def test_a_lens_used_at_one_aperture_needs_a_series_at_others():
    (series,) = shots(LensSpec(apertures=(5.6,)))
    assert len(series["apertures"]) >= 3
    assert max(series["apertures"]) >= 11
    assert series["frames"] >= 3 * len(series["apertures"])
    assert series["why"]
    assert series["gain"]


def test_a_lens_that_was_only_stopped_down_is_asked_for_from_its_widest_aperture_on():
    """Whether f/4 or f/8 is its best nobody knows who only used f/11 and f/16."""
    (series,) = shots(LensSpec(lens="Tarn 24mm f/2.8", apertures=(11.0, 16.0)))
    assert series["apertures"] == [2.8, 4.0, 5.6, 8.0, 11.0]
    (unnamed,) = shots(LensSpec(lens="Tarn", apertures=(11.0, 16.0)))
    assert unnamed["apertures"] == [11.0, 16.0, 22.0]


@pytest.mark.parametrize("source", ["resized", "edited"])
def test_a_lens_known_from_rewritten_files_is_asked_for_files_as_the_camera_writes_them(source):
    """More exports would leave its apertures as open: no number of them names a best one. Of edited files some
    more might, but frames as the camera writes them begin a curve of their own."""
    spec = ArchiveSpec(
        lenses=[LensSpec(apertures=(4.0, 5.6, 8.0, 11.0), frames=4)], outings=2, all_columns=False
    )
    frames, _ = simulate_frames(spec, 4)
    kind = "edited reduced" if source == "resized" else "edited full size"
    rewritten = frames.assign(source=source, file_kind=kind, width_px=1600, height_px=1067)
    told = build_profile(rewritten, Criteria())
    (part,) = told["lenses"][0]["focal_ranges"]
    assert part["sweet_spot"] is None
    (series,) = (s for s in told["next_shots"] if s["kind"] == "sharpness")
    assert series["how"].startswith("files as the camera writes them, at full size")
    assert "more sharp frame" not in series["why"]
    assert series["gain"] == "a best aperture", "such figures say nothing of a camera's own files"
    if source == "resized":
        assert [r for r in part["reasons"] if "not yet" in r or "sharp frame" in r] == [
            series["why"]
        ]


def test_apertures_whose_frames_are_missing_are_asked_for():
    """What the reason names is in the list; the others are whole stops, as cameras are set, and none leaves more
    than two stops open."""
    asked = 0
    for seed in (1, 3, 5, 7):
        lens = LensSpec(lens="Tarn 35mm f/1.8", apertures=(1.8, 2.0, 4.0, 5.6, 8.0, 11.0), frames=2)
        for series in shots(lens, seed, outings=2):
            named = {float(n) for n in re.findall(r"f/([\d.]+)", series["why"])}
            if "not yet" not in series["why"] or not named:
                continue
            asked += 1
            assert named <= set(series["apertures"]), series["why"]
            assert set(series["apertures"]) <= {1.8, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0}
    assert asked >= 3


def asked_of(name: str, used: tuple[float, ...], missing: str) -> list[float]:
    """Apertures of the series for a lens whose reason names these as missing."""
    zone = {"mtf50_cpp": 0.2, "low": 0.19, "high": 0.21}
    apertures = [{"f_number": f, "frames": 3, "centre": zone, "corner": zone} for f in used]
    reason = f"best aperture: not yet; it takes 2 more sharp frames at {missing}"
    part = {
        "focal_mm": [50, 50], "frames": 60, "apertures": apertures, "sweet_spot": None, "evidence": "thin",
        "reasons": [reason],
    }  # fmt: skip
    lens = {"lens": name, "body": "A", "converter": None, "focal_ranges": [part]}
    ((series, _),) = lens_series([lens])
    return list(series["apertures"] or [])


def test_a_run_of_missing_apertures_leaves_room_where_the_best_may_lie():
    used = (1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 8.0)
    asked = asked_of("Tarn 50mm f/1.4", used, "f/1.4, f/1.6, f/1.8, f/2, f/2.2, f/2.5")
    assert {1.4, 2.5} <= set(asked)
    # At most two stops, a factor of two in the f-number (1 / 64 for rounding), to the next.
    assert all(high / low <= 2 * (1 + 1 / 64) for low, high in pairwise(asked)), asked


def test_one_opening_is_not_asked_for_twice():
    """A lens named f/1.7 of which frames say f/1.8, as cameras set thirds of a stop."""
    asked = asked_of("Tarn 50mm f/1.7", (1.8, 4.0, 8.0), "f/1.8")
    assert 1.8 in asked
    assert 1.7 not in asked


@pytest.mark.long
def test_what_is_asked_for_names_a_best_aperture():
    """Of drawn lenses of which a best aperture is open, the series asked for settles it in three of four; by
    whole stops that left out the aperture missing it was three of five."""
    blur = {
        z: replace(b, wide=b.wide * (2.0 / 1.8) ** b.power)
        for z, b in (("centre", Blur(0.35, 0.6, 1.5)), ("middle", Blur(0.4, 0.9, 1.3)), ("corner", Blur(0.45, 1.4, 1.2)))
    }  # fmt: skip
    used = LensSpec(lens="Tarn 35mm f/1.8", apertures=(2.0, 4.0, 5.6, 8.0), frames=2)
    was_open = named = 0
    for seed in range(20):
        frames, _ = simulate_frames(ArchiveSpec([used], outings=2, all_columns=False), seed)
        made = build_profile(frames, Criteria())
        series = [s for s in made["next_shots"] if s["kind"] == "sharpness"]
        if not series or made["lenses"][0]["focal_ranges"][0]["sweet_spot"]:
            continue
        was_open += 1
        asked = series[0]["apertures"]
        each = series[0]["frames"] // len(asked)
        assert min(asked) == 1.8
        test_day = replace(used, apertures=tuple(asked), frames=each, **blur)
        more, _ = simulate_frames(
            ArchiveSpec([test_day], outings=1, missed=0.1, shaken=0.0, all_columns=False),
            seed + 100,
        )
        for column, first in (("outing", 50), ("capture", 1000), ("burst", 1000)):
            more[column] += first
        both = build_profile(pd.concat([frames, more], ignore_index=True), Criteria())
        named += both["lenses"][0]["focal_ranges"][0]["sweet_spot"] is not None
    assert was_open >= 5
    assert named >= 0.75 * was_open


def test_every_aperture_asked_for_was_used_at_that_focal_length_or_beyond():
    """A zoom of f/3.5 to f/5.6 has f/3.5 at its short end alone."""
    name = "Tarn 18-55mm f/3.5-5.6"
    lenses = [
        LensSpec(lens=name, focal_mm=(18.0,), apertures=(3.5, 5.6, 8.0), frames=3),
        LensSpec(lens=name, focal_mm=(26.0,), apertures=(4.5, 8.0), frames=1),
        LensSpec(lens=name, focal_mm=(55.0,), apertures=(5.6, 8.0), frames=3),
    ]
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, all_columns=False), 3)
    found = [s for s in build_profile(frames, Criteria())["next_shots"] if s["kind"] == "sharpness"]
    assert found
    for series in found:
        there = frames["focal_length_mm"] >= series["focal_mm"]
        assert min(series["apertures"]) >= frames.loc[there, "f_number"].min(), series
    assert any(min(series["apertures"]) == 3.5 for series in found)


def test_no_gain_is_promised_that_frames_may_not_keep():
    for lens in (LensSpec(apertures=(5.6,)), LensSpec(frames=3)):
        for series in shots(lens, outings=2):
            assert "to ±" not in series["gain"].replace("known to ±", "")


def test_nobody_is_sent_to_set_what_a_scanner_does_not_have():
    body = {"body": "Scanner", "frames": 60, "kind": None, "brightness": [], "other_kinds": []}
    body |= {"left_out": [{"frames": 60, "reason": "has no ISO in its settings"}], "sensor": None}
    use = {"body": "Scanner", "frames": 60, "role": "in use", "iso_low": None, "iso_high": None}
    asked, _ = next_shots(body_requests([body]), [], {"bodies": [use], "lenses": []})
    assert asked == []
    use |= {"iso_low": 100, "iso_high": 3200}
    asked, _ = next_shots(body_requests([body]), [], {"bodies": [use], "lenses": []})
    assert len(asked) == 1


def test_a_curve_that_still_rises_at_its_end_is_followed_further():
    (series,) = shots(LensSpec(apertures=(2.0, 2.8, 4.0, 5.6), frames=30), outings=12)
    assert max(series["apertures"]) > 5.6


def test_the_list_is_short_and_the_most_telling_comes_first():
    lenses = [LensSpec(lens=f"Lens {i}", frames=2 + i, apertures=(4.0,)) for i in range(20)]
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, all_columns=False), 1)
    found = build_profile(frames, Criteria())
    assert 3 <= len(found["next_shots"]) < 12
    assert sum(s["minutes"] for s in found["next_shots"]) <= 120  # one afternoon
    assert found["next_shots_unlisted"] >= 8
    lenses_named = [s["lens"] for s in found["next_shots"] if s["kind"] == "sharpness"]
    assert lenses_named[0] == "Lens 19"


def test_lenses_without_a_name_come_last_and_nobody_is_sent_for_what_no_one_can_find():
    lenses = [LensSpec(lens=f"Lens {i}", frames=20, apertures=(4.0,)) for i in range(3)]
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, all_columns=False), 2)
    first = frames["lens"] == "Lens 0"
    frames.loc[first, "lens"] = None
    assert [s["lens"] for s in build_profile(frames, Criteria())["next_shots"]][
        -1
    ] == "unknown lens"
    frames.loc[first, "body"] = None
    found = build_profile(frames, Criteria())["next_shots"]
    assert {s["lens"] for s in found if s["kind"] == "sharpness"} == {"Lens 1", "Lens 2"}
    assert all(s["lens"] or s["body"] for s in found)


def test_thin_evidence_of_one_outing_asks_for_another_day():
    (series,) = shots(LensSpec(frames=2), outings=1)
    assert "best aperture: not yet; it takes a second outing" in series["why"]
    assert "another day" in series["how"]
    assert len(series["apertures"]) >= 3
    assert series["frames"] >= 3 * len(series["apertures"])


def test_an_aperture_missing_between_others_is_asked_for():
    (series,) = shots(LensSpec(apertures=(2.8, 4.0, 11.0, 16.0), frames=40), outings=20)
    assert any(5 < n < 9 for n in series["apertures"])
    assert "between f/4 and f/11" in series["why"]


@pytest.mark.parametrize(
    ("usable", "low", "high", "reason", "asked", "words"),
    [
        (200, 200, 200, "likely higher still", [], ""),
        (None, None, None, "not reached", [], ""),
        (200, 50, 400, None, [100, 200, 400], "only to ISO 50 to 400"),
        (320, 250, 400, None, [], ""),
    ],
)
def test_open_or_wide_usable_iso_asks_for_the_iso_values_that_would_tell(
    usable: int | None, low: int | None, high: int | None, reason: str | None,
    asked: list[int], words: str,
) -> None:  # fmt: skip
    """A body used at ISO 100 alone, which is as low as bodies go."""
    detail = {"low": low, "high": high, "reason": reason}
    band = {
        "band": "overcast", "frames": 12, "usable_iso": {"excellent": usable},
        "usable_iso_detail": {"excellent": detail},
    }  # fmt: skip
    body = {
        "body": "A", "frames": 12, "frames_used": 12, "kind": "camera", "brightness": [band],
        "other_kinds": [], "sensor": None, "tones": [{"iso": 100, "snr": 80.0}],
    }  # fmt: skip
    found = [shot for shot, _ in body_requests([body])]
    assert [request["iso"] for request in found] == ([asked] if asked else [])
    assert all(words in request["why"] for request in found)


def test_files_that_show_no_noise_do_not_hide_what_others_leave_open() -> None:
    """Few camera files without any noise, many edited ones that tell usable ISO to two stops."""
    wide = {
        "band": "overcast", "frames": 40, "usable_iso": {"excellent": 800},
        "usable_iso_detail": {"excellent": {"low": 400, "high": 1600, "reason": None}},
    }  # fmt: skip
    untold = {
        "band": "overcast", "frames": 4, "usable_iso": {"excellent": None},
        "usable_iso_detail": {"excellent": {"low": None, "high": None, "reason": "not told"}},
    }  # fmt: skip
    camera = {"kind": "camera", "brightness": [untold], "tones": [{"iso": 100, "snr": None}]}
    body = {
        "body": "A", "frames": 44, "kind": "edited", "brightness": [wide], "other_kinds": [camera],
        "tones": [{"iso": 100, "snr": None}, {"iso": 800, "snr": 40.0}],
    }  # fmt: skip
    ((request, _),) = body_requests([body])
    assert request["iso"] == [400, 800, 1600]
    assert "edited files only" in request["why"]


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ((0, 0), "No photograph was found"),
        ((5, 0), "No file could be measured"),
        ((5, 5), "No lens"),
    ],
)
def test_where_nothing_can_be_named_the_note_says_what_to_do(
    counts: tuple[int, int], words: str
) -> None:
    found, measured = counts
    told = open_note(
        {"frames": {"found": found, "measured": measured}, "lenses": [], "next_shots": []}
    )
    assert told is not None
    assert words in told


def test_files_that_name_their_lenses_are_not_asked_for_their_names() -> None:
    part = {"sweet_spot": None}
    for name, asked in (("Holm 35mm f/2", False), (None, True)):
        lens = {"lens": name, "body": "Skerry", "focal_ranges": [part]}
        told = open_note(
            {"frames": {"found": 9, "measured": 9}, "lenses": [lens], "next_shots": []}
        )
        assert told is not None
        assert ("still name lens and aperture" in told) == asked
        assert "one series from a tripod" in told


def test_phones_alone_are_not_sent_to_shoot_apertures_that_they_lack() -> None:
    part = {"sweet_spot": None, "apertures": [{"f_number": 1.8}], "focal_mm": [4.2, 4.2]}
    profile = {"frames": {"found": 9, "measured": 9}, "next_shots": []}
    for focal, asked in ((4.2, False), (35.0, True)):
        lens = {"lens": "Pell", "body": "Pell", "focal_ranges": [part | {"focal_mm": [focal] * 2}]}
        told = open_note(profile | {"lenses": [lens]})
        assert told is not None
        assert ("five apertures" in told) == asked


@pytest.mark.parametrize(
    ("name", "f_number", "asked"),
    [
        ("Pell 4 mm f/1.8", 1.8, False),
        ("Pell 1.5-9 mm f/1.5-2.8", 2.4, False),  # several cameras in one phone
        ("7.4-22.2 mm f/2-4", 2.8, True),
        ("Holm 8 mm f/2.8", 4.0, True),
    ],
)
def test_a_lens_whose_name_tells_of_more_apertures_is_not_said_to_have_one(
    name: str, f_number: float, asked: bool
) -> None:
    part = {"sweet_spot": None, "apertures": [{"f_number": f_number}], "focal_mm": [4.2, 9.0]}
    lens = {"lens": name, "body": "Pell", "converter": None, "focal_ranges": [part]}
    told = open_note({"frames": {"found": 9, "measured": 9}, "lenses": [lens], "next_shots": []})
    assert told is not None
    assert ("five apertures" in told) == asked
    assert ("none to choose" in told) != asked


def _gear(frames, **more):
    from auditor.gear.gear_file import Chosen
    from auditor.gear.usage import gear_in_use

    return gear_in_use(frames, Chosen(**more))


def test_only_gear_in_use_is_asked_for():
    lenses = [
        LensSpec(lens="Mine", frames=60, apertures=(4.0, 5.6)),
        LensSpec(lens="Lent", body="Body B", frames=2, apertures=(4.0, 5.6)),
    ]
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, all_columns=False), 1)
    everything = build_profile(frames, Criteria())["next_shots"]
    assert {s["lens"] for s in everything} >= {"Mine", "Lent"}
    asked = build_profile(frames, Criteria(), gear=_gear(frames))["next_shots"]
    assert "Mine" in {s["lens"] for s in asked}
    assert not [s for s in asked if s["lens"] == "Lent" or s["body"] == "Body B"]
    own = _gear(frames, my_lenses=("lent",), my_bodies=("body b",))
    assert "Lent" in {s["lens"] for s in build_profile(frames, Criteria(), gear=own)["next_shots"]}


def test_a_lens_of_one_aperture_is_asked_for_no_other_and_a_body_for_no_iso_it_may_not_have():
    """Small sensors: 4 mm at f/1.8, as phones have; nothing says that any other aperture exists."""
    lenses = [
        LensSpec(
            lens="Fixed", body="Small", pitch_um=1.4, focal_mm=(4.2,), frames=90, apertures=(1.8,)
        ),
        LensSpec(lens="Zoom", body="Large", frames=30, apertures=(4.0, 8.0)),
    ]
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, all_columns=False), 1)
    gear = _gear(frames, phones=True)
    shots = build_profile(frames, Criteria(), gear=gear)["next_shots"]
    assert [s for s in shots if s["lens"] == "Zoom"]
    assert not [s for s in shots if s["lens"] == "Fixed" and s["kind"] == "sharpness"]
    highest = {b["body"]: b["iso_high"] for b in gear["bodies"]}
    for s in shots:
        assert all(iso <= 2 * highest[s["body"]] for iso in s["iso"])
    assert {g["role"] for g in _gear(frames)["bodies"] if g["body"] == "Small"} == {"phone"}


def test_a_compact_is_no_phone_though_its_zoom_begins_as_short() -> None:
    """8.8 to 25.7 mm, as cameras with sensors of 13.2 x 8.8 mm have: its apertures can be set."""
    zoom = LensSpec(
        lens="8.8-25.7 mm f/1.8-2.8", body="Small", pitch_um=2.4, focal_mm=(8.8, 25.7), frames=40,
        apertures=(1.8, 2.8),
    )  # fmt: skip
    (series, *_) = shots(zoom)
    assert max(series["apertures"]) >= 5.6
