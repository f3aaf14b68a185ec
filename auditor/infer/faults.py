"""A lens or body whose frames break a stage of inference costs itself alone, and is named.

Nobody can foresee every combination of figures that real tags and pictures hold; a night's report must not
hang on the oddest of them. The usual path costs nothing: only where a stage fails are its parts tried one by
one.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

import pandas as pd

from auditor.model import Fault, fault_of

__all__ = ["Faults"]

Found = TypeVar("Found")
Entry = TypeVar("Entry", bound=Mapping[str, Any])


@dataclass
class Faults:
    """What could not be inferred.

    Attributes
    ----------
    found : list of Fault
        Dicts of `part` ("lens Tarn 35mm"), `stage` and `error`.
    traces : list of str
        Traceback of each, for the log.
    refused : tuple of exception types
        Errors that are meant for the caller; these pass.
    """

    found: list[Fault] = field(default_factory=list)
    traces: list[str] = field(default_factory=list)
    """The full story of each, for the log."""
    refused: tuple[type[Exception], ...] = ()
    """Errors that are meant for the caller; these pass."""

    def _note(self, part: str, stage: str, error: Exception) -> None:
        fault = fault_of(part, stage, error)
        if fault not in self.found:
            self.found.append(fault)
            self.traces.append("".join(traceback.format_exception(error)))

    def whole(self, stage: str, compute: Callable[[], Found], default: Found) -> Found:
        """Result of one stage, guarded.

        Parameters
        ----------
        stage : str
            Name of the stage, for the fault.
        compute : callable
            The stage, without arguments.
        default : object
            What stands in where it fails.

        Returns
        -------
        object
            What `compute` gives, or `default`.

        Raises
        ------
        Exception
            One of `refused`.
        """
        try:
            return compute()
        except self.refused:
            raise
        except Exception as error:
            self._note("the whole archive", stage, error)
            return default

    def by_column(
        self,
        stage: str,
        compute: Callable[[pd.DataFrame], Found],
        frames: pd.DataFrame,
        column: str,
        default: Found,
    ) -> tuple[Found, pd.DataFrame]:
        """Result of one stage; where it fails, without the lenses or bodies that break it.

        Parameters
        ----------
        stage : str
            Name of the stage, for the faults.
        compute : callable
            The stage, from a frame table.
        frames : DataFrame
            Frame table.
        column : str
            Column by which the table is cut: `lens` or `body`.
        default : object
            What stands in where no part is left.

        Returns
        -------
        result : object
            What `compute` gives, or `default`.
        frames : DataFrame
            The rows of which it was made.

        Raises
        ------
        Exception
            One of `refused`.
        """
        try:
            return compute(frames), frames
        except self.refused:
            raise
        except Exception as error:
            first = error
        names = frames[column].astype(object).where(frames[column].notna(), None)
        keep = pd.Series(True, index=frames.index)
        for name in pd.unique(names):
            named = names.isna() if name is None else names == name
            try:
                compute(frames[named])
            except Exception as error:
                self._note(f"{column} {name or 'without a name'}", stage, error)
                keep &= ~named
        rest = frames[keep]
        if not keep.all() and len(rest):
            return self.whole(stage, lambda: compute(rest), default), rest
        if keep.all():
            self._note("the whole archive", stage, first)
        return default, rest

    def by_entry(
        self,
        stage: str,
        compute: Callable[[list[Entry]], list[Found]],
        entries: Iterable[Entry],
        kind: str,
    ) -> list[Found]:
        """Results of one stage for entries of the profile; where it fails, for each by itself.

        Parameters
        ----------
        stage : str
            Name of the stage, for the faults.
        compute : callable
            The stage, from a list of entries to a list.
        entries : iterable of mapping
            Lenses or bodies of the profile.
        kind : str
            Key that holds an entry's name, `lens` or `body`.

        Returns
        -------
        list
            Results of the entries that do not break it.
        """
        entries = list(entries)
        try:
            return compute(entries)
        except Exception:
            out: list[Found] = []
            for entry in entries:
                try:
                    out += compute([entry])
                except Exception as error:
                    self._note(f"{kind} {entry.get(kind) or 'without a name'}", stage, error)
            return out
