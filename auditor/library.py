"""The library: measure files, scan an archive, load its frames, infer a profile, report it.

Tables are pandas DataFrames with a row per file, in the columns of `record.COLUMNS`: lengths in mm, times
in s, MTF50 in cycles per pixel (`_cpp`), noise in 8-bit code values (`_code8`). The command line is made
of these functions. The archive is only ever read.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from auditor.audit import InferOptions, chosen_gear, infer_frames, load_frames
from auditor.open_files import atomic_write

if TYPE_CHECKING:
    import pandas as pd

    from auditor.engine import Progress, ScanOptions, ScanSummary
    from auditor.store import Store

__all__ = ["NoArchiveError", "Profile", "load", "measure", "profile", "report", "scan"]

Place = str | os.PathLike[str]

_FROM: Final = "output_folder"
"""Key of `DataFrame.attrs`: the folder that a table was loaded from."""
_DAMAGE: Final = "damage"
"""Key of `DataFrame.attrs`: one line for every part of the store that could not be read, and for every name in
gear.toml that stands for none."""


class NoArchiveError(FileNotFoundError):
    """An archive is not there; the message is one line in plain words."""


class Profile(dict[str, Any]):
    """What an archive says of its gear: the dict of `profile.json`, with the table behind it.

    Attributes
    ----------
    frames : pandas.DataFrame
        The frames that were looked at, with a verdict on each: `judged`, `soft`, `noisy` (bool), `cause`,
        `probability` (that it is soft, 0 to 1), `expected_cpp` and `measured_cpp` (cycles per pixel; missing
        where streaks alone tell the fault), and the photographer's `answer`.
    out : pathlib.Path or None
        The output folder that the frames were loaded from.
    """

    def __init__(self, made: Mapping[str, Any], frames: pd.DataFrame, out: Path | None) -> None:
        super().__init__(made)
        self.frames = frames
        self.out = out


def measure(
    files: Place | Sequence[Place],
    *,
    workers: int | None = None,
    options: ScanOptions | None = None,
) -> pd.DataFrame:
    """Measure single files; nothing is written.

    Parameters
    ----------
    files : path or sequence of paths
        Pictures; a folder stands for the pictures in it.
    workers : int, optional
        Decoder processes; one per core when not given.
    options : auditor.engine.ScanOptions, optional
        Limits of time (s), memory (MB) and size (pixels) for each file.

    Returns
    -------
    pandas.DataFrame
        A row per file, in the order given, with the columns of `record.COLUMNS`. A file that can't be
        measured, or isn't there, has `status` 'set-aside' and the `reason`; figures that could not be
        measured are missing.

    Raises
    ------
    OSError
        When no decoder process can be started.

    Examples
    --------
    >>> frames = auditor.measure("pictures/frames/2024-05-01 Here/IMG_0105.jpg")
    >>> frames[["status", "lens", "f_number"]].to_dict("records")
    [{'status': 'measured', 'lens': 'Tarn 35mm f/2', 'f_number': 2.0}]
    """
    from auditor.engine import measure_files
    from auditor.store import to_frame

    with closing(measure_files(_names(files), workers=workers, options=options)) as rows:
        found = list(rows)
    table = to_frame(found)
    # The store sorts its rows by path; who names files wants them in the order named.
    order = {path: place for place, path in enumerate(dict.fromkeys(r["path"] for r in found))}
    return table.sort_values("path", key=lambda p: p.map(order), ignore_index=True)


def scan(
    archive: Place | Sequence[Place],
    out: Place,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    options: ScanOptions | None = None,
    without_folders: Sequence[str] = (),
    progress: Callable[[Progress], None] | None = None,
) -> ScanSummary:
    """Find, identify, measure and remember every frame of an archive that is not known yet.

    Parameters
    ----------
    archive : path or sequence of paths
        Folders with pictures; only read.
    out : path
        Output folder; the measurements go into `out/store`. Never inside an archive. Scanned into
        again it is brought up to date: frames that have not changed are not read again.
    workers : int, optional
        Worker processes; one per core when not given.
    cluster : str, optional
        Address of a Dask scheduler that takes the work instead.
    options : auditor.engine.ScanOptions, optional
        Limits of time (s), memory (MB) and size (pixels) for each file.
    without_folders : sequence of str
        Names or patterns of folders that are not read, beside those that `out/gear.toml` leaves out.
    progress : callable, optional
        Called now and then with an `auditor.engine.Progress`.

    Returns
    -------
    auditor.engine.ScanSummary
        How many files were found, measured, set aside and why.

    Raises
    ------
    FileNotFoundError
        When the archive is not there.
    ValueError
        `OutputError` when `out` lies inside the archive or can't be written; `OptionError` when
        `gear.toml` can't be used.
    RuntimeError
        `ScanError`, `StoreBusy` or `StoreError`: the scan could not begin, or ended early. What was
        measured until then is kept.

    Examples
    --------
    >>> summary = auditor.scan("pictures", "gear-profile", workers=1)
    >>> summary.found, summary.measured, summary.set_aside
    (9, 8, 1)
    """
    from auditor.crawl import find_files
    from auditor.crawl.names import root_name
    from auditor.engine import scan as carry
    from auditor.gear.gear_file import idle_folders, in_folder
    from auditor.output import prepare_output, remember_archives
    from auditor.store import Store

    archives = _names(archive)
    given = [root_name(name) for name in archives]
    for name, root in zip(archives, given, strict=True):
        if "://" not in root and not os.path.exists(root):
            raise NoArchiveError(f"there is no folder or file {name}; check the path")
    target = prepare_output(Path(out), archives)
    left_out: Sequence[str] = ()
    folders: set[str] = set()

    def find(roots: Sequence[str | Path]) -> Iterator[Any]:
        for found in find_files(roots):
            folder = found.path.rpartition("/")[0]
            if left_out:
                folders.add(folder)
            if not left_out or not in_folder(folder, left_out, given):
                yield found

    with Store(target / "store") as store:
        remember_archives(target, archives)
        left_out = chosen_gear(target, InferOptions(without_folders=without_folders)).no_folders
        summary = carry(
            archives,
            store,
            workers=workers,
            cluster=cluster,
            options=options,
            progress=progress,
            find=find,
        )
    summary.notices += idle_folders(left_out, folders, given)
    return summary


def load(out: Place, *, every_column: bool = False) -> pd.DataFrame:
    """The frames of an output folder, related and reconciled: what a profile is made of.

    Parameters
    ----------
    out : path
        Output folder of a scan.
    every_column : bool
        Also load what no inference reads for all frames (edge counts, notes).

    Returns
    -------
    pandas.DataFrame
        A row per file, sorted by path. Beside measurements and settings: `capture` (int; files of one
        exposure share it), `best` (bool; the one file of a capture that counts), `burst` and `outing`
        (int). Names, scale and kind of file are settled over all frames; names of `gear.toml` stand in
        place of those in the files. `attrs` say where the table came from.

    Raises
    ------
    FileNotFoundError
        When there is no measurement store.
    RuntimeError
        `StoreError` when the store can't be read.
    ValueError
        `OptionError` when `gear.toml` can't be used.

    Examples
    --------
    >>> frames = auditor.load("gear-profile")
    >>> frames.groupby("outing")["capture"].nunique().to_dict()
    {0: 3, 1: 4}
    """
    folder = Path(out).expanduser()
    store = _store_of(folder)
    if store is None:
        raise FileNotFoundError(f"no measurement store in {folder}; scan an archive into it first")
    gear = chosen_gear(folder, InferOptions())
    found = load_frames(store, every_column)
    frames = gear.renamed(found)
    told = [*store.warnings, *gear.unknown_names(found)]
    frames.attrs |= {_FROM: str(folder), _DAMAGE: told}
    return frames


def profile(
    frames: pd.DataFrame,
    options: InferOptions | None = None,
    *,
    out: Place | None = None,
    archives: Sequence[str] = (),
) -> Profile:
    """Infer what the frames say of every lens and body; no picture is read.

    Parameters
    ----------
    frames : pandas.DataFrame
        From `load`, or a part of its rows; or from `measure`, which is related and reconciled here.
    options : auditor.audit.InferOptions, optional
        Thresholds and restrictions. With a restriction (`lens`, `since` ...) bodies are still judged by
        all rows of `frames`; rows that are not in the table count for nothing.
    out : path, optional
        Output folder from which `gear.toml`, answers and small pictures come: that which `frames` was
        loaded from when not given.
    archives : sequence of str
        The folders just scanned; a notice says how many frames come from elsewhere.

    Returns
    -------
    Profile
        A dict with the keys of `profile.json`; every figure has its unit in its key, `low` and `high`
        bound a 90% interval. Its attribute `frames` holds the verdict on each frame.

    Raises
    ------
    TypeError
        When `frames` is no table.
    ValueError
        `OptionError` when no measured frame meets the restrictions, or none tells how noisy what is
        accepted looks.

    Examples
    --------
    >>> profile = auditor.profile(auditor.load("gear-profile"))
    >>> profile["frames"]
    {'found': 9, 'measured': 8, 'set_aside': 1, 'copies': 2}
    >>> [lens["lens"] for lens in profile["lenses"]]
    ['Tarn 35mm f/2']
    """
    import pandas as pd

    from auditor.crawl import relate
    from auditor.settings import reconcile

    if not isinstance(frames, pd.DataFrame):
        raise TypeError(
            f"a profile is made of the table that auditor.load gives, not of {frames!r}"
        )
    options = options or InferOptions()
    archives = [archives] if isinstance(archives, str) else archives
    origin = out if out is not None else frames.attrs.get(_FROM)
    folder = None if origin is None else Path(origin).expanduser()
    damage = frames.attrs.get(_DAMAGE, [])
    if "outing" not in frames:
        frames = relate(reconcile(frames))
    frames = frames.copy(deep=False)
    frames.attrs = {}  # tables made of it shall not carry paths of this machine
    store = None if folder is None else _store_of(folder)
    made, looked_at = infer_frames(frames, options, chosen_gear(folder, options), store, archives)
    made["notices"] = [*damage, *made["notices"]]
    return Profile(made, looked_at, folder)


def report(profile: Mapping[str, Any], out: Place, frames: pd.DataFrame | None = None) -> Path:
    """Write what a person reads: `report.html`, `card.html`, `tables/` and `profile.json`.

    All of them are written, or none. Small pictures come from the store that the profile was made
    from; for a plain dict from that in `out`.

    Parameters
    ----------
    profile : Profile or mapping
        From `profile`, or read from a `profile.json`.
    out : path
        Folder to write into; made where it is not there. Never inside an archive.
    frames : pandas.DataFrame, optional
        The frames behind the figures, for the page and the table of frames; those of `profile` when not
        given.

    Returns
    -------
    pathlib.Path
        The report page.

    Raises
    ------
    TypeError
        When `profile` is no mapping.
    ValueError
        `OutputError` when `out` lies inside an archive that the profile was made from.
    OSError
        When it can't be written; what was there is kept.

    Examples
    --------
    >>> page = auditor.report(auditor.profile(auditor.load("gear-profile")), "gear-profile")
    >>> page.name
    'report.html'
    """
    from auditor.output import outside_archives, real_place
    from auditor.report.write import write_profile, write_report

    if not isinstance(profile, Mapping):
        kind = type(profile).__name__
        raise TypeError(f"a report is made of what auditor.profile gives, not of a {kind}")
    target = real_place(Path(out))
    source = target
    if isinstance(profile, Profile):
        frames = profile.frames if frames is None else frames
        source = profile.out or target
    outside_archives([target, target / "tables"], source)
    target.mkdir(parents=True, exist_ok=True)
    store = _store_of(source)
    with atomic_write(target) as beside:
        write_report(profile, frames, None if store is None else store.pictures, beside)
        write_profile(profile, beside / "profile.json")
    return target / "report.html"


def _store_of(folder: Path) -> Store | None:
    """The measurement store of an output folder, or None. Raises StoreError."""
    from auditor.store import Store

    place = folder / "store"
    return Store(place) if place.is_dir() else None


def _names(files: Place | Sequence[Place]) -> list[str]:
    several = [files] if isinstance(files, str | os.PathLike) else files
    return [os.fspath(file) for file in several]
