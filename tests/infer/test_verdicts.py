"""Frames that were judged to have failed say nothing of their lens."""

import numpy as np
import pandas as pd
import pytest
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

from auditor.infer import Criteria, build_profile
from auditor.infer.lenses import infer_lenses, infer_without
from auditor.record import DIRECTIONS, ZONES

APERTURE = 5.6


def archive(*names: str) -> pd.DataFrame:
    """Sharp frames of lenses, alike in all directions."""
    lenses = tuple(LensSpec(name, frames=8) for name in names)
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses), 3)
    for direction in DIRECTIONS:
        frames[f"{direction}_cpp"] = frames["centre_mtf50_cpp"]
    return frames.assign(file_id=[f"{i:04d}" for i in range(len(frames))], streaks=0.0)


def moved(frames: pd.DataFrame, name: str) -> tuple[pd.DataFrame, np.ndarray]:
    """The same with all frames of one lens at one aperture moved sideways, and which these are."""
    chosen = ((frames["lens"] == name) & (frames["f_number"] == APERTURE)).to_numpy()
    frames = frames.copy()
    frames.loc[chosen, "vertical_cpp"] = 0.06
    frames.loc[chosen, ["falling_cpp", "rising_cpp"]] = 0.09
    frames.loc[chosen, "streaks"] = 4.0
    frames.loc[chosen, "exposure_time_s"] = 1 / 15
    return frames, chosen


def figures(lens: dict) -> dict[float, object]:
    """Of the centre, by aperture."""
    (part,) = lens["focal_ranges"]
    return {a["f_number"]: a["centre"] for a in part["apertures"]}


def test_an_aperture_whose_frames_all_failed_has_no_figure_and_the_frames_are_told() -> None:
    frames, failed = moved(archive("Holm 35mm f/2", "Tarn 50mm f/2"), "Holm 35mm f/2")
    profile = build_profile(frames, Criteria())
    holm, tarn = profile["lenses"]
    of_settings = ("too small an aperture", "open-aperture corners")
    faults = [k for k in profile["keepers"] if k["soft"] and k["cause"] not in of_settings]
    soft = {k["path"] for k in faults}
    assert soft >= set(frames["path"][failed])
    assert figures(holm)[APERTURE] is None
    assert sum(v is not None for v in figures(holm).values()) == len(figures(holm)) - 1
    # The last verdicts, by the lens of those left, may accuse one or two others.
    (told,) = (r for r in holm["focal_ranges"][0]["reasons"] if "left out of the curve" in r)
    assert told.endswith("frames shaken or out of focus left out of the curve")
    count = sum(frames["path"].isin(soft) & (frames["lens"] == "Holm 35mm f/2"))
    assert failed.sum() <= int(told.split()[0]) <= count
    assert figures(tarn)[APERTURE] is not None


@pytest.mark.parametrize(("answer", "counts"), [("fine", True), ("meant", False), ("bad", False)])
def test_a_frame_that_the_photographer_calls_fine_counts_for_its_lens_and_one_meant_so_does_not(
    answer: str, counts: bool
) -> None:
    frames, failed = moved(archive("Holm 35mm f/2"), "Holm 35mm f/2")
    answers = dict.fromkeys(frames["path"][failed], answer)
    (holm,) = build_profile(frames, Criteria(), answers=answers)["lenses"]
    assert (figures(holm)[APERTURE] is not None) == counts


def test_failed_frames_count_as_the_lens_s_but_their_figures_do_not() -> None:
    frames, failed = moved(archive("Holm 35mm f/2", "Tarn 50mm f/2"), "Holm 35mm f/2")
    of_all = infer_lenses(frames, Criteria())
    holm, tarn = infer_without(failed, frames, of_all, Criteria())
    assert tarn is of_all[1]
    assert holm["frames"] == of_all[0]["frames"]
    blank = frames.copy()
    blank.loc[failed, [f"{zone}_mtf50_cpp" for zone in ZONES]] = np.nan
    without = infer_lenses(blank, Criteria())[0]
    assert figures(holm) == figures(without)


def test_frames_left_out_count_as_soft() -> None:
    sound = archive("Holm 35mm f/2")
    frames, chosen = moved(sound, "Holm 35mm f/2")
    failed = chosen & (np.cumsum(chosen) > 3)
    frames[~failed] = sound[~failed]
    (without,), (kept,) = (
        infer_lenses(frames, Criteria(), failed), infer_lenses(frames[~failed], Criteria()),
    )  # fmt: skip
    (part,), (rest,) = without["focal_ranges"], kept["focal_ranges"]
    soft = failed.sum() + rest["failures"]["soft_share"] * (~failed).sum()
    assert part["failures"]["soft_share"] == pytest.approx(soft / len(frames), abs=1e-3)
    (here,), (there,) = (
        [a for a in of["apertures"] if a["f_number"] == APERTURE] for of in (part, rest)
    )
    assert (here["frames"], there["frames"]) == (8, 3)


def test_lenses_inferred_again_stay_in_their_places() -> None:
    """A lens without a name comes first, copies of one name and converters stand beside each other."""
    frames, _ = moved(archive("Holm 35mm f/2", "Tarn 50mm f/2"), "Holm 35mm f/2")
    unnamed = frames["lens"] == "Holm 35mm f/2"
    frames["lens"] = frames["lens"].mask(unnamed, None)
    third = np.arange(len(frames)) % 3
    frames["lens_serial"] = np.where(third == 1, "A1", "B2")
    frames["converter"] = np.where(third == 2, "1.4x", None)
    for failed in (unnamed, ~unnamed):
        of_all = infer_lenses(frames, Criteria())
        again = infer_without(failed.to_numpy(), frames, of_all, Criteria())
        keys = ("lens", "body", "lens_serial", "converter", "frames")
        assert len(of_all) > 3
        assert [[e[k] for k in keys] for e in again] == [[e[k] for k in keys] for e in of_all]
        kept = ["Tarn 50mm f/2"] if failed is unnamed else ["unknown lens"]
        assert all((a is b) == (a["lens"] in kept) for a, b in zip(again, of_all, strict=True))
