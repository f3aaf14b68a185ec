"""Pairs of frames of one scene that differ in one label.

Same body and lens, minutes apart, similar pictures; nothing else may differ: converter, crop mode,
kind of file and pixel pitch are labels themselves or must agree. Aperture may differ by a stop and a
half; the lens's curve accounts for it. Where the frames of both sides carry a label ('polariser' and
'bare'), the two labels are compared with each other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.choose import (
    APERTURE_STOPS,
    Candidate,
    Pair,
    choose,
    pair_scale,
    why_not,
    with_scenes,
)
from auditor.infer.comparisons.labels import (
    CROP,
    MERGED,
    STACKED,
    LabelPattern,
    LabelSets,
    by_settings,
    label_sets,
    names_accessory,
    names_control,
    negated,
)
from auditor.infer.comparisons.small_pictures import SmallPictures, correlation_at_scale
from auditor.infer.comparisons.verdict import NEGLIGIBLE_STOPS
from auditor.infer.enough import CHUNK
from auditor.infer.frame_values import (
    days,
    log_sharpness,
    sharpness_and_error,
    usable,
)
from auditor.infer.lenses.scene_groups import (
    MINUTES,
    SAME_SCENE,
    read_signatures,
)
from auditor.record import ZONES
from auditor.record.values import flags, numbers, texts, words
from auditor.units import DAY_S, MINUTE_S

__all__ = ["OTHER_KIND", "SINGLE", "FrameColumns", "Labelled", "Pair", "find_pairs"]

Rows = NDArray[np.int64]

_NEIGHBOURS: Final = 20
"""So many frames that follow each other in time are compared with each other."""
SINGLE: Final = "single frames"
"""What stacked and merged pictures are compared with."""
OTHER_KIND: Final = "the two files are of different kinds"
"""Why no stack of developed files is compared with single raw files: the development sharpens."""

Key = tuple[str, str]
"""A label and the one it is compared with; the empty text where that is the lack of the label."""


@dataclass(frozen=True, slots=True)
class Labelled:
    """All that is known of one label.

    Attributes
    ----------
    label, against : str
        The label and its opposite, as they are written.
    key : str
        The label in plain form; of labels that always come together, the first.
    frames : ndarray of int64
        Positions of all frames that carry it.
    pairs : dict of list of Pair
        By lens.
    left_out : Counter of str
        Reason in plain words -> count of pairs or frames.
    table : FrameColumns
        Columns of all frames.
    """

    label: str
    against: str
    key: str
    frames: Rows
    pairs: dict[str, list[Pair]]
    left_out: Counter[str]
    table: FrameColumns


class FrameColumns:
    """The columns that comparing needs, as arrays."""

    def __init__(self, frames: pd.DataFrame) -> None:
        self.source = words(frames, "source")
        self.usable = usable(frames)
        best = (words(frames, "status") == "measured") & flags(frames, "best", True)
        self.reduced = best & ~self.usable
        self.body = words(frames, "body")
        self.lens = words(frames, "lens")
        self.converter = words(frames, "converter")
        self.minutes = days(frames) * (DAY_S / MINUTE_S)
        self.focal = numbers(frames, "focal_length_mm")
        self.f_number = numbers(frames, "f_number")
        self.pitch = numbers(frames, "pixel_pitch_um")
        self.width = np.fmax(numbers(frames, "width_px"), numbers(frames, "height_px"))
        self.flash = flags(frames, "flash", False)
        with np.errstate(invalid="ignore", divide="ignore"):
            seconds, iso = numbers(frames, "exposure_time_s"), numbers(frames, "iso")
            exposure = np.log2(seconds * iso / self.f_number**2)
            along, down = numbers(frames, "horizontal_cpp"), numbers(frames, "vertical_cpp")
            self.direction = np.abs(np.log(along / down))
        # A flash makes up for what an accessory takes, and the exposure says nothing of it.
        self.exposure = np.where(np.isfinite(exposure) & ~self.flash, exposure, np.nan)
        self.log_mtf50 = np.stack([log_sharpness(frames, z) for z in ZONES], axis=1)
        errors = [sharpness_and_error(frames, z)[1] for z in ZONES]
        stderr = np.stack(errors, axis=1) / np.exp(self.log_mtf50)
        self.stderr = np.where((stderr > 0) & np.isfinite(stderr), stderr, np.nan)
        self.white_balance = words(frames, "white_balance")
        self.kelvin = numbers(frames, "colour_temperature_k")


def find_pairs(
    frames: pd.DataFrame,
    patterns: Iterable[LabelPattern] = (),
    small: SmallPictures | None = None,
) -> list[Labelled]:
    """All labels of a frame table with their pairs.

    Candidates are frames of one body and lens, minutes apart, that differ in one label (or carry one label
    each); `choose` makes pairs of those that show one scene.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    patterns : iterable of LabelPattern
        From `labels_from_csv`.
    small : SmallPictures, optional
        Thumbnails, for similarity that signatures leave open.

    Returns
    -------
    list of Labelled
        In alphabetical order, those without a pair included.
    """
    labels, written = _merged_labels(*label_sets(frames, patterns))
    if not any(labels.kinds):
        return []
    c = FrameColumns(frames)
    small = small or SmallPictures(frames, None)
    candidates: dict[Key, list[Candidate]] = {}
    for key, candidate in _candidates(frames, labels, c):
        candidates.setdefault(key, []).append(candidate)
    # What names an accessory comes first, should the thumbnails be too many to look at.
    keys = sorted(candidates, key=lambda k: (not _is_accessory(k), k))
    small.fetch(r for k in keys for m in candidates[k] for r in (m.labelled, m.control))
    found = {key: pairs for key in keys if (pairs := choose(candidates[key], small))}
    left_out = _left_out(labels, c)
    paired = {row for pairs in found.values() for pair in pairs for row in pair}
    for key in keys:
        for name in [key] if key in found else [(label, "") for label in key if label]:
            left_out[name] = left_out.get(name, Counter()) + why_not(candidates[key], paired)
    with_pairs = {label for key in found for label in key}
    usable_kinds = np.unique(labels.code[c.usable]).tolist()
    unpaired = {label for k in usable_kinds for label in labels.kinds[k]} - with_pairs
    signature = texts(frames, "signature")
    out = []
    for key in sorted([*found, *((label, "") for label in unpaired)]):
        carrying = np.flatnonzero(c.usable & labels.where(frozenset(key[:1]).issubset))
        by_lens: dict[str, list[Pair]] = {}
        for pair in with_scenes(found.get(key, []), c.minutes, signature, small):
            by_lens.setdefault(str(c.lens[pair.control]), []).append(pair)
        why = Counter[str]()
        for name in {key, *((label, "") for label in key if label)}:
            why |= left_out.get(name, Counter())
        out.append(_named(key, written, carrying, by_lens, why, c))
    return out


def _is_accessory(key: Key) -> bool:
    return any(by_settings(x) or names_accessory(x) for x in key if x)


def _left_out(labels: LabelSets, c: FrameColumns) -> dict[Key, Counter[str]]:
    """Frames of each label that can be in no pair, by reason."""
    out: dict[Key, Counter[str]] = {}
    for rows, why in (
        (c.usable & np.isnan(c.minutes), "a frame has no capture time"),
        (~c.usable & c.reduced, "a frame is a resized copy"),
    ):
        for code, count in zip(*np.unique(labels.code[rows], return_counts=True), strict=True):
            for label in labels.kinds[code]:
                out.setdefault((label, ""), Counter())[why] += int(count)
    return out


def _candidates(
    frames: pd.DataFrame, labels: LabelSets, c: FrameColumns
) -> Iterator[tuple[Key, Candidate]]:
    """Frames of one body and lens, taken minutes apart, that differ in labels."""
    # A lens without a name is known by its focal length.
    unnamed = np.where(c.lens == "", np.nan_to_num(c.focal), 0.0)
    lens, body = (pd.factorize(names, sort=True)[0] for names in (c.lens, c.body))
    order = np.lexsort((c.minutes, unnamed, lens, body))
    keep = c.usable[order] & ~np.isnan(c.minutes[order])
    keep &= (c.lens[order] != "") | ((c.body[order] != "") & (c.focal[order] > 0))
    order = order[keep]
    code = labels.code
    pairs = []
    for step in range(1, _NEIGHBOURS + 1):
        a, b = order[:-step], order[step:]
        adjacent = (body[a] == body[b]) & (lens[a] == lens[b]) & (code[a] != code[b])
        adjacent &= c.minutes[b] - c.minutes[a] <= MINUTES
        pairs.append(np.stack([a[adjacent], b[adjacent]]))
    both = np.concatenate(pairs, axis=1)
    rows, place = np.unique(both, return_inverse=True)
    # Signatures of a whole archive would take more memory than all else that is compared.
    vectors = read_signatures(texts(frames, "signature").iloc[rows])
    vectors[~vectors.any(axis=1)] = np.nan
    for first in range(0, both.shape[1], CHUNK):
        a, b = place.reshape(both.shape)[:, first : first + CHUNK]
        similarity = np.einsum("ij,ij->i", vectors[a], vectors[b])
        for i, j, alike in zip(a.tolist(), b.tolist(), similarity.tolist(), strict=True):
            yield from _candidate((rows[i], rows[j]), vectors[[i, j]], alike, labels, c)


def _candidate(
    both: tuple[int, int], vectors: NDArray[np.float32], alike: float, labels: LabelSets,
    c: FrameColumns,
) -> Iterator[tuple[Key, Candidate]]:  # fmt: skip
    """Two frames as a candidate of the label that they differ in; of each label where they differ in several."""
    i, j = (int(row) for row in both)
    only_i, only_j = labels[i] - labels[j], labels[j] - labels[i]
    apart = abs(float(c.minutes[i] - c.minutes[j]))
    key = _key(only_i, only_j)
    if key is None:
        if alike >= SAME_SCENE:  # else no reason is worth telling
            why = "the two frames differ in more than this label"
            for row, other, only in ((i, j, only_i), (j, i, only_j)):
                for label in only:
                    yield (label, ""), Candidate(row, other, alike, 1.0, 0.0, apart, why)
        return
    label = key[0]
    if label not in only_i:
        i, j, vectors = j, i, vectors[::-1]
    scale, problem = pair_scale(
        label, c.focal[i] / c.focal[j], c.width[j] / c.width[i], c.pitch[i] / c.pitch[j]
    )
    stops = 2 * float(np.log2(c.f_number[i] / c.f_number[j]))
    if label.startswith("converter ") and stops > APERTURE_STOPS:
        # The written aperture holds the converter's own loss of light.
        stops -= 2 * float(np.log2(scale))
    for wrong, why in (
        (c.source[i] != c.source[j], OTHER_KIND),
        (c.flash[i] != c.flash[j], "a flash lit one of the two frames only"),
        (abs(stops) > APERTURE_STOPS, "the apertures lie more than a stop and a half apart"),
    ):
        problem = problem or (why if wrong else None)
    if scale != 1.0 and not np.isnan(alike):
        same_view, alike = alike, correlation_at_scale(vectors[0], vectors[1], scale)
        if label == CROP and same_view > max(SAME_SCENE, alike):
            problem = "the smaller picture shows the whole view, as after resizing"
            alike, scale = same_view, 1.0
    yield key, Candidate(i, j, alike, scale, stops, apart, problem)


def _key(only_i: frozenset[str], only_j: frozenset[str]) -> Key | None:
    """What the two frames differ in, if it is one label, or one label on each side."""
    if len(only_i) + len(only_j) == 1:
        return (next(iter(only_i | only_j)), "")
    if len(only_i) == 1 == len(only_j):
        a, b = sorted(only_i | only_j)
        if not (by_settings(a) or by_settings(b)):
            return (a, b)
    return None


def _named(
    key: Key, written: dict[str, str], rows: Rows, by_lens: dict[str, list[Pair]],
    left_out: Counter[str], c: FrameColumns,
) -> Labelled:  # fmt: skip
    """The comparison in words; the accessory is the label, the lens without it the control."""
    label, against = key
    swap = False
    name, other = written[label], written.get(against, "")
    if against:
        swap = _is_control(label, against, [p for each in by_lens.values() for p in each], c)
        if swap:
            name, other = other, name
    elif label == CROP:
        other = "whole sensor"
    elif label in (STACKED, MERGED):
        other = SINGLE
    elif label.startswith("converter "):
        other = "the bare lens"
    elif negated(label):
        # 'no filter' on the controls says that the others have it.
        name, other, swap = negated(label), name, True
    else:
        other = f"without {name}"
    if swap:
        by_lens = {
            lens: [Pair(p.control, p.labelled, p.scene) for p in pairs]
            for lens, pairs in by_lens.items()
        }
        rows = np.array(sorted({p.labelled for q in by_lens.values() for p in q}), np.int64)
    return Labelled(name, other, label, rows, by_lens, left_out, c)


def _is_control(label: str, against: str, pairs: list[Pair], c: FrameColumns) -> bool:
    """Whether `label` rather than `against` names the frames without an accessory: by the word, else
    by the longer exposure that an accessory asks for."""
    if names_control(label) != names_control(against):
        return names_control(label)
    more = np.array([c.exposure[p.labelled] - c.exposure[p.control] for p in pairs])
    more = more[np.isfinite(more)]
    return bool(len(more)) and float(np.median(more)) < -NEGLIGIBLE_STOPS


def _merged_labels(labels: LabelSets, written: dict[str, str]) -> tuple[LabelSets, dict[str, str]]:
    """Labels that always come together are one: nothing could tell their effects apart."""
    together: dict[frozenset[frozenset[str]], list[str]] = {}
    # What the settings say by themselves decides how pairs are made.
    for label in sorted(
        {x for k in labels.kinds for x in k}, key=lambda x: (not by_settings(x), x)
    ):
        # Carried by the same frames: by the same kinds of frame.
        together.setdefault(frozenset(k for k in labels.kinds if label in k), []).append(label)
    first = {label: group[0] for group in together.values() for label in group}
    names = {group[0]: " + ".join(written[x] for x in group) for group in together.values()}
    return labels.mapped(lambda found: frozenset(first[x] for x in found)), names
