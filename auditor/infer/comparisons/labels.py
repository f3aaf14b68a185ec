"""Labels of frames: keywords, folders, patterns from a CSV, and what the settings tell by themselves.

A label says that something was on the lens or done to the picture. No picture is changed to label it.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from itertools import takewhile
from pathlib import PurePosixPath
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.lenses.grouping import SAME_PITCH
from auditor.record.values import numbers, texts, words

__all__ = [
    "CROP",
    "MERGED",
    "STACKED",
    "LabelPattern",
    "LabelSets",
    "by_settings",
    "label_sets",
    "labels_from_csv",
    "names_accessory",
    "names_control",
    "negated",
    "normalised",
    "several_exposures",
    "unmatched",
]

CROP: Final = "crop mode"
STACKED: Final = "focus stacked"
MERGED: Final = "merged"

LabelPattern = tuple[str, str]
"""Pattern of the path (with * and ?) and the label of the frames that match it."""

# What the name of a program or step says of itself, in words that several languages share.
_STACK_WORDS: Final = re.compile(
    r"focus[ _-]*(stack|bracket|merge|blend)|depth[ _-]*(stack|map)", re.I
)
_MERGE_WORDS: Final = re.compile(r"\b(pano\w*|hdr|merged?|stitch\w*)\b", re.I)

_NOT_A_FOLDER_LABEL: Final = re.compile(
    r"^(dcim|\d{3}[a-z0-9_]{5}|[\d\s._-]+|jpe?g|raw|raws|tiff?|edited|export(ed)?|originals?|.*\d{4}[-_.]?\d{2}.*)$",
    re.I,
)
"""Camera folders, dates, numbers and kinds of file name no accessory."""

# "Without" before or after what is missing, in languages of photographers near and far.
_WITHOUT: Final = re.compile(
    r"^(?:without|with no|not?|non|kein(?:e[nr]?)?|ohne|sans|sin|senza|sem|bez|uten|utan|uden|"
    r"zonder|geen|ilman|fara|fără|nélkül|χωρίς|без|بدون|ללא)[\s_-]+(?P<what>\w.*)$"
    r"|^[无無沒没](?P<han>\w+)$|^(?P<kana>\w+)(?:なし|無し)$|^(?P<off>\w.*)[\s_-](?:off|none|aus)$"
)
_CONTROL: Final = re.compile(
    r"\b(?:bare|naked|none|nothing|unfiltered|no[\s_-]?filter|without|plain|reference|control|"
    r"ohne|sans|sin|senza|sem|bez|uten|utan|uden|zonder|без|nackt|nu|nudo)\b|なし|無し|^[无無]"
)
# Words for what is put on a lens, as many languages write them (common practice, no source).
_ACCESSORY: Final = re.compile(
    r"filt(?:er|re|ro|ros|ri)\w*|\w*filter|polari[sz]\w*|polfilter|polariz\w*|\bcpl\b|\bnd\s?\d*\b|"
    r"\buv\b|graufilter|verlauf\w*|converter|konverter|convertisseur|telekonverter|"
    r"extender|フィルター|偏光|减光|減光|滤镜|濾鏡|фильтр|поляр\w*|فلتر|מסנן|필터|φίλτρο"
)

_CROP_SHARE: Final = 0.92
"""A crop mode reads less than this share of the sensor's long side."""


def normalised(label: str) -> str:
    """A label without differences of case, blanks and Unicode form (NFKC), in any script."""
    return " ".join(unicodedata.normalize("NFKC", str(label)).casefold().split())


def negated(label: str) -> str:
    """What a label (in normal form) says was not there: 'without filter' gives 'filter', others ''."""
    found = _WITHOUT.match(label)
    return next((g for g in found.groups() if g), "") if found else ""


def names_control(label: str) -> bool:
    """Whether a label (in normal form) names frames without an accessory."""
    return bool(negated(label)) or _CONTROL.search(label) is not None


def names_accessory(label: str) -> bool:
    """Whether a label (in normal form) names something on the lens, rather than a place or a mood."""
    return not names_control(label) and _ACCESSORY.search(label) is not None


def by_settings(label: str) -> bool:
    """Whether a label (in normal form) is one that the settings tell by themselves (`label_sets`)."""
    return label in (CROP, STACKED, MERGED) or label.startswith("converter ")


def labels_from_csv(text: str) -> tuple[list[LabelPattern], list[str]]:
    """Read patterns of paths and their labels.

    Parameters
    ----------
    text : str
        Lines 'pattern,label' or 'pattern;label'; a heading and blank lines are passed over.

    Returns
    -------
    patterns : list of LabelPattern
        Pattern (with * and ?) and label.
    problems : list of str
        In plain words, every line that could not be used.
    """
    patterns: list[LabelPattern] = []
    problems: list[str] = []
    text = text.removeprefix("\ufeff")
    first = text.splitlines()[0] if text.strip() else ""
    delimiter = ";" if first.count(";") > first.count(",") else ","
    try:
        rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    except csv.Error as error:
        return [], [f"labels: the CSV cannot be read ({error})"]
    for number, row in enumerate(rows, start=1):
        cells = [c.strip() for c in row]
        if not any(cells) or (
            number == 1 and [c.casefold() for c in cells[:2]] == ["pattern", "label"]
        ):
            continue
        if len(cells) < 2 or not cells[0] or not cells[1]:
            problems.append(f"labels: line {number} needs a pattern and a label, left out")
            continue
        patterns.append((cells[0], cells[1]))
    return patterns, problems


def unmatched(paths: pd.Series, patterns: Iterable[LabelPattern]) -> list[LabelPattern]:
    """Patterns that no path matches.

    Parameters
    ----------
    paths : Series of str
        Paths of all frames.
    patterns : iterable of LabelPattern
        Pattern and label.

    Returns
    -------
    list of LabelPattern
        In their order.
    """
    known = paths.astype(str).tolist()
    return [p for p in patterns if not any(_matches(path, p[0]) for path in known)]


def _matches(path: str, pattern: str) -> bool:
    """Case is ignored; a pattern without a folder is matched with the file's name too."""
    p, w = path.casefold().replace("\\", "/"), pattern.casefold().replace("\\", "/")
    return fnmatchcase(p, w) or fnmatchcase(p, f"*/{w}") or fnmatchcase(PurePosixPath(p).name, w)


def _program_labels(program: str) -> frozenset[str]:
    """What the name of a program says was done."""
    if _STACK_WORDS.search(program):
        return frozenset([STACKED])
    return frozenset([MERGED]) if _MERGE_WORDS.search(program) else frozenset()


def several_exposures(frames: pd.DataFrame) -> NDArray[np.bool_]:
    """Edited files whose program says that it merged or stacked several exposures.

    Parameters
    ----------
    frames : DataFrame
        Columns `software` and `source`.

    Returns
    -------
    ndarray of bool, shape (n,)
        False for files that a camera wrote, whatever its own program is called.
    """
    code, programs = pd.factorize(words(frames, "software"))
    several = np.array([bool(_program_labels(str(p))) for p in programs], bool)
    return np.asarray(several[code] & np.isin(words(frames, "source"), ["edited", "unknown"]))


@dataclass(frozen=True, slots=True)
class LabelSets:
    """Labels of every frame; each set that occurs is stored once.

    Attributes
    ----------
    kinds : list of frozenset of str
        The sets that occur.
    code : ndarray of int64, shape (n,)
        Which of them each frame has.
    """

    kinds: list[frozenset[str]]
    code: NDArray[np.int64]

    @classmethod
    def of(cls, sets: Sequence[frozenset[str]], code: NDArray[np.int64]) -> LabelSets:
        """From sets that may be equal, and the number of each frame's."""
        known = {found: i for i, found in enumerate(dict.fromkeys(sets))}
        place = np.array([known[found] for found in sets], np.int64)
        return cls(list(known), place[code])

    def __getitem__(self, row: int) -> frozenset[str]:
        return self.kinds[self.code[row]]

    def __iter__(self) -> Iterator[frozenset[str]]:
        return (self.kinds[i] for i in self.code.tolist())

    def where(self, holds: Callable[[frozenset[str]], object]) -> NDArray[np.bool_]:
        """Frames (n,) for whose labels something holds."""
        return np.array([bool(holds(kind)) for kind in self.kinds], bool)[self.code]

    def mapped(self, into: Callable[[frozenset[str]], frozenset[str]]) -> LabelSets:
        """Other labels in place of each set."""
        return self.of([into(kind) for kind in self.kinds], self.code)


def _crop_mode(frames: pd.DataFrame) -> NDArray[np.bool_]:
    """Frames (n,) of fewer pixels of the same pitch than the body's whole sensor gives, in a file that camera or raw
    converter wrote. A resized file has larger pixels (or is marked resized) and never counts."""
    out = np.zeros(len(frames), bool)
    source, body = words(frames, "source"), words(frames, "body")
    sides = np.stack([numbers(frames, "width_px"), numbers(frames, "height_px")])
    pitch = numbers(frames, "pixel_pitch_um")
    original = np.isin(source, ["raw", "camera"]) & np.isfinite(sides).any(0) & (pitch > 0)
    for name in set(body[original]):
        rows = np.flatnonzero(original & (body == name))
        finest = float(np.median(pitch[rows][pitch[rows] <= pitch[rows].min() * (1 + SAME_PITCH)]))
        same = rows[np.abs(pitch[rows] / finest - 1) <= SAME_PITCH]
        long_and_short = np.stack([np.fmax(*sides[:, same]), np.fmin(*sides[:, same])])
        # Both sides shrink in a crop mode; another aspect ratio shortens only one.
        whole = long_and_short.max(axis=1, keepdims=True)
        out[same] = (long_and_short < _CROP_SHARE * whole).all(0)
    return out


def label_sets(
    frames: pd.DataFrame, patterns: Iterable[LabelPattern] = ()
) -> tuple[LabelSets, dict[str, str]]:
    """Labels of every frame: what follows from the settings (converter, crop mode, stacked, merged), keywords, names of
    folders below the common root, and patterns.

    Parameters
    ----------
    frames : DataFrame
        Columns `path`, `labels`, `capture`, `converter`, `software`, `source`, `body`, `width_px`, `height_px`,
        `pixel_pitch_um`.
    patterns : iterable of LabelPattern
        From `labels_from_csv`.

    Returns
    -------
    sets : LabelSets
        In normal form (`normalised`).
    written : dict of str
        Normal form -> how the label is to be written.
    """
    paths = texts(frames, "path")
    table = pd.DataFrame(
        {
            "converter": words(frames, "converter"), "software": words(frames, "software"),
            "crop": np.where(_crop_mode(frames), CROP, ""),
            "folder": paths.str.replace(r"[^/]*$", "", regex=True).to_numpy(object),
            "words": _own_words(frames, paths, list(patterns)),
        },
        dtype=object,
    )  # fmt: skip
    # Frames of one folder with the same words carry the same labels: they share one set of them.
    place = table.groupby(list(table), sort=False).ngroup().to_numpy()
    kinds = table.drop_duplicates()
    tops = [PurePosixPath(f"{folder}x").parent.parts for folder in kinds["folder"].unique()]
    levels = zip(*tops, strict=False)
    root = sum(1 for _ in takewhile(lambda level: len(set(level)) == 1, levels))
    written: dict[str, str] = {}
    sets = []
    for converter, software, crop, folder, own in kinds.itertuples(index=False):
        by_settings = {f"converter {converter}" * bool(converter), crop, *_program_labels(software)}
        by_folder = [
            name
            for name in PurePosixPath(f"{folder}x").parent.parts[root:]
            if not _NOT_A_FOLDER_LABEL.match(name)
        ]
        labels = {normalised(x): x for x in [*sorted(by_settings), *by_folder, *own.split("\0")]}
        labels.pop("", None)
        for name, label in labels.items():
            written.setdefault(name, " ".join(label.split()))
        sets.append(frozenset(labels))
    return LabelSets.of(sets, place), written


def _own_words(
    frames: pd.DataFrame, paths: pd.Series, patterns: list[LabelPattern]
) -> NDArray[np.object_]:
    """Keywords and the labels of patterns that the path matches, (n,), joined."""
    out = np.full(len(frames), "", object)
    keywords = frames["labels"] if "labels" in frames else pd.Series(None, frames.index, object)
    # Few frames have words of their own.
    rows = np.arange(len(frames)) if patterns else np.flatnonzero(keywords.notna())
    for row, path, told in zip(rows.tolist(), paths.iloc[rows], keywords.iloc[rows], strict=True):
        found = list(told) if isinstance(told, (list, tuple, np.ndarray)) else []
        matched = [label for pattern, label in patterns if _matches(path, pattern)]
        out[row] = "\0".join([*map(str, found), *matched])
    return out
