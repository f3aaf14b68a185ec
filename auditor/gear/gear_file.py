"""The small settings file `gear.toml` of an output folder: the user's gear, what is left out, own names."""

from __future__ import annotations

import fnmatch
import os
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, get_args

from auditor.error_text import one_line
from auditor.record import Source

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FILE_NAME",
    "KINDS",
    "Chosen",
    "GearFileError",
    "idle_folders",
    "in_folder",
    "names_one_of",
    "read_chosen",
    "write_example",
]

FILE_NAME: Final = "gear.toml"
KINDS: Final[tuple[str, ...]] = get_args(Source)
"""Kinds of file, as the settings room names them."""

_EXAMPLE: Final = """\
# Which gear is yours. Everything here may stay as it is: then use decides.
# Names are parts of the names in your files, capital or small letters alike.

[mine]
bodies = []          # always yours, however seldom used: ["Fell Two"]
lenses = []
phones = false       # true: phones, and drones and others as small with one aperture, count like other cameras

[leave-out]          # not looked at in the profile
bodies = []          # borrowed or sold: ["Lent"]
lenses = []
folders = []         # names or patterns of folders: ["scans", "2019/*/export"]
kinds = []           # of raw, camera, edited, resized, unknown: ["edited", "resized"]

[names]              # names of your own: "whole name in the files" = "your name for it"
"""


class GearFileError(ValueError):
    """The settings file can't be used; the message is one line in plain words."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """What the photographer said of the gear; empty where use decides.

    Attributes
    ----------
    my_bodies, my_lenses : tuple of str
        Parts of names that count as in use however seldom.
    phones : bool
        Whether phones count like other cameras.
    no_bodies, no_lenses : tuple of str
        Parts of names that are left out.
    no_folders : tuple of str
        Names or patterns (`*`, `?`) of folders that are left out.
    no_kinds : tuple of str
        Kinds of file that are left out.
    names : mapping of str to str
        Name in the files -> name to use for it.
    """

    my_bodies: tuple[str, ...] = ()
    my_lenses: tuple[str, ...] = ()
    phones: bool = False
    no_bodies: tuple[str, ...] = ()
    no_lenses: tuple[str, ...] = ()
    no_folders: tuple[str, ...] = ()
    no_kinds: tuple[str, ...] = ()
    names: Mapping[str, str] = field(default_factory=dict)

    def plus(self, **more: Sequence[str] | bool) -> Chosen:
        """The choice with what the command line adds.

        Parameters
        ----------
        **more : sequence of str or bool
            Fields by name; sequences are appended, True sets a flag, empty ones change nothing.

        Returns
        -------
        Chosen
            A new one.
        """
        given = {k: v for k, v in more.items() if v}
        added: Any = {k: v if v is True else (*getattr(self, k), *v) for k, v in given.items()}
        return replace(self, **added)

    def renamed(self, frames: pd.DataFrame) -> pd.DataFrame:
        """The frame table with names of the photographer's own.

        Parameters
        ----------
        frames : DataFrame
            Columns `body` and `lens`.

        Returns
        -------
        DataFrame
            The same one where no name is given.
        """
        if not self.names:
            return frames
        changed = {c: frames[c].replace(self._own_names(frames[c])) for c in ("body", "lens")}
        return frames.assign(**changed)

    def unknown_names(self, frames: pd.DataFrame) -> list[str]:
        """Tell which names of the photographer's own stand for a name that no frame has.

        Parameters
        ----------
        frames : DataFrame
            Columns `body` and `lens`, not yet renamed.

        Returns
        -------
        list of str
            A line for each.
        """
        known = {str(n).casefold() for c in ("body", "lens") for n in frames[c].dropna().unique()}
        return [
            f"no body or lens is called '{name}', so '{own}' in {FILE_NAME} names none; the whole name is "
            "needed there"
            for name, own in self.names.items()
            if name.strip().casefold() not in known
        ]

    def _own_names(self, column: pd.Series) -> dict[str, str]:
        """Name in the column -> name to use for it; exact spelling before other capital or small letters."""
        alike = {name.strip().casefold(): own for name, own in self.names.items()}
        names = [str(n) for n in column.dropna().unique() if str(n).casefold() in alike]
        return {n: self.names.get(n, alike[n.casefold()]) for n in names}

    def included(self, frames: pd.DataFrame, archives: Sequence[str] = ()) -> pd.Series:
        """Which rows are included.

        Parameters
        ----------
        frames : DataFrame
            Columns `body`, `lens`, `path`, `source`.
        archives : sequence of str
            Folders that were scanned, as stored paths begin; see `in_folder`.

        Returns
        -------
        Series of bool
            With the index of `frames`.
        """
        import pandas as pd

        keep = pd.Series(True, index=frames.index)
        for column, parts in (("body", self.no_bodies), ("lens", self.no_lenses)):
            if parts:
                keep &= ~names_one_of(frames[column], parts)
        if self.no_folders:
            folders = frames["path"].astype("object").str.rpartition("/")[0]
            bad = {f: in_folder(f, self.no_folders, archives) for f in folders.unique()}
            keep &= ~folders.map(bad).astype(bool)
        if self.no_kinds:
            keep &= ~frames["source"].isin(self.no_kinds)
        return keep

    def words(self) -> str:
        """What is left out, in plain words.

        Returns
        -------
        str
            '' where nothing is.
        """
        left_out = (
            ("bodies", self.no_bodies), ("lenses", self.no_lenses), ("folders", self.no_folders),
            ("kinds of file", self.no_kinds),
        )  # fmt: skip
        return "; ".join(f"{what} {', '.join(names)}" for what, names in left_out if names)


def names_one_of(column: pd.Series, parts: Sequence[str]) -> pd.Series:
    """Whether each name contains one of some parts.

    Parameters
    ----------
    column : Series of str
        Names; missing ones contain nothing.
    parts : sequence of str
        Capital or small letters alike.

    Returns
    -------
    Series of bool
        With the index of `column`.
    """
    text = column.astype("object").fillna("").str.casefold()
    found = text.isna()
    for part in parts:
        found |= text.str.contains(part.strip().casefold(), regex=False)
    return found


def in_folder(folder: str, patterns: Sequence[str], archives: Sequence[str] = ()) -> bool:
    """Whether a folder, or one it lies in, fits a pattern.

    A pattern without a slash is the name of one folder at any depth; one with slashes fits the ends of paths,
    or the whole path where it begins with one. What an archive itself is called, or lies in, fits the latter
    alone: whoever gives a folder means what is in it.

    Parameters
    ----------
    folder : str
        Path with slashes.
    patterns : sequence of str
        With * and ?; a leading ~ is the home folder.
    archives : sequence of str
        Folders that were given to be read.

    Returns
    -------
    bool
        True where one fits.
    """
    steps = folder.split("/")
    given = [a.rstrip("/") for a in archives]
    above = min((a.count("/") + 1 for a in given if f"{folder}/".startswith(f"{a}/")), default=0)
    for pattern in patterns:
        wanted = os.path.expanduser(pattern).rstrip("/")
        many = wanted.count("/") + 1
        for end in range(1 if wanted.startswith("/") else above + 1, len(steps) + 1):
            begin = 0 if wanted.startswith("/") else max(end - many, 0)
            if fnmatch.fnmatchcase("/".join(steps[begin:end]), wanted):
                return True
    return False


def idle_folders(
    patterns: Sequence[str], folders: Iterable[str], archives: Sequence[str]
) -> list[str]:
    """Tell which patterns of folders to leave out fit no folder.

    Parameters
    ----------
    patterns : sequence of str
        As of `in_folder`.
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


def _texts(table: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
    found = table.get(key, [])
    if not isinstance(found, list) or not all(isinstance(v, str) and v.strip() for v in found):
        raise GearFileError(f'{where}: {key} needs a list of names in quotes, such as ["Name"]')
    return tuple(found)


def read_chosen(folder: Path) -> Chosen:
    """What `gear.toml` in an output folder says.

    Parameters
    ----------
    folder : Path
        The output folder.

    Returns
    -------
    Chosen
        An empty one where there is no such file.

    Raises
    ------
    GearFileError
        When it can't be read or holds what nothing is known of.
    """
    path = folder / FILE_NAME
    try:
        with path.open("rb") as file:
            read = tomllib.load(file)
    except FileNotFoundError:
        return Chosen()
    except (OSError, ValueError) as error:
        raise GearFileError(f"{path} can't be read: {one_line(error)}") from error
    known = {
        "mine": {"bodies", "lenses", "phones"},
        "leave-out": {"bodies", "lenses", "folders", "kinds"},
        "names": None,
    }
    tables: dict[str, Mapping[str, Any]] = {}
    for name in known:
        table = read.get(name, {})
        if not isinstance(table, dict):
            raise GearFileError(f"{path}: {name} needs to be a heading, [{name}]")
        tables[name] = table
    unknown = [k for k in read if k not in known]
    unknown += [k for t, keys in known.items() if keys for k in tables[t] if k not in keys]
    if unknown:
        raise GearFileError(f"{path}: nothing is known of '{unknown[0]}'; see its first lines")
    own, excluded, names = tables["mine"], tables["leave-out"], tables["names"]
    if not isinstance(own.get("phones", False), bool):
        raise GearFileError(f"{path}: phones is true or false")
    if not all(isinstance(v, str) and v.strip() for v in names.values()):
        raise GearFileError(
            f'{path}: a name of your own needs quotes: "name in the files" = "mine"'
        )
    kinds = _texts(excluded, "kinds", str(path))
    for kind in kinds:
        if kind not in KINDS:
            raise GearFileError(
                f"{path}: '{kind}' is no kind of file; there are {', '.join(KINDS)}"
            )
    return Chosen(
        _texts(own, "bodies", str(path)), _texts(own, "lenses", str(path)),
        bool(own.get("phones", False)), _texts(excluded, "bodies", str(path)),
        _texts(excluded, "lenses", str(path)), _texts(excluded, "folders", str(path)), kinds, dict(names),
    )  # fmt: skip


def write_example(folder: Path) -> None:
    """Put a `gear.toml` that changes nothing into the output folder, unless one is there.

    Parameters
    ----------
    folder : Path
        The output folder, which exists.
    """
    path = folder / FILE_NAME
    if not path.exists():
        path.write_text(_EXAMPLE, encoding="utf-8")
