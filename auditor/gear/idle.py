"""What was asked to be left out, or to count as the photographer's, and changes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from auditor.gear.gear_file import Chosen, in_folder, names_one_of

if TYPE_CHECKING:
    import pandas as pd


def idle(
    frames: pd.DataFrame, gear: Chosen, folders: Sequence[str], archives: Sequence[str]
) -> list[str]:
    """Tell what was asked for and fits nothing.

    Parameters
    ----------
    frames : DataFrame
        Columns `body`, `lens` and `path`, before anything is left out.
    gear : Chosen
        What is left out, and what is the photographer's; its folders aside.
    folders : sequence of str
        Patterns of folders to leave out.
    archives : sequence of str
        Folders that were scanned.

    Returns
    -------
    list of str
        A line for each.
    """
    found = frames["path"].astype("object").str.rpartition("/")[0].unique() if folders else ()
    return [*idle_names(frames, gear), *idle_folders(folders, list(found), archives)]


def idle_names(frames: pd.DataFrame, gear: Chosen) -> list[str]:
    """Tell which names of bodies and lenses no frame has.

    Parameters
    ----------
    frames : DataFrame
        Columns `body` and `lens`.
    gear : Chosen
        What is left out, and what is the photographer's.

    Returns
    -------
    list of str
        A line for each of these names.
    """
    from auditor.crawl.selection import NAMES

    out = []
    for column, parts, effect in (
        ("body", gear.no_bodies, "left out"),
        ("lens", gear.no_lenses, "left out"),
        ("body", gear.my_bodies, "made yours"),
        ("lens", gear.my_lenses, "made yours"),
    ):
        often = frames[column].value_counts()
        names = often.index.to_series()
        for part in dict.fromkeys(parts):
            if not names_one_of(names, [part]).any():
                used = ", ".join(str(n) for n in names[:NAMES]) or "none"
                out.append(
                    f"no {column} has '{part}' in its name, so none is {effect} by it; the most used "
                    f"{column} names are: {used}"
                )
    return out


def idle_folders(
    patterns: Sequence[str], folders: Iterable[str], archives: Sequence[str]
) -> list[str]:
    """Tell which patterns of folders to leave out fit no folder.

    Parameters
    ----------
    patterns : sequence of str
        As of `gear_file.in_folder`.
    folders : iterable of str
        Folders that pictures lie in.
    archives : sequence of str
        Folders that were given to be read.

    Returns
    -------
    list of str
        A line for each of these patterns.
    """
    return [
        f"no folder with pictures fits '{pattern}', so none is left out by it; capital and small letters "
        "differ there"
        for pattern in dict.fromkeys(patterns)
        if not any(in_folder(folder, [pattern], archives) for folder in folders)
    ]
