"""The whole profile from one table: frames with keywords, and archives of many borrowed bodies."""

import numpy as np
import pandas as pd
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames
from tone_archives import ToneBody, tone_archive

from auditor.infer import Criteria, build_profile
from auditor.infer import profile as profile_module
from auditor.infer.bodies import infer_bodies
from auditor.infer.enough import FEW


def test_frames_with_several_keywords_are_audited() -> None:
    frames, _ = simulate_frames(ArchiveSpec([LensSpec(apertures=(5.6, 8.0), frames=8)]), 3)
    words = [["alp", "winter"], [], None, ["alp"], np.array(["lake", "dusk", "calm"], object)]
    frames["labels"] = pd.Series([words[i % 5] for i in range(len(frames))], dtype=object)
    asked: list[str] = []

    def pictures(ids: list[str]) -> pd.DataFrame:
        asked.extend(ids)
        return pd.DataFrame({"file_id": ids})

    frames["file_id"] = [f"{i:04d}" for i in range(len(frames))]
    profile = build_profile(frames, Criteria(), pictures=pictures)
    assert profile["frames"]["found"] == len(frames)
    assert asked


def test_bodies_with_few_frames_are_not_held_against_each_other() -> None:
    rng = np.random.default_rng(4)
    few = [ToneBody(f"Borrowed {i}") for i in range(4)]
    many = [ToneBody("Own One"), ToneBody("Own Two", full_scale_e=30_000)]
    frames = pd.concat(
        [
            tone_archive(few, [400], rng, frames=FEW - 4),
            tone_archive(many, [100, 400, 1600], rng, frames=6),
        ],
        ignore_index=True,
    )
    made = infer_bodies(frames)
    assert {m["body"] for m in made["iso_matches"]} == {"Own One", "Own Two"}
    assert len(made["bodies"]) == 6
    told = {b["body"] for b in made["bodies"] if any("not held against" in n for n in b["notes"])}
    assert told == {b.name for b in few}


def test_frames_lit_by_a_flash_tell_nothing_of_a_brightness() -> None:
    """In a room with a flash: as dark as a dusk by aperture, time and ISO, and lit as brightly as one likes."""
    rng = np.random.default_rng(8)
    dusk = tone_archive([ToneBody("Own One")], [400, 1600], rng, frames=12, scenes=((1.0, 5.0),))
    lit = tone_archive([ToneBody("Own One")], [400], rng, frames=12, scenes=((1.0, 9.0),))
    lit = lit.assign(ev100=dusk["ev100"].median(), flash=True)
    alone, with_lit = (
        infer_bodies(f)["bodies"][0]["brightness"]
        for f in (dusk, pd.concat([dusk, lit], ignore_index=True))
    )
    assert [b["frames"] for b in alone if b["frames"]] == [len(dusk)]
    assert [(b["ev100"], b["frames"]) for b in with_lit] == [
        (b["ev100"], b["frames"]) for b in alone
    ]
    assert [b.get("signals") for b in with_lit] == [b.get("signals") for b in alone]


def test_a_lens_that_breaks_the_planning_costs_its_own_test_frames_alone(monkeypatch) -> None:
    lenses = tuple(LensSpec(name, frames=3) for name in ("Holm 35mm f/2", "Odd 50mm f/2"))
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses), 3)
    planned = profile_module.lens_series

    def broken(some, *more):
        if any(x["lens"] == "Odd 50mm f/2" for x in some):
            raise ValueError("odd lens")
        return planned(some, *more)

    monkeypatch.setattr(profile_module, "lens_series", broken)
    made = build_profile(frames, Criteria())
    asked = {s["lens"] for s in made["next_shots"] if s["kind"] == "sharpness"}
    assert asked == {"Holm 35mm f/2"}
    assert [f["part"] for f in made["faults"]] == ["lens Odd 50mm f/2"]
