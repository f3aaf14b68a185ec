"""Pairs of frames of one scene that differ in one label.

Same body and lens, minutes apart, similar pictures; nothing else may differ: converter, crop mode,
kind of file and pixel pitch are labels themselves or must agree. Aperture may differ by a stop and a
half; the lens's curve accounts for it. Where the frames of both sides carry a label ('polariser' and
'bare'), the two labels are compared with each other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.infer.comparisons.choose import (
    APERTURE_STOPS,
    MINUTES,
    Candidate,
    Chooser,
    Pair,
    pair_scale,
)
from auditor.infer.comparisons.labels import (
    CROP,
    MERGED,
    STACKED,
    LabelPattern,
    LabelSets,
    by_settings,
    contradicted,
    label_sets,
    names_accessory,
    names_control,
    negated,
)
from auditor.infer.comparisons.paired import SCATTER
from auditor.infer.comparisons.small_pictures import Signatures, SmallPictures, correlation_at_scale
from auditor.infer.comparisons.verdict import NEGLIGIBLE_STOPS
from auditor.infer.frame_values import (
    days,
    group_numbers,
    histograms,
    log_sharpness,
    sharpness_and_error,
    shutter_stops,
    signal_quantile,
    usable,
)
from auditor.infer.lenses.scene_groups import SAME_SCENE
from auditor.record import ZONES
from auditor.record.values import flags, numbers, texts, words
from auditor.units import DAY_S, MINUTE_S

__all__ = ["OTHER_KIND", "SINGLE", "FrameColumns", "Labelled", "Pair", "find_pairs"]

Floats = NDArray[np.float64]

_NEIGHBOURS: Final = 20
"""So many frames that follow each other in time are compared with each other."""
SINGLE: Final = "single frames"
"""What stacked and merged pictures are compared with."""
_UNINFORMATIVE: Final = frozenset(
    ["with", "on", "mit", "avec", "con", "com", "met", "med", "with it"]
)
"""Names of folders that say nothing beside a label that always comes with them."""
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
    frames : ndarray of int64
        Positions of all frames that carry it.
    pairs : dict of list of Pair
        By lens.
    left_out : dict of int
        Reason in plain words -> count of pairs or frames.
    """

    label: str
    against: str
    frames: NDArray[np.int64]
    pairs: dict[str, list[Pair]] = field(default_factory=dict)
    left_out: dict[str, int] = field(default_factory=dict)
    key: str = ""
    """The label in plain form; of labels that always come together, the first."""


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
        self.signature = Signatures(texts(frames, "signature"))
        self.burst = group_numbers(frames, "burst")
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
        self.shutter_stops = shutter_stops(frames)
        self.log_mtf50 = np.stack([log_sharpness(frames, z) for z in ZONES], axis=1)
        errors = [sharpness_and_error(frames, z)[1] for z in ZONES]
        stderr = np.stack(errors, axis=1) / np.exp(self.log_mtf50)
        self.stderr = np.where((stderr > 0) & np.isfinite(stderr), stderr, SCATTER)
        self.white_balance = words(frames, "white_balance")
        self.kelvin = numbers(frames, "colour_temperature_k")
        self.middle = signal_quantile(histograms(frames, np.arange(len(frames))), 0.5)


class _Reasons:
    """How often each label's frames were left out, and why."""

    def __init__(self) -> None:
        self.by_key: dict[Key, dict[str, int]] = {}
        self.several: dict[str, set[int]] = {}
        """Frames that met one of their scene which differs in more than the label."""

    def of(self, label: str, against: str) -> dict[str, int]:
        """Reasons for one comparison, with those that hold for its labels by themselves."""
        out = dict(self.by_key.get((label, against), {}))
        for name in (label, against) if against else ():
            for reason, count in self.by_key.get((name, ""), {}).items():
                out[reason] = max(count, out.get(reason, 0))
        return out

    def add(self, key: Key, reason: str, count: int = 1) -> None:
        if count:
            counts = self.by_key.setdefault(key, {})
            counts[reason] = counts.get(reason, 0) + count


def find_pairs(
    frames: pd.DataFrame,
    patterns: Iterable[LabelPattern] = (),
    small: SmallPictures | None = None,
) -> list[Labelled]:
    """All labels of a frame table with their pairs.

    Candidates are frames of one body and lens, minutes apart, that differ in one label (or carry one label
    each); `Chooser` makes pairs of those that show one scene.

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
    single, written = label_sets(frames, patterns)
    labels, written = _merged_labels(single, written)
    if not any(labels.kinds):
        return []
    c = FrameColumns(frames)
    small = small or SmallPictures(frames, None)
    reasons = _Reasons()
    consistent = _consistent(single, labels, c, reasons)
    candidates = _candidates(labels, c, consistent, reasons)
    chooser = Chooser(c.signature, c.burst, small)
    # What names an accessory comes first, should the thumbnails be too many to look at.
    keys = sorted(candidates, key=lambda k: (not _is_accessory(k), k))
    small.fetch(r for k in keys for m in candidates[k] for r in (m.labelled, m.control))
    found: dict[Key, list[Pair]] = {}
    for key in keys:
        pairs, why = chooser.choose(candidates[key])
        for name in (key,) if pairs or not key[1] else ((key[0], ""), (key[1], "")):
            for reason, count in why.items():
                reasons.add(name, reason, count)
        if pairs or not key[1]:
            found[key] = pairs
    found = {key: chooser.with_scenes(pairs, c.minutes) for key, pairs in found.items()}
    partnered = {r for pairs in found.values() for p in pairs for r in (p.labelled, p.control)}
    for label, rows in reasons.several.items():
        reasons.add(
            (label, ""), "the two frames differ in more than this label", len(rows - partnered)
        )
    out = []
    for (label, against), pairs in sorted(_with_unpaired(found, labels, c, reasons).items()):
        carrying = np.flatnonzero(c.usable & labels.where(frozenset([label]).issubset))
        by_lens: dict[str, list[Pair]] = {}
        for pair in pairs:
            by_lens.setdefault(str(c.lens[pair.control]), []).append(pair)
        left_out = reasons.of(label, against)
        out.append(_named(label, against, written, carrying, by_lens, left_out, c))
    return out


def _is_accessory(key: Key) -> bool:
    return any(by_settings(x) or names_accessory(x) for x in key if x)


def _consistent(
    single: LabelSets, labels: LabelSets, c: FrameColumns, reasons: _Reasons
) -> NDArray[np.bool_]:
    """Frames whose labels do not contradict each other."""
    against = {s: contradicted(s) for s in single.kinds}
    consistent = ~single.where(lambda s: against[s])
    for i in np.flatnonzero(~consistent).tolist():
        for label in (labels[i] & against[single[i]]) or labels[i]:
            if c.usable[i]:
                reasons.add((label, ""), "a frame's labels contradict each other")
    return consistent


def _candidates(
    labels: LabelSets, c: FrameColumns, consistent: NDArray[np.bool_], reasons: _Reasons
) -> dict[Key, list[Candidate]]:
    """Frames of one body and lens, taken minutes apart, that differ in labels."""
    # A lens without a name is known by its focal length.
    unnamed = np.where(c.lens == "", np.nan_to_num(c.focal), 0.0)
    lens, body = (pd.factorize(names, sort=True)[0] for names in (c.lens, c.body))
    order = np.lexsort((c.minutes, unnamed, lens, body))
    keep = c.usable[order] & ~np.isnan(c.minutes[order]) & consistent[order]
    keep &= (c.lens[order] != "") | ((c.body[order] != "") & (c.focal[order] > 0))
    order = order[keep]
    code = labels.code
    pairs: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    for step in range(1, _NEIGHBOURS + 1):
        a, b = order[:-step], order[step:]
        adjacent = (body[a] == body[b]) & (lens[a] == lens[b]) & (code[a] != code[b])
        adjacent &= c.minutes[b] - c.minutes[a] <= MINUTES
        pairs.append((a[adjacent], b[adjacent]))
    c.signature.read(np.concatenate([rows for ab in pairs for rows in ab]))
    out: dict[Key, list[Candidate]] = {}
    for a, b in pairs:
        similarity = c.signature.correlation(a, b)
        for i, j, value in zip(a.tolist(), b.tolist(), similarity.tolist(), strict=True):
            found = _candidate(i, j, value, labels, c, reasons)
            if found is not None:
                out.setdefault(found[0], []).append(found[1])
    return out


def _candidate(
    i: int, j: int, similarity: float, labels: LabelSets, c: FrameColumns, reasons: _Reasons
) -> tuple[Key, Candidate] | None:
    only_i, only_j = labels[i] - labels[j], labels[j] - labels[i]
    key = _key(only_i, only_j)
    if key is None:
        if similarity >= SAME_SCENE:  # else no reason is worth telling
            for row, only in ((i, only_i), (j, only_j)):
                for label in only:
                    reasons.several.setdefault(label, set()).add(row)
        return None
    labelled, control = (i, j) if key[0] in only_i else (j, i)
    label = key[0]
    scale, problem = pair_scale(
        label, c.focal[labelled] / c.focal[control], c.width[control] / c.width[labelled],
        c.pitch[labelled] / c.pitch[control],
    )  # fmt: skip
    if problem is None and c.source[i] != c.source[j]:
        problem = OTHER_KIND
    if problem is None and c.flash[i] != c.flash[j]:
        problem = "a flash lit one of the two frames only"
    stops = 2 * float(np.log2(c.f_number[labelled] / c.f_number[control]))
    if label.startswith("converter "):
        # The written aperture holds the converter's own loss of light.
        stops -= 2 * np.log2(scale) if stops > APERTURE_STOPS else 0.0
    if problem is None and abs(stops) > APERTURE_STOPS:
        problem = "the apertures lie more than a stop and a half apart"
    if scale != 1.0 and c.signature.known(control):
        same_view = similarity
        similarity = correlation_at_scale(c.signature[labelled], c.signature[control], scale)
        if label == CROP and same_view > max(SAME_SCENE, similarity):
            problem = "the smaller picture shows the whole view, as after resizing"
            similarity, scale = same_view, 1.0
    minutes = abs(float(c.minutes[i] - c.minutes[j]))
    return key, Candidate(labelled, control, similarity, scale, float(stops), minutes, problem)


def _key(only_i: frozenset[str], only_j: frozenset[str]) -> Key | None:
    """What the two frames differ in, if it is one label, or one label on each side."""
    if len(only_i) + len(only_j) == 1:
        return (next(iter(only_i | only_j)), "")
    if len(only_i) == 1 == len(only_j):
        a, b = sorted(only_i | only_j)
        if not (by_settings(a) or by_settings(b)):
            return (a, b)
    return None


def _with_unpaired(
    found: dict[Key, list[Pair]], labels: LabelSets, c: FrameColumns, reasons: _Reasons
) -> dict[Key, list[Pair]]:
    """Labels without any pair beside those that have some; reasons that a frame has by itself."""
    paired = {label for key in found for label in key}
    out = dict(found)
    usable, untimed, reduced = (
        np.bincount(labels.code[rows], minlength=len(labels.kinds)).tolist()
        for rows in (c.usable, c.usable & np.isnan(c.minutes), ~c.usable & c.reduced)
    )
    for kind, n, without, copies in zip(labels.kinds, usable, untimed, reduced, strict=True):
        for label in kind:
            reasons.add((label, ""), "a frame has no capture time", without)
            reasons.add((label, ""), "a frame is a resized copy", copies)
            if n and label not in paired:
                out.setdefault((label, ""), [])
    return out


def _named(
    label: str, against: str, written: dict[str, str], rows: NDArray[np.int64],
    by_lens: dict[str, list[Pair]], left_out: dict[str, int], c: FrameColumns,
) -> Labelled:  # fmt: skip
    """The comparison in words; the accessory is the label, the lens without it the control."""
    swap = False
    name, other = written[label], written.get(against, "")
    if against:
        pairs = [p for each in by_lens.values() for p in each]
        swap = _is_control(label, against, pairs, c)
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
        by_lens = {lens: [p.swapped() for p in pairs] for lens, pairs in by_lens.items()}
        rows = np.array(sorted({p.labelled for q in by_lens.values() for p in q}), np.int64)
    return Labelled(name, other, rows, by_lens, left_out, label)


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
    by_kinds: dict[frozenset[frozenset[str]], list[str]] = {}
    kinds = labels.kinds
    for label in sorted({x for found in kinds for x in found}):
        # Carried by the same frames: by the same kinds of frame.
        by_kinds.setdefault(frozenset(k for k in kinds if label in k), []).append(label)
    first: dict[str, str] = {}
    names: dict[str, str] = {}
    for group in by_kinds.values():
        # What the settings say by themselves decides how pairs are made.
        group.sort(key=lambda x: (not by_settings(x), x))
        first |= dict.fromkeys(group, group[0])
        informative = [x for x in group if x not in _UNINFORMATIVE] or group
        names[group[0]] = " + ".join(written[x] for x in informative)
    return labels.mapped(lambda found: frozenset(first[x] for x in found)), names
