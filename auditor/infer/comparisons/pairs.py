"""Pairs of frames of one scene that differ in one label.

Same body and lens, minutes apart, alike to look at; nothing else may differ: converter, crop mode,
kind of file and pixel pitch are labels themselves or must agree. Aperture may differ by a stop and a
half; the lens's curve accounts for it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.labels import CROP, MERGED, STACKED, LabelPattern, label_sets
from auditor.infer.comparisons.likeness import alike_at_scale, overlay, read_thumb
from auditor.infer.lenses.grouping import flags, numbers, texts
from auditor.infer.lenses.scenes import read_signatures

__all__ = ["Labelled", "Pair", "find_pairs"]

Floats = NDArray[np.float64]

MINUTES: Final = 15.0
_NEIGHBOURS: Final = 14
_ALIKE: Final = 0.80
"""Correlation of signatures from which two frames show one scene."""
_MAYBE: Final = 0.45
"""From here on the thumbnails decide."""
_ALIKE_THUMB: Final = 0.55
_MOST_PER_BURST: Final = 3
_OWN: Final = (CROP, STACKED, MERGED)
_APERTURE_STOPS: Final = 1.5


@dataclass(frozen=True, slots=True)
class Pair:
    """Positions in the table of the frame with the label and the one without."""

    labelled: int
    bare: int
    likeness: float
    minutes: float


@dataclass(frozen=True, slots=True)
class Labelled:
    """All that is known of one label.

    `pairs`: lens -> pairs; `frames`: positions of all frames that carry it; `left_out`: reason in
    plain words -> count of pairs or frames.
    """

    label: str
    against: str
    frames: NDArray[np.int64]
    pairs: dict[str, list[Pair]] = field(default_factory=dict)
    left_out: dict[str, int] = field(default_factory=dict)
    key: str = ""
    """The label in plain form; of labels that always come together, the first."""


class _Columns:
    """The columns that pairing needs, as arrays."""

    def __init__(self, frames: pd.DataFrame) -> None:
        self.usable = texts(frames, "status").to_numpy() == "measured"
        self.usable &= flags(frames, "best", True)
        self.source = texts(frames, "source").to_numpy(dtype=object)
        self.usable &= ~np.isin(self.source, ["resized"]) & ~flags(frames, "upsampled", False)
        self.body = texts(frames, "body").to_numpy(dtype=object)
        self.lens = texts(frames, "lens").to_numpy(dtype=object)
        taken = texts(frames, "taken")
        when = pd.to_datetime(taken.str.slice(0, 19), format="%Y-%m-%dT%H:%M:%S", errors="coerce")
        self.seconds = when.to_numpy("datetime64[s]").astype(np.int64).astype(float)
        self.seconds[when.isna().to_numpy()] = np.nan
        self.signature = read_signatures(texts(frames, "signature").to_numpy(dtype=object))
        self.focal = numbers(frames, "focal_length_mm")
        self.f_number = numbers(frames, "f_number")
        self.pitch = numbers(frames, "pixel_pitch_um")
        self.width = np.fmax(numbers(frames, "width_px"), numbers(frames, "height_px"))
        burst = numbers(frames, "burst")
        self.burst = np.where(np.isnan(burst), -1.0 - np.arange(len(burst)), burst)


def find_pairs(
    frames: pd.DataFrame,
    patterns: Iterable[LabelPattern] = (),
    thumb_of: Callable[[int], bytes | None] | None = None,
) -> list[Labelled]:
    """All labels of a frame table with their pairs, labels in alphabetical order.

    Args:
        frames: `record.COLUMNS` plus the columns of `crawl.relate`.
        thumb_of: position -> JPEG of the thumbnail, for likeness that signatures leave open.
    """
    labels, written = _joined(*label_sets(frames, patterns))
    c = _Columns(frames)
    order = np.lexsort((c.seconds, c.lens.astype(str), c.body.astype(str)))
    order = order[c.usable[order] & ~np.isnan(c.seconds[order]) & (c.lens[order] != "")]
    candidates: dict[str, list[Pair]] = {}
    left_out: dict[str, dict[str, int]] = {}
    codes = {s: n for n, s in enumerate(sorted(set(labels), key=sorted))}
    code = np.array([codes[s] for s in labels], np.int64)
    for step in range(1, _NEIGHBOURS + 1):
        a, b = order[:-step], order[step:]
        near = (c.body[a] == c.body[b]) & (c.lens[a] == c.lens[b]) & (code[a] != code[b])
        near &= c.seconds[b] - c.seconds[a] <= MINUTES * 60
        a, b = a[near], b[near]
        alike = (c.signature[a] * c.signature[b]).sum(1)
        for i, j, likeness in zip(a, b, alike, strict=True):
            _consider(int(i), int(j), float(likeness), labels, c, thumb_of, candidates, left_out)
    out = []
    for label in sorted({x for s in labels for x in s}):
        carrying = np.array(
            [i for i, s in enumerate(labels) if label in s and c.usable[i]], np.int64
        )
        if not len(carrying):
            continue
        chosen = _one_to_one(candidates.get(label, []), c)
        pairs: dict[str, list[Pair]] = {}
        for pair in chosen:
            pairs.setdefault(str(c.lens[pair.bare]), []).append(pair)
        out.append(
            Labelled(
                written[label],
                _against(label, written[label]),
                carrying,
                pairs,
                left_out.get(label, {}),
                label,
            )
        )
    return out


def _against(label: str, name: str) -> str:
    if label == CROP:
        return "whole sensor"
    if label in (STACKED, MERGED):
        return "single frames"
    if label.startswith("converter "):
        return "the bare lens"
    return f"without {name}"


def _consider(
    i: int, j: int, likeness: float, labels: list[frozenset[str]], c: _Columns,
    thumb_of: Callable[[int], bytes | None] | None,
    candidates: dict[str, list[Pair]], left_out: dict[str, dict[str, int]],
) -> None:  # fmt: skip
    differ = labels[i] ^ labels[j]

    def leave(reason: str) -> None:
        for label in differ:
            counts = left_out.setdefault(label, {})
            counts[reason] = counts.get(reason, 0) + 1

    if len(differ) != 1:
        if likeness >= _ALIKE:
            leave("the two frames differ in more than this label")
        return
    (label,) = differ
    with_it, bare = (i, j) if label in labels[i] else (j, i)
    scale, problem = _scale(label, with_it, bare, c)
    if problem is None and label not in (STACKED, MERGED) and c.source[i] != c.source[j]:
        problem = "the two files are of different kinds"
    stops = 2 * abs(np.log2(c.f_number[i] / c.f_number[j]))
    if problem is None and stops > _APERTURE_STOPS + 0.01:
        problem = "the apertures lie more than a stop and a half apart"
    if scale != 1.0 and c.signature[bare].any():
        likeness = alike_at_scale(c.signature[with_it], c.signature[bare], scale)
    alike = likeness >= _ALIKE
    if not alike and (likeness >= _MAYBE or not c.signature[i].any() or not c.signature[j].any()):
        thumbs = [read_thumb(thumb_of(k)) if thumb_of else None for k in (with_it, bare)]
        if thumbs[0] is not None and thumbs[1] is not None:
            found = overlay(thumbs[0], thumbs[1], scale)
            alike, likeness = found.likeness >= _ALIKE_THUMB, found.likeness
    if not alike:
        return
    if problem is not None:
        leave(problem)
        return
    minutes = abs(c.seconds[i] - c.seconds[j]) / 60
    candidates.setdefault(label, []).append(Pair(with_it, bare, likeness, float(minutes)))


def _scale(label: str, with_it: int, bare: int, c: _Columns) -> tuple[float, str | None]:
    """Magnification of the labelled frame against the bare one, and what forbids the pair."""
    focal = c.focal[with_it] / c.focal[bare]
    if label.startswith("converter "):
        # Some cameras write the focal length with the converter in it, some without.
        named = re.search(r"(\d+(?:[.,]\d+)?)\s*x|x\s*(\d+(?:[.,]\d+)?)", label)
        factor = float((named[1] or named[2]).replace(",", ".")) if named else 1.4
        return (factor if np.isfinite(focal) and abs(np.log(focal)) < 0.03 else float(focal)), None
    if not np.isfinite(focal) or abs(np.log(focal)) > 0.03:
        return 1.0, "the focal lengths differ"
    size = c.width[bare] / c.width[with_it]
    pitch = c.pitch[with_it] / c.pitch[bare]
    if label == CROP:
        if np.isfinite(pitch) and abs(np.log(pitch)) > 0.03:
            return 1.0, "the pixel pitch differs, as after resizing"
        return float(size), None
    if label in (STACKED, MERGED):
        return 1.0, None if 0.8 < size < 1.25 else "the picture sizes differ"
    if abs(np.log(size)) > 0.03 or (np.isfinite(pitch) and abs(np.log(pitch)) > 0.03):
        return 1.0, "the picture sizes differ"
    return 1.0, None


def _one_to_one(pairs: list[Pair], c: _Columns) -> list[Pair]:
    """Each frame in one pair, nearest apertures and times first; a few pairs per burst."""

    def cost(p: Pair) -> float:
        stops = 2 * abs(float(np.log2(c.f_number[p.labelled] / c.f_number[p.bare])))
        stops = stops if np.isfinite(stops) else 1.0
        return stops * 10 + p.minutes + 5 * (1 - p.likeness)

    taken: set[int] = set()
    bursts: dict[Any, int] = {}
    out = []
    for p in sorted(pairs, key=cost):
        key = (c.burst[p.labelled], c.burst[p.bare])
        if p.labelled in taken or p.bare in taken or bursts.get(key, 0) >= _MOST_PER_BURST:
            continue
        taken |= {p.labelled, p.bare}
        bursts[key] = bursts.get(key, 0) + 1
        out.append(p)
    return sorted(out, key=lambda p: (p.labelled, p.bare))


def _joined(
    labels: list[frozenset[str]], written: dict[str, str]
) -> tuple[list[frozenset[str]], dict[str, str]]:
    """Labels that always come together are one: nothing could tell their effects apart."""
    frames: dict[str, list[int]] = {}
    for i, found in enumerate(labels):
        for label in found:
            frames.setdefault(label, []).append(i)
    together: dict[tuple[int, ...], list[str]] = {}
    for label, rows in frames.items():
        together.setdefault(tuple(rows), []).append(label)
    first: dict[str, str] = {}
    names: dict[str, str] = {}
    for group in together.values():
        # What the settings say by themselves decides how pairs are made.
        group.sort(key=lambda x: (not (x in _OWN or x.startswith("converter ")), x))
        first |= dict.fromkeys(group, group[0])
        names[group[0]] = " + ".join(written[x] for x in group)
    return [frozenset(first[x] for x in found) for found in labels], names
