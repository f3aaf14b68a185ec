"""Small files beside the tables: the version (which meaning the columns have), the photographer's answers on
frames (`answers.csv`), and folders that could not be read. These are no frames and have no row, but nobody
knows what is in them, so the profile must say so."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from auditor import __version__
from auditor.crawl.names import as_text, path_prefixes
from auditor.error_text import one_line
from auditor.model import ANSWERS, TAKEN_BACK
from auditor.open_files import write_file
from auditor.store.errors import StoreError
from auditor.store.parts import list_parts

__all__ = [
    "STORE_VERSION",
    "AnswerError",
    "parse_answers",
    "read_answers",
    "read_unread",
    "remember_answers",
    "renew_unread",
    "version_of",
    "write_version",
]

STORE_VERSION: Final = 7
"""Raised when a column's meaning changes, so that old figures never stand beside today's. Up to version 6
streaks were told by energies of gradients, and fineness was not; up to version 5 directions were told without
the sharpest small things of a frame; up to version 4 dust was found by spots of single frames instead of a map;
up to version 3 a frame's directions were one ratio instead of four figures of sharpest edges, kinds of file had
other rules, and noise that cannot be seen had no bound; up to version 2 a zone's MTF50 had objects' softness
taken off."""


def version_of(folder: Path) -> int | None:
    """The store's version, which is today's; None where there is no store yet.

    Raises StoreError, saying what to do, where another version wrote it or that cannot be told.
    """
    path = folder / "version.json"
    try:
        version = json.loads(path.read_bytes())["store"]
    except FileNotFoundError:
        if list_parts(folder / "frames"):
            raise StoreError(
                f"{folder} holds measurements but no version.json, so they cannot be "
                "trusted; give another --out folder"
            ) from None
        return None
    except NotADirectoryError:
        raise StoreError(f"{folder} is not a folder; give another --out folder") from None
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise StoreError(
            f"{path} cannot be read ({type(error).__name__}); give another --out folder"
        ) from error
    if version != STORE_VERSION:
        raise StoreError(
            f"the store in {folder} has version {str(version)[:20]}, this program reads "
            f"version {STORE_VERSION}; use the program that wrote it, or give another --out folder"
        )
    return STORE_VERSION


def write_version(folder: Path) -> None:
    """Mark a new store as one of today's version. Raises OSError."""
    text = {"store": STORE_VERSION, "written_by": f"auditor {__version__}"}
    write_file(folder / "version.json", json.dumps(text).encode(), durable=True)


_NAME: Final = "unread.json"
"""Renewed by every scan for the archives that it walked."""


def read_unread(folder: Path) -> list[tuple[str, str]]:
    """(path, reason) of every folder that could not be read when it was last looked at, by path."""
    try:
        found = json.loads((folder / _NAME).read_bytes())
        return sorted((str(item["path"]), str(item["reason"])) for item in found)
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return []  # none, or damaged: the next scan finds them again


def renew_unread(
    folder: Path, found: Iterable[tuple[str, str]], walked: Sequence[str] = ()
) -> None:
    """Remember (path, reason) of folders `found` unreadable; what was known of the roots `walked`,
    which were seen to their end, is forgotten. Raises OSError."""
    before = read_unread(folder)
    below = path_prefixes(walked)
    kept = {path: why for path, why in before if not f"{path}/".startswith(below)}
    now = sorted((kept | dict(found)).items())
    if now != before:
        items = [{"path": path, "reason": reason} for path, reason in now]
        write_file(folder / _NAME, json.dumps(items, indent=1).encode(), durable=True)


FILE_NAME: Final = "answers.csv"
_HEAD: Final = ("path", "answer", "file_id", "when")


class AnswerError(ValueError):
    """Answers that can't be used; the message is one line in plain words."""


def parse_answers(text: str) -> dict[str, str]:
    """Read answers from a CSV, as the page saves it.

    Parameters
    ----------
    text : str
        CSV with the columns path and answer.

    Returns
    -------
    dict
        Path -> answer, one of `model.ANSWERS` or `model.TAKEN_BACK`.

    Raises
    ------
    AnswerError
        For a file without these columns or an answer that is none.
    """
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    if not {"path", "answer"} <= set(rows.fieldnames or ()):
        raise AnswerError("answers need the columns path and answer, as the page saves them")
    out = {}
    for line, row in enumerate(rows, 2):
        answer_given = (row["answer"] or "").strip()
        if answer_given not in (*ANSWERS, TAKEN_BACK):
            raise AnswerError(
                f"line {line}: '{answer_given}' is no answer; say {', '.join(ANSWERS)} or none"
            )
        out[row["path"]] = answer_given
    return out


def _rows(folder: Path) -> dict[str, dict[str, str]]:
    """Raises StoreError where the file can't be used: answers are the photographer's work, not to be dropped."""
    path = folder / FILE_NAME
    try:
        rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))
        if not {"path", "answer"} <= set(rows.fieldnames or _HEAD):
            raise ValueError("no columns path and answer")
        return {row["path"]: row for row in rows if row.get("path")}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, csv.Error) as error:
        raise StoreError(
            f"{path} cannot be read ({one_line(error)}); mend it or remove it"
        ) from error


def read_answers(folder: Path) -> dict[str, str]:
    """Photographer's answers that a store keeps.

    Parameters
    ----------
    folder : pathlib.Path
        The store's folder.

    Returns
    -------
    dict
        Path, and content hash where it is known, -> answer, the last one given last; so a file that was moved
        keeps its answer. 'none' takes back what was said of the same exposure before.

    Raises
    ------
    StoreError
        When the file can't be used.
    """
    out: dict[str, str] = {}
    for path, row in _rows(folder).items():
        out |= {key: row["answer"] for key in (path, row.get("file_id")) if key}
    return out


def remember_answers(
    folder: Path, answers: Mapping[str, str], file_ids: Mapping[str, str] | None = None
) -> None:
    """Add answers to those in the store's folder.

    Parameters
    ----------
    folder : pathlib.Path
        The store's folder.
    answers : mapping
        Path -> answer; 'none' takes an earlier one back.
    file_ids : mapping or None
        Path -> content hash, where it is known.

    Raises
    ------
    OSError
        When they can't be written.
    StoreError
        When those there can't be read.
    """
    rows = _rows(folder)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    for path, answer in answers.items():
        path = as_text(path)
        rows.pop(path, None)
        values = (path, answer, (file_ids or {}).get(path, ""), now)
        rows[path] = dict(zip(_HEAD, values, strict=True))
    out = io.StringIO()
    table = csv.DictWriter(out, _HEAD, lineterminator="\n")
    table.writeheader()
    table.writerows(rows.values())
    write_file(folder / FILE_NAME, out.getvalue().encode(), durable=True)
