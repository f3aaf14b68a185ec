"""The whole profile: what the archive says about lenses, bodies, keepers, habits."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from auditor.infer.bodies import BodiesModel, accept_table, fit_bodies, infer_bodies, parse_accept
from auditor.infer.comparisons import compare_labels, pairs_to_shoot
from auditor.infer.criteria import Criteria
from auditor.infer.decisions import decide, decision_shots
from auditor.infer.keepers import (
    count_verdicts,
    handheld_limits,
    judge_frames,
    list_keepers,
    settings_to_avoid,
)
from auditor.infer.lenses import SpectraReader, infer_lenses
from auditor.infer.next_shots import next_shots, open_note
from auditor.record import COLUMNS

__all__ = ["build_profile", "complete_columns"]

Pictures = Callable[[list[str]], pd.DataFrame]


_SELDOM: Final = re.compile(r"_spectrum_|_(radial|tangential)_cpp$|^(sharpest|weakest)_|^dust_")
"""Columns that are read for a few frames or none."""
_SHARPNESS: Final = re.compile(
    r"_(mtf50_cpp|stderr_cpp|edges|method)$|^(horizontal|vertical)_cpp$|^direction_|lateral|^fringe_|"
    + _SELDOM.pattern
)


def build_profile(
    frames: pd.DataFrame,
    criteria: Criteria,
    counts: Mapping[str, int] | None = None,
    *,
    pictures: Pictures | None = None,
    spectra: SpectraReader | None = None,
    patterns: Iterable[Any] = (),
    accept: Sequence[str] = (),
) -> dict[str, Any]:
    """The profile as a plain dict.

    `frames` has `record.COLUMNS` and the columns of `crawl.relate`; columns that are missing count
    as unmeasured. `counts` says what was found, measured and set aside where the frame table does
    not hold every file. `pictures` gives small pictures by file id, for comparisons; `spectra`
    the spectrum columns by path, where `frames` lacks them; `patterns` come from `labels_from_csv`;
    `accept` holds texts BODY:ISO:BAND.
    """
    frames = complete_columns(frames)
    lenses = infer_lenses(frames, criteria, spectra)
    lean = _without_sharpness(frames)
    model = fit_bodies(lean, criteria)
    bodies = infer_bodies(lean, criteria, model)
    verdicts = judge_frames(frames, lenses, bodies["bodies"], criteria)
    comparisons = compare_labels(frames, lenses, criteria, pictures, patterns)
    limits = handheld_limits(frames, verdicts, lenses, criteria)
    shots, unlisted = next_shots(lenses, bodies["bodies"], bodies["iso_matches"], limits, criteria)
    decisions = decide(frames, lenses, bodies["bodies"], criteria)
    profile = decisions | {
        "frames": _counts(frames, counts),
        "criteria": criteria.as_dict(),
        "lenses": lenses,
        "bodies": bodies["bodies"],
        "iso_matches": bodies["iso_matches"],
        "habits": bodies["habits"],
        "keepers": list_keepers(frames, verdicts, criteria),
        "verdicts": count_verdicts(verdicts),
        "comparisons": comparisons,
        "settings": settings_to_avoid(frames, verdicts, lenses, criteria),
        "handheld": limits,
        "next_shots": [*shots, *decision_shots(decisions), *pairs_to_shoot(comparisons)],
        "next_shots_unlisted": unlisted,
        "accepted": _accepted(model, accept),
    }
    return profile | {"next_shots_note": open_note(profile)}


def _accepted(model: BodiesModel, accept: Sequence[str]) -> list[dict[str, Any]]:
    """For every accepted BODY:ISO:BAND, the ISO of every other body that looks as noisy."""
    out = []
    for text in accept:
        body, iso, band = parse_accept(text)
        names = [n for n in model.main if body.casefold() in n.casefold()]
        rows = accept_table(model, names[0] if len(names) == 1 else body, iso, band)
        out.append({"accepted": text, "table": rows})
    return out


def complete_columns(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with every column of the store that inference reads for all frames; those that an
    older or damaged store lacks are missing throughout, all of them views of one number."""
    names = [c.name for c in COLUMNS if c.name not in frames and not _SELDOM.search(c.name)]
    if not names:
        return frames
    empty = np.broadcast_to(np.float32(np.nan), (len(frames), len(names)))
    absent = pd.DataFrame(empty, index=frames.index, columns=names, copy=False)
    return pd.concat([frames, absent], axis=1)


def _without_sharpness(frames: pd.DataFrame) -> pd.DataFrame:
    """What bodies are judged by: choosing rows copies every column that is there."""
    return frames.drop(columns=[c for c in frames.columns if _SHARPNESS.search(c)])


def _counts(frames: pd.DataFrame, counts: Mapping[str, int] | None) -> dict[str, int]:
    """found = measured + set aside; `copies`: measured ones whose exposure has a better file."""
    if counts is not None:
        return {k: int(counts.get(k, 0)) for k in ("found", "measured", "set_aside", "copies")}
    measured = np.ones(len(frames), bool)
    if "status" in frames:
        measured = (frames["status"].isin(["measured", "counted"])).to_numpy(bool)
    best = frames["best"].fillna(True).to_numpy(bool) if "best" in frames else True
    return {
        "found": len(frames),
        "measured": int(measured.sum()),
        "set_aside": int((~measured).sum()),
        "copies": int((measured & ~np.asarray(best)).sum()),
    }
