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
    "own_labels",
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
    """Whether a label (in normal form) is one that the settings tell by themselves (`own_labels`)."""
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


def own_labels(frames: pd.DataFrame) -> list[frozenset[str]]:
    """Labels that follow from the settings: converter, crop mode, stacked, merged.

    Crop mode: fewer pixels of the same pitch than the body's whole sensor gives, in a file that camera or raw
    converter wrote. A resized file has larger pixels (or is marked resized) and never counts as crop mode.

    Parameters
    ----------
    frames : DataFrame
        Columns `converter`, `software`, `source`, `body`, `width_px`, `height_px`, `pixel_pitch_um`.

    Returns
    -------
    list of frozenset of str
        One per row.
    """
    converter, converters = pd.factorize(words(frames, "converter"))
    software, programs = pd.factorize(words(frames, "software"))
    by_converter = [frozenset([f"converter {c}"]) if c else frozenset() for c in converters]
    by_program = [_program_labels(str(s)) for s in programs]
    both, place = np.unique(converter * len(programs) + software, return_inverse=True)
    labels = np.empty(len(both), object)
    for i, (c, s) in enumerate(zip(*np.divmod(both, len(programs)), strict=True)):
        labels[i] = by_converter[c] | by_program[s]
    out: list[frozenset[str]] = labels[place].tolist()
    source, body = words(frames, "source"), words(frames, "body")
    long_side = np.fmax(numbers(frames, "width_px"), numbers(frames, "height_px"))
    short_side = np.fmin(numbers(frames, "width_px"), numbers(frames, "height_px"))
    pitch = numbers(frames, "pixel_pitch_um")
    original = np.isin(source, ["raw", "camera"]) & np.isfinite(long_side) & (pitch > 0)
    for name in set(body[original]):
        rows = np.flatnonzero(original & (body == name))
        finest = float(np.median(pitch[rows][pitch[rows] <= pitch[rows].min() * (1 + SAME_PITCH)]))
        same = rows[np.abs(pitch[rows] / finest - 1) <= SAME_PITCH]
        whole_long, whole_short = long_side[same].max(), short_side[same].max()
        # Both sides shrink in a crop mode; another aspect ratio shortens only one.
        cropped = long_side[same] < _CROP_SHARE * whole_long
        cropped &= short_side[same] < _CROP_SHARE * whole_short
        for i in same[cropped].tolist():
            out[i] = out[i] | {CROP}
    return out


def label_sets(
    frames: pd.DataFrame, patterns: Iterable[LabelPattern] = ()
) -> tuple[LabelSets, dict[str, str]]:
    """Labels of every frame: keywords, names of folders below the common root, patterns, and `own_labels`.

    Parameters
    ----------
    frames : DataFrame
        Columns `path`, `labels`, `capture` and those of `own_labels`.
    patterns : iterable of LabelPattern
        From `labels_from_csv`.

    Returns
    -------
    sets : LabelSets
        In normal form (`normalised`).
    written : dict of str
        Normal form -> how the label is to be written.
    """
    written: dict[str, str] = {}
    patterns = list(patterns)
    paths = texts(frames, "path")
    # Frames of one folder with the same words carry the same labels: they share one set of them.
    folder_of, folders = pd.factorize(paths.str.replace(r"[^/]*$", "", regex=True))
    tops = [str(PurePosixPath(f"{f}x").parent) for f in folders]
    levels = zip(*(PurePosixPath(f).parts for f in tops), strict=False)
    root = sum(1 for _ in takewhile(lambda level: len(set(level)) == 1, levels))
    by_folder = [_folder_labels(f, root) for f in tops]
    own_of, own = pd.factorize(pd.Series(own_labels(frames), dtype=object))
    # Few frames have words of their own.
    words_of = np.zeros(len(frames), np.int64)
    kinds: dict[tuple[str, ...], int] = {(): 0}
    for row, found in _own_words(frames, paths, patterns):
        words_of[row] = kinds.setdefault(found, len(kinds))
    by_words = list(kinds)
    both = (folder_of * len(own) + own_of) * len(kinds) + words_of
    _, first, found_of = np.unique(both, return_index=True, return_inverse=True)
    sets = [frozenset[str]()] * len(first)
    for k in np.argsort(first).tolist():
        i = first[k]
        labels = [*sorted(own[own_of[i]]), *by_folder[folder_of[i]], *by_words[words_of[i]]]
        for label in labels:
            written.setdefault(normalised(label), " ".join(label.split()))
        sets[k] = frozenset(n for label in labels if (n := normalised(label)))
    return LabelSets.of(sets, found_of), written


def _own_words(
    frames: pd.DataFrame, paths: pd.Series, patterns: list[LabelPattern]
) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Keywords and the labels of patterns that the path matches, of frames by position that have any."""
    keywords = frames["labels"] if "labels" in frames else pd.Series(None, frames.index, object)
    rows = np.arange(len(frames)) if patterns else np.flatnonzero(keywords.notna())
    for row, path, told in zip(rows.tolist(), paths.iloc[rows], keywords.iloc[rows], strict=True):
        found = list(told) if isinstance(told, (list, tuple, np.ndarray)) else []
        matched = [label for pattern, label in patterns if _matches(path, pattern)]
        if words := tuple(w for w in (*map(str, found), *matched) if w.strip()):
            yield row, words


def _folder_labels(folder: str, root: int) -> list[str]:
    return [n for n in PurePosixPath(folder).parts[root:] if not _NOT_A_FOLDER_LABEL.match(n)]
