"""Labels of frames: keywords, folders, patterns from a CSV, and what the settings tell by themselves.

A label says that something was on the lens or done to the picture. No picture is changed to label it.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from pathlib import PurePosixPath
from typing import Final

import numpy as np
import pandas as pd

from auditor.infer.lenses.grouping import numbers, texts

__all__ = [
    "LabelPattern",
    "contradicted",
    "denied",
    "is_bare",
    "label_sets",
    "labels_from_csv",
    "names_accessory",
    "own_labels",
    "plain",
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
_BARE: Final = re.compile(
    r"\b(?:bare|naked|none|nothing|unfiltered|no[\s_-]?filter|without|plain|reference|control|"
    r"ohne|sans|sin|senza|sem|bez|uten|utan|uden|zonder|без|nackt|nu|nudo)\b|なし|無し|^[无無]"
)
# Words for what is put on a lens, as many languages write them (common practice, no source).
_ACCESSORY: Final = re.compile(
    r"filt(?:er|re|ro|ros|ri)\w*|\w*filter|polari[sz]\w*|polfilter|polariz\w*|\bcpl\b|\bnd\s?\d*\b|"
    r"\buv\b|graufilter|verlauf\w*|converter|konverter|convertisseur|telekonverter|"
    r"extender|フィルター|偏光|减光|減光|滤镜|濾鏡|фильтр|поляр\w*|فلتر|מסנן|필터|φίλτρο"
)

_SAME_PITCH: Final = 0.03
_CROP_SHARE: Final = 0.92
"""A crop mode reads less than this share of the sensor's long side."""


def plain(label: str) -> str:
    """A label without differences of case, blanks and Unicode form, in any script."""
    return " ".join(unicodedata.normalize("NFKC", str(label)).casefold().split())


def denied(label: str) -> str:
    """What a label (in plain form) says was not there: 'without filter' gives 'filter', others ''."""
    found = _WITHOUT.match(label)
    return next((g for g in found.groups() if g), "") if found else ""


def is_bare(label: str) -> bool:
    """Whether a label (in plain form) names frames without an accessory."""
    return bool(denied(label)) or _BARE.search(label) is not None


def names_accessory(label: str) -> bool:
    """Whether a label (in plain form) names something on the lens, rather than a place or a mood."""
    return not is_bare(label) and _ACCESSORY.search(label) is not None


def contradicted(labels: frozenset[str]) -> frozenset[str]:
    """Labels (in plain form) of one frame that deny each other: 'polariser' and 'no polariser'."""
    out = set()
    for label in labels:
        what = denied(label)
        if what and what in labels:
            out |= {label, what}
    return frozenset(out)


def labels_from_csv(text: str) -> tuple[list[LabelPattern], list[str]]:
    """Read lines 'pattern,label' (a heading and blank lines are passed over).

    Returns the patterns and, in plain words, every line that could not be used.
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


def _matches(path: str, pattern: str) -> bool:
    """Case is ignored; a pattern without a folder is held against the file's name too."""
    p, w = path.casefold().replace("\\", "/"), pattern.casefold().replace("\\", "/")
    return fnmatchcase(p, w) or fnmatchcase(p, f"*/{w}") or fnmatchcase(PurePosixPath(p).name, w)


def own_labels(frames: pd.DataFrame) -> list[set[str]]:
    """Labels that the settings tell by themselves: converter, crop mode, stacked, merged.

    Crop mode: fewer pixels of the same pitch than the body's whole sensor gives, in a file that
    camera or raw converter wrote. A resized file has larger pixels (or is marked resized) and never
    counts as crop mode.
    """
    out: list[set[str]] = [set() for _ in range(len(frames))]
    converter = texts(frames, "converter")
    software = texts(frames, "software")
    source = texts(frames, "source").to_numpy(dtype=object)
    body = texts(frames, "body").to_numpy(dtype=object)
    long_side = np.fmax(numbers(frames, "width_px"), numbers(frames, "height_px"))
    short_side = np.fmin(numbers(frames, "width_px"), numbers(frames, "height_px"))
    pitch = numbers(frames, "pixel_pitch_um")
    for i, (c, s) in enumerate(zip(converter, software, strict=True)):
        if c:
            out[i].add(f"converter {c}")
        if _STACK_WORDS.search(s):
            out[i].add(STACKED)
        elif _MERGE_WORDS.search(s):
            out[i].add(MERGED)
    original = np.isin(source, ["raw", "camera"]) & np.isfinite(long_side) & (pitch > 0)
    for name in set(body[original]):
        rows = np.flatnonzero(original & (body == name))
        finest = float(np.median(pitch[rows][pitch[rows] <= pitch[rows].min() * (1 + _SAME_PITCH)]))
        same = rows[np.abs(pitch[rows] / finest - 1) <= _SAME_PITCH]
        whole_long, whole_short = long_side[same].max(), short_side[same].max()
        for i in same:
            # Both sides shrink in a crop mode; another aspect ratio shortens only one.
            if (
                long_side[i] < _CROP_SHARE * whole_long
                and short_side[i] < _CROP_SHARE * whole_short
            ):
                out[i].add(CROP)
    return out


def label_sets(
    frames: pd.DataFrame, patterns: Iterable[LabelPattern] = ()
) -> tuple[list[frozenset[str]], dict[str, str]]:
    """Labels of every frame, in `plain` form, and how each is to be written.

    Keywords, names of folders below the archive's common root, patterns, and `own_labels`.
    """
    written: dict[str, str] = {}
    patterns = list(patterns)
    paths = texts(frames, "path").to_list()
    root = _common_root(paths)
    keywords = _keywords(frames)
    own = own_labels(frames)
    out = []
    folder_labels: Mapping[str, list[str]] = {
        f: _folder_labels(f, root) for f in {str(PurePosixPath(p).parent) for p in paths}
    }
    for path, words, told in zip(paths, keywords, own, strict=True):
        found = list(told) + folder_labels[str(PurePosixPath(path).parent)] + words
        found += [label for pattern, label in patterns if _matches(path, pattern)]
        for label in found:
            written.setdefault(plain(label), " ".join(label.split()))
        out.append(frozenset(plain(label) for label in found if plain(label)))
    return out, written


def _keywords(frames: pd.DataFrame) -> list[list[str]]:
    """Keywords of every frame; the files of one capture share theirs, for a keyword is often
    written to the JPEG or the sidecar only."""
    if "labels" not in frames:
        return [[] for _ in range(len(frames))]
    out = [
        [str(w) for w in words if str(w).strip()]
        if isinstance(words, (list, tuple, np.ndarray))
        else []
        for words in frames["labels"]
    ]
    capture = numbers(frames, "capture")
    known = np.flatnonzero(np.isfinite(capture))
    _, place, count = np.unique(capture[known], return_inverse=True, return_counts=True)
    shared: dict[int, list[str]] = {}
    several = known[count[place] > 1]
    for i in several:
        shared.setdefault(int(capture[i]), []).extend(out[i])
    for i in several:
        out[i] = list(dict.fromkeys(shared[int(capture[i])]))
    return out


def _common_root(paths: list[str]) -> int:
    """How many leading folders all paths share."""
    parts = [PurePosixPath(p).parent.parts for p in paths if p]
    if not parts:
        return 0
    shared = 0
    for level in zip(*parts, strict=False):
        if len(set(level)) > 1:
            break
        shared += 1
    return shared


def _folder_labels(folder: str, root: int) -> list[str]:
    return [n for n in PurePosixPath(folder).parts[root:] if not _NOT_A_FOLDER_LABEL.match(n)]
