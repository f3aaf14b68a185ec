"""Columns of a frame table as plain arrays, whatever their type."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditor.record.values import as_categories, map_names, name_combinations, rows_by_names

NAMES = ["b", None, "a", "B", "", "a"]


@pytest.mark.parametrize("kind", ["object", "category", "string[pyarrow]", "unused levels"])
def test_rows_are_put_together_by_names_of_any_type(kind: str) -> None:
    """As pandas groups the same names; what is missing is the empty string."""
    column = pd.Series(NAMES, dtype="category" if kind == "unused levels" else kind)
    if kind == "unused levels":
        column = column.cat.add_categories(["c"])
    frames = pd.DataFrame({"body": column, "lens": ["x", "x", "y", "x", "x", "y"]})
    found = rows_by_names(frames, ("body", "lens", "converter"))
    plain = pd.DataFrame(
        {"body": [n or "" for n in NAMES], "lens": frames["lens"], "converter": ""}
    )
    wanted = plain.groupby(list(plain)).indices
    assert list(found) == sorted(wanted)
    assert all(np.array_equal(found[key], rows) for key, rows in wanted.items())
    place, together = name_combinations(frames, ("body",))
    assert [together[i] for i in place] == [(n or "",) for n in NAMES]
    assert rows_by_names(frames.iloc[:0], ("body",)) == {}


def test_a_figure_goes_with_a_name() -> None:
    column = pd.Series(NAMES, dtype=object)
    for one in (column, as_categories(column)):
        assert map_names(one, {"a": 1.0, "b": 2.0}, -1.0).tolist() == [2, -1, 1, -1, -1, 1]
