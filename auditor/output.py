"""The output folder: it must take files, and be no part of an archive; and what was made of unchanged input is not
made again.

A key is taken of all that a profile and its report follow from: the store's parts (whose names carry
the checksum of what they hold), what was asked for, and the program. It is kept beside the store with
the size and time of every file written; while all of that is as it was, the profile on disk stands.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from auditor.crawl.mounts import overlap
from auditor.crawl.names import root_name
from auditor.open_files import write_file

__all__ = [
    "OutputError",
    "archives_of",
    "outside_archives",
    "prepare_output",
    "real_place",
    "remember_archives",
    "unless_unchanged",
]

ARCHIVES_FILE: Final = "archives.json"
"""In the store: the folders that were ever measured into it."""
_WRITTEN: Final = (
    "store",
    "store/frames",
    "store/pictures",
    "store/damaged",
    "store/scratch",
    "tables",
)
"""Folders inside the output folder that are written into."""


class OutputError(ValueError):
    """The output folder can't be used; the message is one line in plain words."""


def real_place(folder: Path) -> Path:
    """A folder as an absolute path without links; one in a circle of links stays as it is and can't be made.

    Parameters
    ----------
    folder : pathlib.Path
        There or not yet; '~' is the home folder.

    Returns
    -------
    pathlib.Path
        Where writing into it leads.
    """
    return Path(os.path.realpath(folder.expanduser()))


def prepare_output(out: Path, archives: Sequence[str]) -> Path:
    """Make the output folder, and make sure that no place written is part of an archive.

    Parameters
    ----------
    out : pathlib.Path
        Output folder, there or not yet.
    archives : sequence of str
        Folders, files or addresses that are read; addresses are passed over.

    Returns
    -------
    pathlib.Path
        The output folder as an absolute path without links.

    Raises
    ------
    OutputError
        When it lies inside an archive or can't be written.
    """
    target = real_place(out)
    # Links and mounts at or above any place written would lead the writing elsewhere.
    _need_outside([target, *(target / part for part in _WRITTEN)], map(root_name, archives))
    if target.exists() and not target.is_dir():
        raise OutputError(f"the output folder {out} is a file; choose a folder")
    try:
        target.mkdir(parents=True, exist_ok=True)
        tempfile.TemporaryFile(dir=target).close()
    except OSError as error:
        why = error.strerror or str(error)
        raise OutputError(
            f"the output folder {out} can't be written: {why}; choose another"
        ) from error
    return target


def remember_archives(out: Path, archives: Sequence[str]) -> None:
    """Add archives to those known to be measured into `out`, so that nothing is written into them later.

    Also puts an example of gear.toml there, unless there is one.

    Parameters
    ----------
    out : pathlib.Path
        Output folder; it exists.
    archives : sequence of str
        Folders, files or addresses just given.

    Raises
    ------
    OutputError
        When the folder can't be written.
    """
    from auditor.crawl.names import shown_root
    from auditor.gear.gear_file import write_example

    known = {*archives_of(out), *(shown_root(a) for a in archives)}
    try:
        (out / "store").mkdir(exist_ok=True)
        text = json.dumps(sorted(known), indent=1) + "\n"
        write_file(out / "store" / ARCHIVES_FILE, text.encode(), durable=True)
        write_example(out)
    except OSError as error:
        why = error.strerror or str(error)
        raise OutputError(f"the output folder {out} can't be written: {why}") from error


def archives_of(out: Path) -> list[str]:
    """The archives known to be measured into an output folder.

    Parameters
    ----------
    out : pathlib.Path
        Output folder.

    Returns
    -------
    list of str
        As stored paths begin; none where they are not known.
    """
    try:
        known = json.loads((out / "store" / ARCHIVES_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [str(a) for a in known] if isinstance(known, list) else []


def outside_archives(folders: Iterable[Path], out: Path) -> None:
    """Make sure that no folder is part of any archive measured into `out`.

    Parameters
    ----------
    folders : iterable of pathlib.Path
        Folders that are to be written.
    out : pathlib.Path
        Output folder that remembers its archives.

    Raises
    ------
    OutputError
        When one of them lies inside such an archive.
    """
    from auditor.crawl.names import on_disk

    _need_outside(map(real_place, folders), map(on_disk, archives_of(out)))


def _need_outside(places: Iterable[Path], archives: Iterable[str]) -> None:
    folders = [archive for archive in archives if "://" not in archive]
    for place in places:
        for folder in folders:
            if overlap(str(place), folder):
                raise OutputError(
                    f"{place} lies inside the archive {folder}, which is never changed; choose a folder "
                    "outside it"
                )


_NOTE: Final = "profiled.json"
_NO_INPUT: Final = frozenset({_NOTE, "log.txt", "lock"})
"""Files of the store that no profile is made from."""


def unless_unchanged(
    out: Path, asked: Sequence[Any], contents: Iterable[Path], make: Callable[[], Mapping[str, Any]]
) -> Mapping[str, Any]:
    """Profile in `out` if store, program and what was asked are those it was made of, else a new one.

    Versions of libraries don't count: what they made stays as good as it was.

    Parameters
    ----------
    out : pathlib.Path
        The output folder, with `store` in it.
    asked : sequence
        What was asked for; its `repr` identifies it.
    contents : iterable of pathlib.Path
        Files named in it whose content counts.
    make : callable
        Makes the profile and writes it and all that belongs to it into `out`.

    Returns
    -------
    mapping
        The keys of `profile.json`.
    """
    try:
        key = _key(out / "store", asked, contents)
    except OSError:  # whoever makes the profile says what can't be read
        return make()
    note = out / "store" / _NOTE
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        before = json.loads(note.read_text(encoding="utf-8"))
        if before["key"] == key and before["written"] == _written(out):
            made = json.loads((out / "profile.json").read_text(encoding="utf-8"))
            if isinstance(made, dict):
                return made
    with contextlib.suppress(OSError):
        note.unlink(missing_ok=True)
    profile = make()
    if not profile.get("faults"):  # what broke once may not break again
        with contextlib.suppress(OSError):  # then it is made again the next time, no more
            kept = {"key": key, "written": _written(out)}
            note.write_text(json.dumps(kept), encoding="utf-8")
    return profile


def _key(store: Path, asked: Sequence[Any], contents: Iterable[Path]) -> str:
    """One text for store, program and what was asked. Raises OSError."""
    digest = hashlib.sha256(repr(asked).encode())
    for path in contents:
        digest.update(path.read_bytes())
    # Parts are identified by name, size and time; the few small files are written anew by every run.
    for path in sorted(p for p in store.glob("*") if p.is_file() and p.name not in _NO_INPUT):
        digest.update(path.name.encode() + path.read_bytes())
    # What a first run compiles of the program is no other program.
    program = [f for f in _files(Path(__file__).parent.rglob("*")) if "__pycache__" not in f[0]]
    digest.update(repr((_files(store.glob("*/*.parquet")), program)).encode())
    return digest.hexdigest()


def _written(out: Path) -> list[list[Any]]:
    """What lies where a report is written: pages and profile, and the tables."""
    return [[*file] for pattern in ("*.*", "tables/*") for file in _files(out.glob(pattern))]


def _files(paths: Iterable[Path]) -> list[tuple[str, int, int]]:
    """(path, bytes, time of change in ns) of those that are files, sorted by path. Raises OSError."""
    found = []
    for path in paths:
        if path.is_file():
            stat = path.stat()
            found.append((str(path), stat.st_size, stat.st_mtime_ns))
    return sorted(found)
