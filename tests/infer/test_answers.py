"""Answers hold for an exposure, whichever of its files they were given on."""

from pathlib import Path

import pandas as pd

from auditor.infer.verdicts import answers_of, apply_answers, tally
from auditor.store.side_files import read_answers, remember_answers

FRAMES = pd.DataFrame(
    {
        "path": ["/a/1.jpg", "/a/1-web.jpg", "/a/2.jpg"],
        "file_id": ["f1", "f2", "f3"],
        "capture": [0, 0, 1],
        "best": [True, False, True],
    }
)


def answers(store: Path, path: str, said: str) -> list[str | None]:
    ids = dict(zip(FRAMES["path"], FRAMES["file_id"], strict=True))
    remember_answers(store, {path: said}, ids)
    return list(answers_of(FRAMES, read_answers(store)))


def test_an_answer_on_a_copy_holds_for_the_frame_that_is_listed(tmp_path: Path) -> None:
    assert answers(tmp_path, "/a/1-web.jpg", "fine") == ["fine", None, None]
    assert answers(tmp_path, "/a/1.jpg", "bad") == ["bad", None, None]
    assert answers(tmp_path, "/a/1-web.jpg", "meant") == ["meant", None, None]
    assert answers(tmp_path, "/a/1.jpg", "none") == [None, None, None]


def test_a_listed_frame_called_bad_by_its_copy_was_not_missed() -> None:
    said = answers_of(FRAMES, {"/a/1-web.jpg": "bad"})
    found = pd.DataFrame(
        {"soft": [True, False, False], "noisy": False, "cause": "shake", "probability": 0.9}
    )
    told = tally(apply_answers(found, said), said, 0.9)
    assert (told["listed"], told["bad"], told["missed"]) == (1, 1, 0)
