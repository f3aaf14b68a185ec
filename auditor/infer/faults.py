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
    """What could not be inferred: `found` has dicts of `part` ("lens Tarn 35mm"), `stage` and `error`."""

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

    def whole(self, stage: str, compute: Callable[[], Found], without: Found) -> Found:
        """What `compute` gives; `without` where it fails."""
        try:
            return compute()
        except self.refused:
            raise
        except Exception as error:
            self._note("the whole archive", stage, error)
            return without

    def by_column(
        self,
        stage: str,
        compute: Callable[[pd.DataFrame], Found],
        frames: pd.DataFrame,
        column: str,
        without: Found,
    ) -> tuple[Found, pd.DataFrame]:
        """What `compute` makes of the frames, and the frames it was made of: all of them, or where that
        fails those of the lenses or bodies (`column`) with which it does not."""
        try:
            return compute(frames), frames
        except self.refused:
            raise
        except Exception as error:
            first = error
        names = frames[column].astype(object).where(frames[column].notna(), None)
        keep = pd.Series(True, index=frames.index)
        for name in pd.unique(names):
            own = names.isna() if name is None else names == name
            try:
                compute(frames[own])
            except Exception as error:
                self._note(f"{column} {name or 'without a name'}", stage, error)
                keep &= ~own
        rest = frames[keep]
        if not keep.all() and len(rest):
            return self.whole(stage, lambda: compute(rest), without), rest
        if keep.all():
            self._note("the whole archive", stage, first)
        return without, rest

    def by_entry(
        self,
        stage: str,
        compute: Callable[[list[Entry]], list[Found]],
        entries: Iterable[Entry],
        kind: str,
    ) -> list[Found]:
        """What `compute` gives for all entries (lenses or bodies of the profile, named by their `kind`);
        where that fails, for each by itself."""
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
