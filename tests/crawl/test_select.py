"""Restricting a table of frames."""

from __future__ import annotations

import pandas as pd
import pytest

from auditor.crawl import SelectionError, select

FRAMES = pd.DataFrame(
    {
        "path": ["1", "2", "3", "4"],
        "rating": [5, 3, None, -1],
        "taken": [
            "2024-05-01T06:00:00",
            "2023-12-31T23:59:59.5+01:00",
            None,
            "2024-05-01T05:59:59",
        ],
        "body": ["Northlight NL-7", "NORTHLIGHT NL-7", "Halden H2", None],
        "lens": ["NL 24-70 mm f/2.8", None, "H 50 mm f/1.8", "H 50 mm (old)"],
    }
)


def names(**how: object) -> list[str]:
    return select(FRAMES, **how)["path"].tolist()  # type: ignore[arg-type]


def test_no_restriction_keeps_everything() -> None:
    assert names() == ["1", "2", "3", "4"]


def test_stars_keep_those_and_more_and_unrated_frames_have_none() -> None:
    assert names(rating=3) == ["1", "2"]
    assert names(rating=4) == ["1"]


def test_since_takes_a_date_or_a_time() -> None:
    assert names(since="2024-05-01") == ["1", "4"]
    assert names(since="2024-05-01T06:00") == ["1"]
    assert names(since="2024") == names(since="2024-05") == ["1", "4"]
    assert names(since="2023-12-31") == ["1", "2", "4"]


@pytest.mark.parametrize("text", ["yesterday", "01.05.2024", "", "2024-13-01"])
def test_a_date_that_is_none_is_one_clear_line(text: str) -> None:
    with pytest.raises(SelectionError, match="write it as 2024-05-01"):
        names(since=text)


def test_names_by_part_whatever_the_case_and_no_pattern_language() -> None:
    assert names(body="northlight") == ["1", "2"]
    assert names(lens="50 MM (") == ["4"]
    assert names(body="h2", lens="50") == ["3"]
    assert names(lens=".*") == []
