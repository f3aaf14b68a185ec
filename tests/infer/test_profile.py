"""The whole profile from one table: frames with keywords, and archives of many borrowed bodies."""

import numpy as np
import pandas as pd

from auditor.artificial.measurements import ArchiveSpec, LensSpec, simulate_frames
from auditor.artificial.tones import ToneBody, tone_archive
from auditor.infer import Criteria, build_profile
from auditor.infer.bodies import infer_bodies
from auditor.infer.bodies.matches import LEAST_FRAMES


def test_frames_with_several_keywords_are_audited() -> None:
    frames, _ = simulate_frames(ArchiveSpec(lenses=(LensSpec(frames=4),)), 3)
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
            tone_archive(few, [400], rng, frames=LEAST_FRAMES - 4),
            tone_archive(many, [100, 400, 1600], rng, frames=6),
        ],
        ignore_index=True,
    )
    made = infer_bodies(frames)
    assert {m["body"] for m in made["iso_matches"]} == {"Own One", "Own Two"}
    assert len(made["bodies"]) == 6
    told = {b["body"] for b in made["bodies"] if any("not held against" in n for n in b["notes"])}
    assert told == {b.name for b in few}
