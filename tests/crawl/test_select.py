"""Restricting a table of frames."""

from __future__ import annotations

import pandas as pd
import pytest

from auditor.crawl import Selection, SelectionError

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
    keep = Selection(**how).matches(FRAMES)  # type: ignore[arg-type]
    return FRAMES[keep]["path"].tolist()


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


def test_a_restriction_is_told_in_plain_words() -> None:
    assert Selection().words() == ""
    assert Selection(rating=3, lens="50 mm").words() == '3 stars or more, lens "50 mm"'
    assert Selection(since="2024").given() == {"since": "2024"}


def test_what_matches_nothing_is_named_alone_with_names_that_exist() -> None:
    text = Selection(body="halden", lens="absent").why_none(FRAMES)
    assert text.startswith("no frame matches --lens absent; the most used lens names are: ")
    assert "H 50 mm f/1.8" in text
    both = Selection(body="halden", lens="24-70").why_none(FRAMES)
    assert both == "no frame matches --body halden --lens 24-70 together"
    assert Selection(since="2031").why_none(FRAMES) == "no frame matches --since 2031"
