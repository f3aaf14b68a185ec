"""The photographer's answers on frames, kept beside the measurements: `answers.csv` in the store."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from auditor.answers import ANSWERS, TAKEN_BACK
from auditor.crawl.names import as_text
from auditor.open_files import write_file

FILE_NAME: Final = "answers.csv"
_HEAD: Final = ("path", "answer", "file_id", "when")


class AnswerError(ValueError):
    """Answers that can't be used; the message is one line in plain words."""


def parse_answers(text: str) -> dict[str, str]:
    """Path -> answer from a CSV with the columns path and answer, as the page saves it.

    Raises:
        AnswerError: for a file without these columns or an answer that is none.
    """
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    if not {"path", "answer"} <= set(rows.fieldnames or ()):
        raise AnswerError("answers need the columns path and answer, as the page saves them")
    out = {}
    for line, row in enumerate(rows, 2):
        said = (row["answer"] or "").strip()
        if said not in (*ANSWERS, TAKEN_BACK):
            raise AnswerError(
                f"line {line}: '{said}' is no answer; say {', '.join(ANSWERS)} or none"
            )
        out[row["path"]] = said
    return out


def _rows(folder: Path) -> dict[str, dict[str, str]]:
    try:
        text = (folder / FILE_NAME).read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    return {row["path"]: row for row in csv.DictReader(io.StringIO(text)) if row.get("path")}


def read_answers(folder: Path) -> dict[str, str]:
    """Path, and file id where it is known, -> answer; so a file that was moved keeps its answer."""
    out: dict[str, str] = {}
    for path, row in _rows(folder).items():
        out |= {key: row["answer"] for key in (path, row.get("file_id")) if key}
    return out


def remember_answers(
    folder: Path, said: Mapping[str, str], file_ids: Mapping[str, str] | None = None
) -> None:
    """Add answers to those in the store's folder; 'none' takes one back. Raises OSError."""
    rows = _rows(folder)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    for path, answer in said.items():
        path = as_text(path)
        rows.pop(path, None)
        if answer != TAKEN_BACK:
            values = (path, answer, (file_ids or {}).get(path, ""), now)
            rows[path] = dict(zip(_HEAD, values, strict=True))
    out = io.StringIO()
    table = csv.DictWriter(out, _HEAD, lineterminator="\n")
    table.writeheader()
    table.writerows(rows.values())
    write_file(folder / FILE_NAME, out.getvalue().encode(), durable=True)
