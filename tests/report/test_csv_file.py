"""Tables as CSV: what the standard library's reader and pandas's make of them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from auditor.report.tables import write_csv

ODD = ["plain", "a, b", 'the "best" one', "two\nlines", "a\rb", "", None, "Käse/日本.jpg", "5,6"]


def _columns(table: pd.DataFrame) -> pa.Table:
    return pa.Table.from_pandas(table, preserve_index=False)


def test_every_text_comes_back_through_the_standard_reader(tmp_path: Path) -> None:
    table = pd.DataFrame({"text": pd.array(ODD, "string"), "n": range(len(ODD))})
    write_csv(_columns(table), tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["text", "n"]
    assert [row[0] for row in rows[1:]] == [text or "" for text in ODD]
    assert [row[1] for row in rows[1:]] == [str(i) for i in range(len(ODD))]


@pytest.mark.parametrize("rows", [0, 1, 7, 60_000])
def test_numbers_come_back_with_six_digits_through_the_reader_of_pandas(
    tmp_path: Path, rows: int
) -> None:
    rng = np.random.default_rng(rows)
    number = np.exp(rng.normal(0, 20, rows)) * rng.choice([-1, 1], rows)
    number[rng.random(rows) < 0.2] = np.nan
    table = pd.DataFrame(
        {"d": number, "s": np.clip(number, -1e9, 1e9).astype(np.float32), "nothing": None}
    )
    table["near"] = rng.random(rows) * 10.0 ** rng.integers(-5, 8, rows)
    table["between"] = np.round(rng.random(rows), 7) * rng.choice([1, 10, 1000], rows)
    table["edge"] = rng.choice(
        [0.0, -0.0, 1e-4, 9.99999e-5, 999999.5, 1e6, np.inf, 1e-3, 0.1], rows
    )
    table["whole"] = pd.array(rng.integers(-5, 5, rows), "Int64")
    table.loc[table["d"] > 1, "whole"] = pd.NA
    table["yes"], table["last"] = table["d"] > 0, "x"
    write_csv(_columns(table), tmp_path / "ours.csv")
    back = pd.read_csv(
        tmp_path / "ours.csv", dtype={"whole": "Int64"}, float_precision="round_trip"
    )
    assert list(back) == list(table)
    for name in ("d", "s", "near", "between", "edge"):
        true, read = table[name].to_numpy(float), back[name].to_numpy(float)
        # A power of ten beyond 10^22 is no exact number of double precision.
        six = [float(f"{value:.6g}") for value in read]
        np.testing.assert_allclose(read, six, rtol=1e-15)
        known = np.isfinite(true) & (true != 0)
        np.testing.assert_array_equal(read[~known], true[~known])
        sixth_digit = 10.0 ** (np.floor(np.log10(np.abs(true[known]))) - 5)
        assert np.all(np.abs(read - true)[known] <= 0.5000001 * sixth_digit)
    for name in ("whole", "yes", "last"):
        assert back[name].tolist() == table[name].tolist()
    assert back["nothing"].isna().all()


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", "\t=1", "  =1", "\u00a0=1", "\r=1"])
def test_no_cell_begins_as_a_formula(tmp_path: Path, text: str) -> None:
    table = pd.DataFrame({"a": pd.array([text, "a=1"], "string"), "b": [1, 2]})
    write_csv(_columns(table), tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        assert [row[0] for row in csv.reader(file)] == ["a", "'" + text, "a=1"]
