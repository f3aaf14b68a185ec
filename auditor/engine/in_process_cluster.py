"""Dask within this process: scheduler and worker share its memory and listen on no port.

Every thread of the worker has a decoder process of its own (`decoder`) that it talks to over pipes. What
another user of the machine can't connect to, nobody can make run anything.
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any, Final

import dask
import distributed
from distributed.deploy.spec import SpecCluster

__all__ = ["cluster_in_process"]

_IN_MEMORY: Final = "inproc://"
_CONFIG: Final[dict[str, Any]] = {
    # A batch that took its worker down is split by us, rather than tried on worker after worker.
    "distributed.scheduler.allowed-failures": 0,
    # A machine that slept is not a machine whose workers died.
    "distributed.scheduler.worker-ttl": None,
    "distributed.admin.tick.limit": "1h",
    # Watching itself took a twentieth of the cores: a hundred samples of its stack and fifty ticks a
    # second, of which nobody reads anything.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.system-monitor.disk": False,
    "distributed.worker.use-file-locking": False,
    "distributed.diagnostics.nvml": False,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
}
"""Settings of Dask for a scan."""


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
    with dask.config.set(_CONFIG):
        return _made(threads, scratch)


def _made(threads: int, scratch: Path) -> SpecCluster:
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
