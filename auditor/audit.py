"""The whole path, stage by stage: scan an archive, infer its profile, write what a person reads.

Every stage stands alone on what the one before it left on disk, so that a profile can be inferred
again, with other thresholds or for a part of the frames, without reading a picture.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from auditor.record import COLUMNS, Settings
from auditor.together import together

if TYPE_CHECKING:
    import pandas as pd

    from auditor.engine import Progress, ScanOptions, ScanSummary
    from auditor.gear import Chosen
    from auditor.infer.criteria import Criteria
    from auditor.store import Store

_UNREAD: Final = re.compile(
    r"^(sharpest|weakest)_(x|y|width|height)$|^weakest_|_(edges|method)$|^notes$"
    r"|^(centre|middle)_lateral|_(gain|read_noise)_|_stderr(_e)?$(?<!ratio_stderr)|_patches$"
    r"|^(overshoot|in_focus|grain_px|sigma_output_code8|clipped_share|banding)$"
    r"|^(sharpness_note|noise_note|flash|fringe_strength|size_bytes|mtime_ns|written_.*|exposure_bias_ev)$"
)
"""Columns that no inference reads for every frame: left on disk, they spare most of the memory."""
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
    "meanwhile",
    "profile_of",
    "scan_archive",
    "write_all",
]


class OptionError(ValueError):
    """What was asked for can't be had from this archive; the message is one line in plain words."""


@dataclass(frozen=True, slots=True)
class InferOptions:
    """What a profile is made of, beside the store.

    Attributes:
        criteria: thresholds; None for the usual ones.
        rating, since, body, lens: restrict the profile to a part of the frames.
        labels_csv: file of patterns and labels.
        accept: texts 'BODY:ISO:BAND': noise that the photographer accepts.
        without_bodies, without_lenses, without_folders, without_kinds, phones: as `gear.Chosen`,
            beside what gear.toml says.
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


def scan_archive(
    archives: Sequence[str],
    out: Path,
    *,
    without_folders: Sequence[str] = (),
    workers: int | None,
    cluster: str | None,
    options: ScanOptions,
    progress: Callable[[Progress], None] | None,
) -> ScanSummary:
    """Find, identify, measure and remember every frame that the store does not know yet.

    Folders in `without_folders`, and those that gear.toml leaves out, are not read. Raises OptionError
    when gear.toml can't be used.
    """
    from auditor.crawl import find_files
    from auditor.engine import scan
    from auditor.gear.chosen import in_folder
    from auditor.store import Store

    gear = _chosen_gear(out, InferOptions(without_folders=without_folders))

    def find(roots: Sequence[str | Path]) -> Iterator[Any]:
        for found in find_files(roots):
            if not gear.no_folders or not in_folder(
                str(found.path).rpartition("/")[0], gear.no_folders
            ):
                yield found

    return scan(
        list(archives),
        Store(out / "store"),
        workers=workers,
        cluster=cluster,
        options=options,
        progress=progress,
        find=find,
    )


def meanwhile(progress: Callable[[Progress], None]) -> Callable[[Progress], None]:
    """`progress`, and once workers measure, the later stages are made ready beside it.

    This process has nothing else to do then; later everything would wait for them.
    """
    begun = False

    def show(state: Progress) -> None:
        nonlocal begun
        if state.rate and not begun:
            begun = True
            threading.Thread(target=_ready_later_stages, daemon=True).start()
        progress(state)

    return show


def _ready_later_stages() -> None:
    import_module("auditor.infer.profile")
    import_module("auditor.report").prepare()


def profile_of(
    store_folder: Path, options: InferOptions, archives: Sequence[str] = ()
) -> tuple[dict[str, Any], pd.DataFrame]:
    """Infer the profile of a store; also give back the frame table that it was made from.

    The store may hold more than the `archives` just scanned; how much, a notice says.

    Raises:
        OptionError: when no measured frame meets the restrictions, or none tells how noisy what is
            accepted looks.
    """
    from auditor.crawl import Selection
    from auditor.engine.runlog import RunLog
    from auditor.gear import gear_in_use
    from auditor.infer.alone import Faults
    from auditor.infer.bodies import AcceptError
    from auditor.infer.criteria import Criteria
    from auditor.infer.profile import infer_profile
    from auditor.store import Store
    from auditor.store.answers import read_answers

    store = Store(store_folder)
    gear = _chosen_gear(store_folder.parent, options)
    frames = gear.renamed(_load(store))
    aside = (frames["status"] == "set-aside").to_numpy(bool)
    best = frames["best"].to_numpy(bool)
    counts = {
        "found": len(frames),
        # A file whose exposure is measured on a better file is measured by that.
        "measured": int((~aside).sum()),
        "set_aside": int(aside.sum()),
        "copies": int((~aside & ~best).sum()),
    }
    selection = Selection(options.rating, options.since, options.body, options.lens)
    mine = gear.looked_at(frames).to_numpy(bool)
    wanted = mine & selection.matches(frames).to_numpy(bool)
    if counts["measured"] and not (mine & ~aside).any():
        raise OptionError(
            f"every frame is left out ({gear.words()}); see gear.toml and the options"
        )
    if counts["measured"] and not (wanted & ~aside).any():
        raise OptionError(selection.why_none(frames[~aside]))
    # What was set aside is told whatever is looked at: hardly any such file has names or stars.
    chosen = frames[wanted | aside].reset_index(drop=True)
    patterns, notices = _labels(options, frames["path"])
    faults = Faults(refused=(AcceptError,))
    in_use: dict[str, Any] = {}
    if (mine & ~aside).any():
        in_use = faults.whole("gear", lambda: gear_in_use(frames[mine & ~aside & best], gear), {})
    try:
        profile, verdicts = infer_profile(
            chosen,
            options.criteria or Criteria(),
            counts,
            pictures=store.pictures,
            patterns=patterns,
            accept=options.accept,
            # What a body can do does not change with the part of the archive that is looked at.
            every=frames[mine | aside] if selection.given() else None,
            gear=in_use,
            answers=read_answers(store_folder),
            faults=faults,
        )
    except AcceptError as error:
        raise OptionError(str(error)) from error
    for name in VERDICTS:
        chosen[name] = verdicts[name].to_numpy()
    profile["gear"] |= {"left_out": gear.words(), "frames": int((mine & ~aside).sum())}
    profile["filter"] = None
    if selection.given():
        looked_at = {"frames": int((wanted & ~aside).sum()), "words": selection.words()}
        profile["filter"] = selection.given() | looked_at
    unread = store.unread()
    profile["unread_folders"] = [{"path": path, "reason": reason} for path, reason in unread]
    profile["notices"] = [
        *store.warnings,
        *notices,
        *_unread_notice(unread),
        *_fault_notices(profile["faults"]),
    ]
    for trace in faults.traces:
        RunLog(store.folder / "log.txt").line(trace)
    if archives:
        profile["notices"] += _elsewhere_notice(frames["path"], archives)
    return profile, chosen


def _fault_notices(faults: Sequence[Mapping[str, str]]) -> list[str]:
    return [
        f"{f['stage']}: {f['part']} is left out, for it broke the reckoning ({f['error']}); this is a "
        "fault of the program, and all else is told"
        for f in faults
    ]


def _chosen_gear(out: Path, options: InferOptions) -> Chosen:
    """What gear.toml and the options say together. Raises OptionError."""
    from auditor.gear import GearFileError, read_chosen

    try:
        said = read_chosen(out)
    except GearFileError as error:
        raise OptionError(str(error)) from error
    return said.plus(
        no_bodies=options.without_bodies,
        no_lenses=options.without_lenses,
        no_folders=options.without_folders,
        no_kinds=options.without_kinds,
        phones=options.phones,
    )


def _load(store: Store) -> pd.DataFrame:
    """Every frame of a store, with what inference reads for all of them."""
    from auditor.crawl import relate
    from auditor.settings import reconcile

    names = [c for c in COLUMNS if not _UNREAD.search(c.name)]
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
    lost = [f"'{pattern}' for '{label}'" for pattern, label in unmatched(paths, patterns)]
    if lost:
        more = f" and {len(lost) - FEW_LOST} more" if len(lost) > FEW_LOST else ""
        notices.append(f"labels: no file matches {', '.join(lost[:FEW_LOST])}{more}")
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
    from auditor.crawl.names import inside, shown_root

    roots = [shown_root(archive) for archive in archives]
    other = int((~(paths.isin(roots) | paths.str.startswith(inside(roots)))).sum())
    if not other:
        return []
    return [
        f"the profile covers all that was ever measured into this output folder: {other:,} of its "
        f"{len(paths):,} frames come from other folders than the one{'s' * (len(roots) > 1)} given; "
        "a new output folder keeps them apart"
    ]


def write_all(
    profile: Mapping[str, Any], frames: pd.DataFrame, store_folder: Path, out: Path
) -> None:
    """Write profile.json, the report page, the card and the tables, all of them or none.

    Raises OSError.
    """
    from auditor.report import write_profile, write_report
    from auditor.store import Store

    with together(out) as beside:
        write_report(dict(profile), frames, Store(store_folder).pictures, beside)
        write_profile(dict(profile), beside / "profile.json")
