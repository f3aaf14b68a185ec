"""What rooms of inference work out of a frame's columns: odd clocks among them."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import scipy

from auditor.infer import frame_values
from auditor.infer.comparisons.pairs import find_pairs
from auditor.infer.decisions.common import date_of, iso_day
from auditor.infer.frame_values import SHARE_COLUMNS, days, draw_order, signal_quantile
from auditor.record import SIGNAL_BIN_EDGES


def test_clocks_may_say_any_year_that_exif_can_write() -> None:
    """Days by Python's proleptic Gregorian calendar (datetime.toordinal)."""
    taken = [
        "0001-01-01T00:00:00",
        "1970-01-01T12:00:00",
        "2024-02-29T18:00:00",
        "9999-12-31T00:00:00",
    ]
    frames = pd.DataFrame({"taken": [*taken, None, "no date"]})
    epoch = datetime(1970, 1, 1).toordinal()
    wanted = [datetime.fromisoformat(t) for t in taken]
    found = days(frames)
    assert found[:4] == pytest.approx([t.toordinal() - epoch + t.hour / 24 for t in wanted])
    assert np.isnan(found[4:]).all()
    assert [date_of(day) for day in found[:4]] == wanted
    assert iso_day(found[2]) == "2024-02-29"


def test_plain_clocks_and_odd_ones_are_read_alike() -> None:
    """Where nothing odd is among them another reader is used: by `datetime` and by either the same."""
    taken = ["1970-01-01T00:00:00", "2024-02-29T18:00:00", "2024-02-29T18:00:00.25", None]
    wanted = [
        (datetime.fromisoformat(t[:19]) - datetime(1970, 1, 1)) / timedelta(days=1)
        for t in taken[:3]
    ]
    for more in ([], ["no date"]):
        found = days(pd.DataFrame({"taken": [*taken, *more]}))
        assert found[:3] == pytest.approx(wanted, rel=1e-12)
        assert np.isnan(found[3:]).all()


def test_an_odd_clock_costs_no_comparison() -> None:
    frames = pd.DataFrame(
        {"path": ["a.jpg"], "status": ["measured"], "taken": ["9999-12-31T23:59:59"]}
    )
    assert find_pairs(frames, set()) is not None


@pytest.mark.parametrize("hashed", [True, False])
def test_the_order_of_a_sample_is_by_chance_and_another_for_another_seed(hashed: bool) -> None:
    """Neither the sharpest nor the first frames come first (Spearman's rank correlation, 0 by chance)."""
    n = 4000
    figures = np.random.default_rng(1).lognormal(-1.5, 0.3, (n, 2)).astype(np.float32)
    figures[::3, 1] = np.nan
    frames = pd.DataFrame({"file_id": [f"{i:07d}" for i in range(n)]} if hashed else {}, range(n))
    order = draw_order(frames, figures)
    assert len(np.unique(order)) == n
    other = draw_order(frames, figures, seed=1)
    for unlike in (np.arange(n), figures[:, 0], other):
        # Its standard error without any relation is 1 / sqrt(n - 1).
        assert abs(scipy.stats.spearmanr(order, unlike).statistic) < 4 / np.sqrt(n - 1)
    assert np.histogram(order / 2.0**64, 10, (0, 1))[0].min() > n / 10 * 0.8


@pytest.mark.parametrize("rows", [0, 1, 3, 10])
def test_quantiles_of_histograms_taken_in_pieces_are_those_of_their_sums(
    rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against linear interpolation by numpy; a row of which a bin is not known has none."""
    monkeypatch.setattr(frame_values, "CHUNK", 3)
    shares = np.random.default_rng(1).random((rows, len(SHARE_COLUMNS)))
    shares[7:8, 4] = np.nan
    for quantile in (0.002, 0.5, 0.9):
        expected = [
            np.interp(quantile, np.append(0.0, np.cumsum(row) / row.sum()), SIGNAL_BIN_EDGES)
            for row in shares
        ]
        np.testing.assert_allclose(signal_quantile(shares, quantile), expected, atol=1e-9)
