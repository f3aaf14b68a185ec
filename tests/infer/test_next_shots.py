"""What to shoot next: proposed where it would change something, silent where not."""

from __future__ import annotations

from auditor.artificial.measurements import ArchiveSpec, LensSpec, simulate_frames
from auditor.infer import Criteria, build_profile


def shots(lens: LensSpec, seed: int = 4, **spec: object) -> list[dict]:
    frames, _ = simulate_frames(ArchiveSpec(lenses=[lens], all_columns=False, **spec), seed)  # type: ignore[arg-type]
    return build_profile(frames, Criteria())["next_shots"]


def test_a_settled_lens_needs_no_frame():
    assert shots(LensSpec(frames=40), outings=20) == []


def test_a_lens_used_at_one_aperture_needs_a_series_at_others():
    (series,) = shots(LensSpec(apertures=(5.6,)))
    assert len(series["apertures"]) >= 3
    assert max(series["apertures"]) >= 11
    assert series["frames"] >= 3 * len(series["apertures"])
    assert series["why"]
    assert series["gain"]


def test_a_curve_that_still_rises_at_its_end_is_followed_further():
    (series,) = shots(LensSpec(apertures=(2.0, 2.8, 4.0, 5.6), frames=30), outings=12)
    assert max(series["apertures"]) > 5.6


def test_the_list_is_short_and_the_most_telling_comes_first():
    lenses = [LensSpec(lens=f"Lens {i}", frames=2 + i, apertures=(4.0,)) for i in range(20)]
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, all_columns=False), 1)
    found = build_profile(frames, Criteria())["next_shots"]
    assert len(found) == 12
    assert found[0]["lens"] == "Lens 19"


def test_lenses_without_a_name_come_last_and_nobody_is_sent_for_what_no_one_can_find():
    lenses = [LensSpec(lens=f"Lens {i}", frames=20, apertures=(4.0,)) for i in range(3)]
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, all_columns=False), 2)
    first = frames["lens"] == "Lens 0"
    frames.loc[first, "lens"] = None
    assert [s["lens"] for s in build_profile(frames, Criteria())["next_shots"]][
        -1
    ] == "unknown lens"
    frames.loc[first, "body"] = None
    told = {s["lens"] for s in build_profile(frames, Criteria())["next_shots"]}
    assert told == {"Lens 1", "Lens 2"}
