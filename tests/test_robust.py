"""Robust statistics, against numpy's and pandas' own."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditor.robust import group_medians


@pytest.mark.parametrize("seed", range(10))
def test_medians_of_groups_are_those_of_pandas(seed: int) -> None:
    rng = np.random.default_rng(seed)
    group = np.unique(rng.integers(0, 30, 100), return_inverse=True)[1]
    values = np.where(rng.random(100) < 0.5, np.nan, rng.normal(0, 1, 100))
    values[group == 0] = np.nan  # a group without any
    expected = pd.Series(values).groupby(group).median().to_numpy()
    np.testing.assert_allclose(group_medians(values, group), expected, rtol=1e-15)
