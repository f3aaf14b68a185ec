"""Lenses from the frames that did not fail, and the verdicts by these lenses."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import pandas as pd

from auditor.infer.answers import answers_of, apply_answers
from auditor.infer.criteria import Criteria
from auditor.infer.faults import Faults
from auditor.infer.keepers import judge_frames
from auditor.infer.lenses import infer_lenses, infer_without
from auditor.model import Body, Lens

__all__ = ["lenses_and_verdicts", "verdicts_of_all"]

_NO_VERDICTS: Final = pd.DataFrame(
    columns=[
        *("judged", "soft", "noisy", "cause", "probability"),
        *("expected_cpp", "measured_cpp", "answer"),
    ]
)


def lenses_and_verdicts(
    frames: pd.DataFrame,
    bodies: list[Body],
    criteria: Criteria,
    answers: Mapping[str, str],
    faults: Faults,
) -> tuple[list[Lens], pd.DataFrame | None, pd.DataFrame]:
    """Lenses from frames that did not fail, verdicts by these lenses, and the frames that have one.

    Whether a frame failed is told by lenses of all frames first.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    bodies : list of Body
        Entries of the profile.
    criteria : Criteria
        Thresholds.
    answers : mapping of str to str
        Path or file id -> one of `model.ANSWERS`: a frame that is fine counts for its lens, one whose blur was meant
        does not.
    faults : Faults
        Takes what fails.

    Returns
    -------
    lenses : list of Lens
        Entries of the profile.
    verdicts : DataFrame or None
        From `judge_frames`, with the photographer's `answer`; None where nothing could be judged.
    judged : DataFrame
        The rows of `frames` that verdicts are on.
    """

    def judge(lenses: list[Lens]) -> tuple[pd.DataFrame | None, pd.DataFrame]:
        return faults.by_column(
            "keepers", lambda f: _verdicts(f, lenses, bodies, criteria, answers), frames, "lens", None
        )  # fmt: skip

    of_all, _ = faults.by_column(
        "sharpness", lambda f: infer_lenses(f, criteria), frames, "lens", list[Lens]()
    )
    verdicts, judged = judge(of_all)
    failed = _failed(verdicts_of_all(verdicts, judged, frames))
    if not failed.any():
        return of_all, verdicts, judged

    def again(f: pd.DataFrame) -> list[Lens]:
        return infer_without(failed[f.index].to_numpy(), f, of_all, criteria)

    lenses, _ = faults.by_column("sharpness", again, frames, "lens", of_all)
    return lenses, *judge(lenses)


def verdicts_of_all(
    verdicts: pd.DataFrame | None, judged: pd.DataFrame, frames: pd.DataFrame
) -> pd.DataFrame:
    """Verdicts on every frame, from those on the frames that were judged; the others' are open.

    Parameters
    ----------
    verdicts : DataFrame or None
        One row per row of `judged`.
    judged : DataFrame
        Rows of `frames`.
    frames : DataFrame
        The frame table.

    Returns
    -------
    DataFrame
        One row per row of `frames`.
    """
    if verdicts is None:
        verdicts, judged = _NO_VERDICTS, frames[:0]
    if len(verdicts) == len(frames):
        return verdicts
    out = verdicts.set_axis(judged.index).reindex(frames.index)
    for name in ("judged", "soft", "noisy"):
        out[name] = out[name].eq(True)
    return out


def _failed(verdicts: pd.DataFrame) -> pd.Series:
    """Which frames are shaken or out of focus by the program's verdict, but for those that the photographer calls
    fine: what was meant so says as little of its lens."""
    if "moved" not in verdicts:
        return pd.Series(False, index=verdicts.index)
    faults = verdicts["moved"].eq(True) | verdicts["blurred"].eq(True)
    return faults & verdicts["answer"].ne("fine")


def _verdicts(
    frames: pd.DataFrame,
    lenses: list[Lens],
    bodies: list[Body],
    criteria: Criteria,
    answers: Mapping[str, str],
) -> pd.DataFrame:
    """Verdicts in which the photographer has the last word, and under `answer` that word."""
    given = answers_of(frames, answers).reset_index(drop=True)
    return apply_answers(judge_frames(frames, lenses, bodies, criteria), given).assign(answer=given)
