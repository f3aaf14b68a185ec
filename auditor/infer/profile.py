"""The whole profile: what the archive says about lenses, bodies, keepers, habits."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, cast

import numpy as np
import pandas as pd

from auditor.infer.bodies import (
    BodiesModel,
    BodyFigures,
    accept_table,
    fit_bodies,
    infer_bodies,
    parse_accept,
)
from auditor.infer.comparisons import compare_labels, one_answer, pairs_to_shoot
from auditor.infer.criteria import Criteria
from auditor.infer.decisions import decide, decision_shots
from auditor.infer.faults import Faults
from auditor.infer.frame_values import DAYS, days
from auditor.infer.keepers import (
    count_verdicts,
    handheld_limits,
    list_keepers,
    settings_to_avoid,
)
from auditor.infer.next_shots import body_requests, lens_series, next_shots, open_note
from auditor.infer.verdicts import lenses_and_verdicts, no_answers, tally, verdicts_of_all
from auditor.model import (
    Accepted,
    Body,
    Comparison,
    Decisions,
    Frames,
    Gear,
    Lens,
    Profile,
    Shot,
)
from auditor.record import COLUMNS
from auditor.record.pictures import PictureSource
from auditor.record.values import as_categories, flags, words

__all__ = ["build_profile", "complete_columns", "infer_profile"]

_SHOTS: Final = "what to shoot next"
"""Name of a stage that several parts have."""
_NO_BODIES: Final[tuple[BodiesModel | None, BodyFigures]] = (
    None, {"bodies": [], "iso_matches": [], "habits": []},
)  # fmt: skip

_NAMES: Final = (
    *("status", "source", "file_kind", "body", "body_serial", "lens", "lens_serial", "converter"),
    "software",
)
"""Columns of few names, each of them for many frames."""
_SHARPNESS: Final = re.compile(
    r"_(mtf50_cpp|stderr_cpp|edges)$|^(horizontal|falling|vertical|rising)_cpp$|lateral|^fringe_"
    r"|^sharpest_"
)


def build_profile(
    frames: pd.DataFrame, criteria: Criteria, counts: Mapping[str, int] | None = None, **more: Any
) -> Profile:
    """The profile as a plain dict; arguments as of `infer_profile`."""
    return infer_profile(frames, criteria, counts, **more)[0]


def infer_profile(
    frames: pd.DataFrame,
    criteria: Criteria,
    counts: Mapping[str, int] | None = None,
    *,
    pictures: PictureSource | None = None,
    patterns: Iterable[Any] = (),
    accept: Sequence[str] = (),
    archive: pd.DataFrame | None = None,
    gear: Gear | None = None,
    answers: Mapping[str, str] | None = None,
    faults: Faults | None = None,
) -> tuple[Profile, pd.DataFrame]:
    """The whole profile, and a verdict on every frame.

    Each stage is guarded by `Faults`: a lens or body that breaks one is left out of it and named under
    `faults`.

    Parameters
    ----------
    frames : DataFrame
        `record.COLUMNS` and the columns of `crawl.relate`; columns that are missing count as unmeasured.
    criteria : Criteria
        Thresholds.
    counts : mapping of str to int, optional
        What was found, measured and set aside, where the frame table does not hold every file.
    pictures : DataFrame or callable, optional
        Small pictures by file id, for comparisons and dust.
    patterns : iterable, optional
        From `labels_from_csv`.
    accept : sequence of str, optional
        Texts BODY:ISO:BAND.
    archive : DataFrame, optional
        All frames of the archive where `frames` are a part of it: bodies that occur in the part are judged by
        all that the archive has of them.
    gear : Gear, optional
        From `gear.usage.gear_in_use`.
    answers : mapping of str to str, optional
        Path or file id -> one of `model.ANSWERS`.
    faults : Faults, optional
        Takes what fails; a new one where None.

    Returns
    -------
    profile : Profile
        A plain dict.
    verdicts : DataFrame
        One row per row of `frames` (`keepers.judge_frames`), with the photographer's `answer`.

    Raises
    ------
    ValueError
        Where nobody has related the frames: each would count as an outing of its own.
    """
    if len(frames) and "outing" not in frames:
        raise ValueError(
            "the frames are not related: use auditor.load, or crawl.relate on the table"
        )
    frames = _readied(complete_columns(frames.reset_index(drop=True)))
    faults = Faults() if faults is None else faults
    if archive is not None:
        archive = _without_sharpness(_readied(complete_columns(archive)))
    noise_table = _without_sharpness(frames)
    (model, bodies), _ = faults.by_column(
        "noise", lambda f: _bodies(f, criteria, archive), noise_table, "body", _NO_BODIES
    )

    lenses, verdicts, judged = lenses_and_verdicts(
        frames, bodies["bodies"], criteria, answers or {}, faults
    )

    def compare(f: pd.DataFrame) -> list[Comparison]:
        return compare_labels(f, lenses, criteria, pictures, patterns)

    comparisons, _ = faults.by_column("comparisons", compare, frames, "lens", list[Comparison]())
    faults.whole("comparisons", lambda: one_answer(lenses, comparisons), None)
    decisions = faults.whole(
        "decisions",
        lambda: decide(frames, lenses, bodies["bodies"], criteria, pictures, faults),
        Decisions(),
    )
    after = _after_verdicts(judged, verdicts, lenses, criteria, faults)
    requested = _requested(comparisons, decisions, faults)
    shots, unlisted = _shots(lenses, bodies["bodies"], faults, gear, requested)
    made = {
        **decisions,
        "frames": _counts(frames, counts),
        "criteria": criteria.as_dict(),
        "lenses": lenses,
        **bodies,
        "gear": gear or {},
        "comparisons": comparisons,
        **after,
        "next_shots": shots,
        "next_shots_unlisted": unlisted,
        "accepted": _accepted(model, accept) if model is not None else [],
    }
    profile = cast("Profile", made)
    profile["next_shots_note"] = faults.whole(_SHOTS, lambda: open_note(profile), None)
    profile["faults"] = faults.found
    return profile, verdicts_of_all(verdicts, judged, frames)


def _requested(comparisons: list[Comparison], decisions: Decisions, faults: Faults) -> list[Shot]:
    """Test frames that would settle decisions and comparisons."""
    pairs = faults.whole(_SHOTS, lambda: pairs_to_shoot(comparisons), list[Shot]())
    return [*faults.whole(_SHOTS, lambda: decision_shots(decisions), list[Shot]()), *pairs]


def _bodies(
    frames: pd.DataFrame, criteria: Criteria, archive: pd.DataFrame | None
) -> tuple[BodiesModel | None, BodyFigures]:
    model = fit_bodies(frames, criteria, archive)
    return model, infer_bodies(frames, criteria, model, archive)


def _after_verdicts(
    frames: pd.DataFrame,
    verdicts: pd.DataFrame | None,
    lenses: list[Lens],
    criteria: Criteria,
    faults: Faults,
) -> dict[str, Any]:
    """What follows from the verdicts on single frames; nothing where there are none."""
    nothing: dict[str, Any] = {
        "keepers": [], "answers": no_answers(), "settings": [], "handheld": [],
        "verdicts": {"judged": 0, "soft": 0, "noisy": 0, "causes": {}},
    }  # fmt: skip
    if (v := verdicts) is None:
        return nothing
    stages: dict[str, Callable[[], Any]] = {
        "keepers": lambda: list_keepers(frames, v, criteria),
        "answers": lambda: tally(v, v["answer"], criteria.interval),
        "verdicts": lambda: count_verdicts(v),
        "settings": lambda: settings_to_avoid(frames, v, lenses, criteria),
        "handheld": lambda: handheld_limits(frames, v, lenses, criteria),
    }
    return {name: faults.whole(name, stages[name], empty) for name, empty in nothing.items()}


def _shots(
    lenses: list[Lens],
    bodies: list[Body],
    faults: Faults,
    gear: Mapping[str, Any] | None,
    requested: list[Shot],
) -> tuple[list[Shot], int]:
    """Requests for the test frames of one afternoon, and how many more there are than fit into it."""
    found = [
        *faults.by_entry(_SHOTS, lens_series, lenses, "lens"),
        *faults.by_entry(_SHOTS, body_requests, bodies, "body"),
    ]
    nothing: tuple[list[Shot], int] = ([], 0)
    return faults.whole(_SHOTS, lambda: next_shots(found, lenses, gear, requested), nothing)


def _accepted(model: BodiesModel, accept: Sequence[str]) -> list[Accepted]:
    """For every accepted BODY:ISO:BAND, the ISO of every other body that looks as noisy."""
    out: list[Accepted] = []
    for text in accept:
        body, iso, band = parse_accept(text)
        names = [n for n in model.main if body.casefold() in n.casefold()]
        rows = accept_table(model, names[0] if len(names) == 1 else body, iso, band)
        out.append({"accepted": text, "table": rows})
    return out


def complete_columns(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with every column of the store that inference reads.

    Parameters
    ----------
    frames : DataFrame
        Frame table of any store.

    Returns
    -------
    DataFrame
        Those that an older or damaged store lacks are missing throughout, all of them views of one number;
        the same table where none is.
    """
    names = [c.name for c in COLUMNS if c.loaded and c.name not in frames]
    if not names:
        return frames
    empty = np.broadcast_to(np.float32(np.nan), (len(frames), len(names)))
    absent = pd.DataFrame(empty, index=frames.index, columns=names, copy=False)
    return pd.concat([frames, absent], axis=1)


def _readied(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with what all stages ask for worked out once: names as categories, and days."""
    names = {n: as_categories(frames[n]) for n in _NAMES if n in frames}
    return frames.assign(**names, **{DAYS: days(frames[["taken"]])})


def _without_sharpness(frames: pd.DataFrame) -> pd.DataFrame:
    """The table without columns of sharpness, which bodies need not: choosing rows copies all columns."""
    return frames.drop(columns=[c for c in frames.columns if _SHARPNESS.search(c)])


def _counts(frames: pd.DataFrame, counts: Mapping[str, int] | None) -> Frames:
    """found = measured + set aside; `copies`: measured ones whose exposure has a better file."""
    if counts is not None:
        names = ("found", "measured", "set_aside", "copies")
        return cast("Frames", {name: int(counts.get(name, 0)) for name in names})
    measured = np.isin(words(frames, "status"), ["measured", "counted"]) | ("status" not in frames)
    return {
        "found": len(frames),
        "measured": int(measured.sum()),
        "set_aside": int((~measured).sum()),
        "copies": int((measured & ~flags(frames, "best", True)).sum()),
    }
