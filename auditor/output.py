"""The output folder: it must take files, and be no part of an archive."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from auditor.crawl.mounts import overlap
from auditor.crawl.names import root_name
from auditor.open_files import write_file

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
    places = [target, *(target / part for part in _WRITTEN)]
    for archive in archives:
        name = root_name(archive)
        if "://" in name:
            continue
        root = Path(os.path.realpath(name))
        for place in places if root.is_dir() else ():
            if overlap(str(place), str(root)):
                inside = "" if place == target else f" (through {place.relative_to(target)})"
                raise OutputError(
                    f"the output folder {out} lies inside the archive {archive}{inside}, which is "
                    "never changed; choose a folder outside it"
                )
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

    roots = [
        (archive, os.path.realpath(on_disk(archive)))
        for archive in archives_of(out)
        if "://" not in archive
    ]
    for folder in folders:
        target = str(real_place(folder))
        for archive, root in roots:
            if overlap(target, root):
                raise OutputError(
                    f"{folder} lies inside the archive {archive}, which is never changed; choose a "
                    "folder outside it"
                )
