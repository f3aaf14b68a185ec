"""The photographer's answers on single frames: taken into account, and used to judge the judging."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from auditor.answers import ANSWERS
from auditor.model import Answers

__all__ = ["answers_of", "no_answers", "respect", "tally"]


def answers_of(frames: pd.DataFrame, given: Mapping[str, str]) -> pd.Series:
    """The answer on each row, None where there is none. `given` maps a path or a file id to it."""
    out = pd.Series(None, index=frames.index, dtype=object)
    if not given:
        return out
    for name in ("file_id", "path"):
        if name in frames:
            out = frames[name].astype(object).map(dict(given)).combine_first(out)
    return out.where(out.isin(ANSWERS), None)


def respect(verdicts: pd.DataFrame, answers: pd.Series) -> pd.DataFrame:
    """Verdicts in which the photographer has the last word.

    A frame that is fine or was meant so is neither soft nor noisy and has no cause; one that is
    indeed bad keeps its cause and is certain. The added column `listed` says whether the program
    itself had found fault.
    """
    out = verdicts.copy()
    listed = (out["soft"] | out["noisy"]).to_numpy(bool)
    out["listed"] = listed
    if answers.isna().all():
        return out
    said = answers.to_numpy(object)
    cleared = np.isin(said, ["meant", "fine"])
    out.loc[cleared, ["soft", "noisy"]] = False
    if "maybe_deliberate" in out:
        out.loc[cleared, "maybe_deliberate"] = False
    out.loc[cleared, "cause"] = None
    out.loc[cleared, "probability"] = 0.0
    out.loc[(said == "bad") & listed, "probability"] = 1.0
    return out


def no_answers() -> Answers:
    """What `tally` gives where no frame was judged."""
    counts: Answers = {"listed": 0, "meant": 0, "fine": 0, "bad": 0, "missed": 0}
    return {**counts, "right_share": None, "low": None, "high": None}


def tally(verdicts: pd.DataFrame, answers: pd.Series, interval: float) -> Answers:
    """How often the program was right here, by the answers on frames that it had listed.

    `listed` frames were answered; of these `bad`, `meant` and `fine`. `right_share` is the share that
    is indeed bad; `low` and `high` bound it to `interval` (Clopper and Pearson, Biometrika 26, 1934: exact binomial
    limits). `missed`: frames called bad that the program had passed.
    """
    said = answers.to_numpy(object)
    listed = verdicts["listed"].to_numpy(bool)
    counts = {a: int(((said == a) & listed).sum()) for a in ANSWERS}
    n, right = sum(counts.values()), counts["bad"]
    tail = (1 - interval) / 2
    low = float(betaincinv(right, n - right + 1, tail)) if right else 0.0
    high = float(betaincinv(right + 1, n - right, 1 - tail)) if right < n else 1.0
    return {
        "listed": n,
        "meant": counts["meant"],
        "fine": counts["fine"],
        "bad": right,
        "missed": int(((said == "bad") & ~listed).sum()),
        "right_share": round(right / n, 4) if n else None,
        "low": round(low, 4) if n else None,
        "high": round(high, 4) if n else None,
    }
