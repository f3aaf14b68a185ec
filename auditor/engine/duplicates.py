"""Files whose whole content the store knows already: touched, moved, or copied."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..store.schema import path_key
from .options import Job

if TYPE_CHECKING:
    from ..store import Store
    from .plan import Planner

__all__ = ["Duplicates"]


class Duplicates:
    """Collects them until the walk has shown which of the known files are still there."""

    def __init__(self, store: Store, planner: Planner) -> None:
        self._store, self._planner = store, planner
        self._found: list[tuple[Job, dict[str, Any]]] = []

    def __len__(self) -> int:
        return len(self._found)

    def add(self, job: Job, own: dict[str, Any]) -> None:
        """A file of this job has the content that `own` tells (`file_id`, `sidecar_id`, ...)."""
        self._found.append((job, own))

    def resolve(self) -> tuple[list[tuple[int, Job, dict[str, Any]]], list[Job]]:
        """(known rows to be copied for files that moved or were touched, jobs for the others).

        A copy beside a known file that is still there is counted on it.
        """
        known, planner = self._planner.known, self._planner
        found, self._found = self._found, []
        copied: list[tuple[int, Job, dict[str, Any]]] = []
        others: list[tuple[Job, dict[str, Any], list[int]]] = []
        confirmed: set[int] = set()
        for job, own in found:
            rows = planner.same_content(own)
            own_key = path_key(job["path"])
            itself = [i for i in rows if int(known.key[i]) == own_key]
            if itself:
                copied.append((itself[0], job, own))
                confirmed.update(itself)
            else:
                others.append((job, own, rows))
        jobs: list[Job] = []
        on: list[tuple[Job, int]] = []
        for job, own, rows in others:
            there = [
                i
                for i in rows
                if known.measured[i]
                and planner.seen[i]
                and (not planner.renewed[i] or i in confirmed)
            ]
            if there:
                on.append((job, there[0]))
            elif rows:
                copied.append((rows[0], job, own))
            else:
                jobs.append(job | {"do": "measure", "same": []})
        paths = self._store.paths(known, [i for _, i in on])
        for (job, _), path in zip(on, paths, strict=True):
            what = {"do": "count", "on": path, "expect": None} if path else {"do": "measure"}
            jobs.append(job | {"same": []} | what)
        return copied, jobs
