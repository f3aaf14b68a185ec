"""What is asked of a profile, and how it is put together from the frames of a store.

A profile can be inferred again, with other thresholds or for a part of the frames, without reading a
picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from auditor.record import COLUMNS, Settings

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from auditor.crawl import Selection
    from auditor.gear.gear_file import Chosen
    from auditor.infer.criteria import Criteria
    from auditor.infer.faults import Faults
    from auditor.model import Fault, Filter, Gear, Profile
    from auditor.store import Store

VERDICTS: Final = (
    *("judged", "soft", "noisy", "cause", "probability", "expected_cpp", "measured_cpp", "answer"),
)
"""Columns of verdicts that go with the frames into their table."""
FEW_LOST: Final = 10
"""So many patterns that match nothing are named; the rest are counted."""
_SETTINGS: Final = frozenset(Settings.__slots__) - {"labels"}

__all__ = [
    "InferOptions",
    "OptionError",
    "chosen_gear",
    "infer_frames",
    "load_frames",
]


class OptionError(ValueError):
    """What was asked for can't be had from this archive; the message is one line in plain words."""


@dataclass(frozen=True, slots=True)
class InferOptions:
    """What a profile is made of, beside the store.

    Attributes
    ----------
    criteria : Criteria or None
        Thresholds; None for the usual ones.
    rating, since, body, lens
        Restrict the profile to a part of the frames, as in `crawl.Selection`.
    labels_csv : pathlib.Path or None
        File of patterns and labels.
    accept : sequence of str
        Texts 'BODY:ISO:BAND': noise that the photographer accepts.
    without_bodies, without_lenses, without_folders, without_kinds, phones
        As `gear.Chosen`, beside what gear.toml says.
    """

    criteria: Criteria | None = None
    rating: int | None = None
    since: str | None = None
    body: str | None = None
    lens: str | None = None
    labels_csv: Path | None = None
    accept: Sequence[str] = ()
    without_bodies: Sequence[str] = ()
    without_lenses: Sequence[str] = ()
    without_folders: Sequence[str] = ()
    without_kinds: Sequence[str] = ()
    phones: bool = False

    def __post_init__(self) -> None:
        for name in ("accept", *(n for n in self.__slots__ if n.startswith("without_"))):
            if isinstance(given := getattr(self, name), str):  # one text, not its letters
                object.__setattr__(self, name, (given,))


def infer_frames(
    frames: pd.DataFrame,
    options: InferOptions,
    gear: Chosen,
    store: Store | None,
    archives: Sequence[str] = (),
) -> tuple[Profile, pd.DataFrame]:
    """Infer the profile of a table of frames.

    Parameters
    ----------
    frames : pandas.DataFrame
        All frames, reconciled and related. It may hold more than the `archives` just scanned; how much, a
        notice says.
    options : InferOptions
        Thresholds and restrictions.
    gear : Chosen
        Which gear is the photographer's, and what is left out.
    store : Store or None
        Gives small pictures, answers and what could not be read; None for a table without a store.
    archives : sequence of str
        Folders just scanned; none where nothing is to be said of other folders.

    Returns
    -------
    profile : Profile
        The keys of `profile.json`.
    chosen : pandas.DataFrame
        The rows looked at, with the columns `VERDICTS`.

    Raises
    ------
    OptionError
        When no measured frame meets the restrictions, or none tells how noisy what is accepted looks.
    """
    from auditor.crawl import Selection
    from auditor.gear.usage import idle
    from auditor.infer.bodies import AcceptError
    from auditor.infer.criteria import Criteria
    from auditor.infer.faults import Faults
    from auditor.infer.profile import infer_profile
    from auditor.open_files import RunLog
    from auditor.output import archives_of
    from auditor.store.side_files import read_answers

    aside = (frames["status"] == "set-aside").to_numpy(bool)
    best = frames["best"].to_numpy(bool)
    selection = Selection(options.rating, options.since, options.body, options.lens)
    roots = [] if store is None else archives_of(store.folder.parent)
    included = gear.included(frames, roots).to_numpy(bool)
    wanted = included & selection.matches(frames).to_numpy(bool)
    _need_frames(frames, aside, included, wanted, gear, selection)
    # What was set aside is listed whatever is looked at: hardly any such file has names or stars.
    shown = frames if (wanted | aside).all() else frames[wanted | aside]
    chosen = shown.reset_index(drop=True)
    patterns, notices = _labels(options, frames["path"])
    faults = Faults(refused=(AcceptError,))
    in_use = _use(frames, included & ~aside & best, gear, faults)
    try:
        profile, verdicts = infer_profile(
            chosen,
            options.criteria or Criteria(),
            _file_counts(aside, best),
            pictures=None if store is None else store.pictures,
            patterns=patterns,
            accept=options.accept,
            # What a body can do does not change with the part of the archive that is looked at.
            archive=frames[included | aside] if selection.given() else None,
            gear=in_use,
            answers={} if store is None else read_answers(store.folder),
            faults=faults,
        )
    except AcceptError as error:
        raise OptionError(str(error)) from error
    for name in VERDICTS:
        chosen[name] = verdicts[name].to_numpy()
    profile["gear"] = {**in_use, "left_out": gear.words(), **_looked_at(included & ~aside, best)}
    profile["filter"] = _filter(selection, _looked_at(wanted & ~aside, best))
    unread = [] if store is None else store.unread()
    profile["unread_folders"] = [{"path": path, "reason": reason} for path, reason in unread]
    more = [*_unread_notice(unread), *_fault_notices(profile["faults"])]
    more += _elsewhere_notice(frames["path"], archives) if archives else []
    folders = () if archives else options.without_folders  # a scan tells of these itself
    profile["notices"] = [*notices, *idle(frames, gear, folders, roots), *more]
    if store is not None:
        for trace in faults.traces:
            RunLog(store.folder / "log.txt").line(trace)
    return profile, chosen


def _use(frames: pd.DataFrame, rows: NDArray[np.bool_], gear: Chosen, faults: Faults) -> Gear:
    """Bodies and lenses with their use in some of the rows, one for each exposure."""
    from auditor.gear.usage import USE_COLUMNS, gear_in_use

    used = frames.filter(USE_COLUMNS)[rows]
    without: Gear = {}
    return faults.whole("gear", lambda: gear_in_use(used, gear), without) if len(used) else without


def _filter(selection: Selection, counts: Gear) -> Filter | None:
    """What the profile says of its restrictions; None without any."""
    given = selection.given()
    restrictions: Filter = {**given, **counts, "words": selection.words()}  # type: ignore[typeddict-item]
    return restrictions if given else None


def _looked_at(measured: NDArray[np.bool_], best: NDArray[np.bool_]) -> Gear:
    """Counts of the measured files that are looked at, and of the copies among them, if any."""
    counts: Gear = {"frames": int(measured.sum())}
    if copies := int((measured & ~best).sum()):
        counts["copies"] = copies
    return counts


def _need_frames(
    frames: pd.DataFrame,
    aside: NDArray[np.bool_],
    included: NDArray[np.bool_],
    wanted: NDArray[np.bool_],
    gear: Chosen,
    selection: Selection,
) -> None:
    """Raise OptionError where frames were measured and none of them is to be looked at."""
    if aside.all():
        return
    if not (included & ~aside).any():
        raise OptionError(
            f"every frame is left out ({gear.words()}); see gear.toml and the options"
        )
    if not (wanted & ~aside).any():
        raise OptionError(selection.why_none(frames[~aside]))


def _file_counts(aside: NDArray[np.bool_], best: NDArray[np.bool_]) -> dict[str, int]:
    """Counts of files; one whose exposure is measured on a better file is measured by that."""
    return {
        "found": len(aside),
        "measured": int((~aside).sum()),
        "set_aside": int(aside.sum()),
        "copies": int((~aside & ~best).sum()),
    }


def _fault_notices(faults: Sequence[Fault]) -> list[str]:
    return [
        f"{f['stage']}: {f['part']} is left out, for it broke the reckoning ({f['error']}); this is a "
        "fault of the program, and all else is told"
        for f in faults
    ]


def chosen_gear(out: Path | None, options: InferOptions) -> Chosen:
    """Choice of gear from gear.toml in the output folder and the options together.

    Parameters
    ----------
    out : pathlib.Path or None
        Output folder; None where there is none.
    options : InferOptions
        Its `without_...` and `phones` are used.

    Returns
    -------
    Chosen
        What is left out, and the names given.

    Raises
    ------
    OptionError
        When gear.toml can't be used.
    """
    from auditor.gear.gear_file import Chosen, GearFileError, read_chosen

    try:
        chosen = Chosen() if out is None else read_chosen(out)
    except GearFileError as error:
        raise OptionError(str(error)) from error
    return chosen.plus(
        no_bodies=options.without_bodies,
        no_lenses=options.without_lenses,
        no_folders=options.without_folders,
        no_kinds=options.without_kinds,
        phones=options.phones,
    )


def load_frames(store: Store, every_column: bool) -> pd.DataFrame:
    """Load every frame of a store, reconciled and related.

    Parameters
    ----------
    store : Store
        The measurement store.
    every_column : bool
        Every column of `record.COLUMNS`; otherwise those that inference reads for all frames, with
        measurements in single precision.

    Returns
    -------
    pandas.DataFrame
        A row per file, with the columns of `settings.reconcile` and `crawl.relate`.

    Raises
    ------
    StoreError
        When the store can't be read.
    """
    from auditor.crawl import relate
    from auditor.settings import reconcile

    if every_column:
        return relate(reconcile(store.load()))
    names = [c for c in COLUMNS if c.loaded]
    # What was set on the camera stays as it was written; measurements have no nine digits.
    single = [
        c.name for c in names if c.kind in ("float", "int", "list") and c.name not in _SETTINGS
    ]
    return relate(reconcile(store.load([c.name for c in names], single=single)))


def _labels(options: InferOptions, paths: pd.Series) -> tuple[list[Any], list[str]]:
    """Patterns of the file of labels, and what there is to say of it."""
    from auditor.infer.comparisons import labels_from_csv, unmatched

    if options.labels_csv is None:
        return [], []
    patterns, problems = labels_from_csv(options.labels_csv.read_text(encoding="utf-8"))
    notices = problems or ([] if patterns else [f"labels: {options.labels_csv} holds none"])
    unmatched_patterns = [
        f"'{pattern}' for '{label}'" for pattern, label in unmatched(paths, patterns)
    ]
    if unmatched_patterns:
        more = (
            f" and {len(unmatched_patterns) - FEW_LOST} more"
            if len(unmatched_patterns) > FEW_LOST
            else ""
        )
        notices.append(f"labels: no file matches {', '.join(unmatched_patterns[:FEW_LOST])}{more}")
    return list(patterns), list(notices)


def _unread_notice(unread: Sequence[tuple[str, str]]) -> list[str]:
    if not unread:
        return []
    first = unread[0][0]
    what = first if len(unread) == 1 else f"{len(unread)} folders, such as {first},"
    return [
        f"{what} could not be read: pictures in there that no earlier run measured are missing; "
        "make what is closed readable, then run again"
    ]


def _elsewhere_notice(paths: pd.Series, archives: Sequence[str]) -> list[str]:
    """Frames of the store that lie in none of the archives; a run adds to what is there."""
    from auditor.crawl.names import path_prefixes, shown_root

    roots = [shown_root(archive) for archive in archives]
    other = int((~(paths.isin(roots) | paths.str.startswith(path_prefixes(roots)))).sum())
    if not other:
        return []
    return [
        f"the profile covers all that was ever measured into this output folder: {other:,} of its "
        f"{len(paths):,} frames come from other folders than the one{'s' * (len(roots) > 1)} given; "
        "a new output folder keeps them apart"
    ]
