"""Lenses from the frames that did not fail, and the verdicts by these lenses; the photographer's answers on single
frames, which have the last word and tell how often the program was right."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from auditor.infer.criteria import Criteria
from auditor.infer.faults import Faults
from auditor.infer.keepers import judge_frames
from auditor.infer.lenses import infer_lenses, infer_without
from auditor.model import ANSWERS, Answers, Body, Lens
from auditor.record.values import flags

__all__ = [
    "answers_of",
    "apply_answers",
    "lenses_and_verdicts",
    "no_answers",
    "tally",
    "verdicts_of_all",
]

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


def answers_of(frames: pd.DataFrame, given: Mapping[str, str]) -> pd.Series:
    """The photographer's answer on each exposure, at the file of it that is judged.

    The last answer on any file of an exposure holds, be it given on a copy or an export.

    Parameters
    ----------
    frames : DataFrame
        Columns `file_id`, `path`, `capture` and `best`, as far as there are any; on one file an answer by path
        has precedence.
    given : mapping of str to str
        Path or file id -> one of `model.ANSWERS`, or `TAKEN_BACK`; later ones were given later.

    Returns
    -------
    Series of object
        None where there is none.
    """
    place = pd.Series(np.nan, index=frames.index)
    if given:
        order = {key: float(n) for n, key in enumerate(given)}
        for name in ("file_id", "path"):
            if name in frames:
                place = frames[name].astype(object).map(order).combine_first(place)
        if "capture" in frames:
            last = place.groupby(frames["capture"]).transform("max")
            place = last.where(flags(frames, "best", True))
    out = place.map(dict(enumerate(given.values()))).astype(object)
    return out.where(out.isin(ANSWERS), None)


def apply_answers(verdicts: pd.DataFrame, answers: pd.Series) -> pd.DataFrame:
    """Verdicts in which the photographer has the last word.

    Parameters
    ----------
    verdicts : DataFrame
        From `judge_frames`.
    answers : Series
        From `answers_of`, a row each.

    Returns
    -------
    DataFrame
        A copy. A frame that is fine or was meant so is neither soft nor noisy and has no cause; one that is
        indeed bad keeps its cause and has probability 1. The added column `listed` says whether the program
        itself had found fault.
    """
    out = verdicts.copy()
    listed = (out["soft"] | out["noisy"]).to_numpy(bool)
    out["listed"] = listed
    if answers.isna().all():
        return out
    given = answers.to_numpy(object)
    cleared = np.isin(given, ["meant", "fine"])
    out.loc[cleared, ["soft", "noisy"]] = False
    if "maybe_deliberate" in out:
        out.loc[cleared, "maybe_deliberate"] = False
    out.loc[cleared, "cause"] = None
    out.loc[cleared, "probability"] = 0.0
    out.loc[(given == "bad") & listed, "probability"] = 1.0
    return out


def no_answers() -> Answers:
    """What `tally` gives where no frame was judged."""
    counts: Answers = {"listed": 0, "meant": 0, "fine": 0, "bad": 0, "missed": 0}
    return {**counts, "right_share": None, "low": None, "high": None}


def tally(verdicts: pd.DataFrame, answers: pd.Series, interval: float) -> Answers:
    """How often the program was right, by the answers on frames that it had listed.

    Parameters
    ----------
    verdicts : DataFrame
        From `apply_answers`, for its column `listed`.
    answers : Series
        From `answers_of`, a row each.
    interval : float
        Share of the truth that the interval is meant to hold.

    Returns
    -------
    Answers
        `listed` frames were answered; of these `bad`, `meant` and `fine`; `right_share` is the share that is
        indeed bad, with `low` and `high` (exact binomial limits), None where none was answered. `missed`:
        frames called bad that the program had passed.

    References
    ----------
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934).
    """
    given = answers.to_numpy(object)
    listed = verdicts["listed"].to_numpy(bool)
    counts = {a: int(((given == a) & listed).sum()) for a in ANSWERS}
    n, right = sum(counts.values()), counts["bad"]
    tail = (1 - interval) / 2
    low = float(betaincinv(right, n - right + 1, tail)) if right else 0.0
    high = float(betaincinv(right + 1, n - right, 1 - tail)) if right < n else 1.0
    return {
        "listed": n,
        "meant": counts["meant"],
        "fine": counts["fine"],
        "bad": right,
        "missed": int(((given == "bad") & ~listed).sum()),
        "right_share": round(right / n, 4) if n else None,
        "low": round(low, 4) if n else None,
        "high": round(high, 4) if n else None,
    }
