"""The judgement of a frame: is it sound, and if not, did it move or miss focus?

Two logistic regressions over the features of `evidence`. Their coefficients lie in `frame_model.json`, which
`scripts/calibrate` writes: from photographs that two people judged at 100%, from photographs seen through
known optics and from drawn frames with known faults; the file says from how many of each, and how well.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from auditor.infer.keepers.evidence import CAUSE_FEATURES, FEATURES

__all__ = ["FrameModel", "frame_model"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FrameModel:
    """Intercept and a coefficient for each feature, in the features' own units."""

    fault: Mapping[str, float]
    shake: Mapping[str, float]

    def chance_of_fault(self, evidence: pd.DataFrame) -> Floats:
        """Chance (0 to 1) that two people looking at 100% would call the frame blurred; NaN unmeasured."""
        return _chance(self.fault, evidence, FEATURES)

    def chance_of_shake(self, evidence: pd.DataFrame) -> Floats:
        """Chance that a blurred frame moved rather than missed focus."""
        return _chance(self.shake, evidence, CAUSE_FEATURES)


def _chance(of: Mapping[str, float], evidence: pd.DataFrame, names: tuple[str, ...]) -> Floats:
    logit = of["intercept"] + sum(of[n] * evidence[n].to_numpy(float) for n in names)
    return np.asarray(expit(logit))


@cache
def frame_model() -> FrameModel:
    """The model that comes with the package."""
    held = json.loads(files(__package__).joinpath("frame_model.json").read_text("utf-8"))
    return FrameModel(held["fault"], held["shake"])
