"""Dask within this process: scheduler and worker share its memory and listen on no port.

Every thread of the worker has a decoder process of its own (`decoder`) that it talks to over pipes. What
another user of the machine can't connect to, nobody can make run anything.
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any, Final

import distributed
from distributed.deploy.spec import SpecCluster

__all__ = ["cluster_in_process"]

_IN_MEMORY: Final = "inproc://"


class _NoServer:
    """Stands where Dask keeps its web server."""

    def stop(self) -> None:
        """Nothing was started."""


class _Scheduler(distributed.Scheduler):
    def start_http_server(self, *args: Any, **more: Any) -> None:
        self.http_server: Any = _NoServer()


class _Worker(distributed.Worker):
    def start_http_server(self, *args: Any, **more: Any) -> None:
        self.http_server: Any = _NoServer()


def cluster_in_process(threads: int, scratch: Path) -> SpecCluster:
    """A scheduler and one worker of so many threads; `scratch` is a folder for the files of both, of
    which there are hardly any."""
    scheduler = {"protocol": _IN_MEMORY, "dashboard": False, "local_directory": str(scratch)}
    worker = {
        "protocol": _IN_MEMORY,
        "nthreads": threads,
        "memory_limit": 0,
        "local_directory": str(scratch),
        "silence_logs": logging.CRITICAL,
    }
    return SpecCluster(
        scheduler={"cls": _Scheduler, "options": scheduler},
        workers={0: {"cls": _Worker, "options": worker}},
        silence_logs=logging.CRITICAL,
    )
