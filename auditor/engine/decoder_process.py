"""The decoder process: reads one file after the other, measures it, sends the row back.

Decoders of pictures and metadata crash, hang and swallow memory on odd files, so they run here and
nowhere else. The process is started by `decoder.Decoder`, talks over its standard streams, and may die
at any moment without harm.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import traceback
from collections.abc import Callable
from hashlib import blake2b
from importlib import import_module
from typing import Any, BinaryIO, Final

from auditor.engine.file_bytes import Unreadable, place_reachable, read, read_head, read_sidecar
from auditor.engine.messages import (
    FileRow,
    Identity,
    Job,
    Measured,
    marks_of,
    receive,
    send,
    wanted_memory,
)
from auditor.engine.options import ScanOptions
from auditor.error_text import one_line
from auditor.record import PICTURE_COLUMNS, FrameRecord, to_row
from auditor.units import MB, MINUTE_S

__all__ = ["main"]

IDLE_S: Final = 30.0 * MINUTE_S
"""A decoder that nobody asked for anything for so long ends itself."""
IDENTIFY_S: Final = 10.0
"""Tags take milliseconds. A file that hangs their reader gets its full time when it is measured."""
ID_BYTES: Final = 16
"""Of the hash of a file's content: two contents never share one by chance."""
GLANCES: Final = (MB // 4, 4 * MB)
"""Bytes from a file's beginning in which its tags are looked for before the whole is read."""


def _die_with_parent() -> None:
    """On Linux the kernel ends this process when the worker that started it dies."""
    if sys.platform.startswith("linux"):
        import ctypes

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(1, signal.SIGKILL)


def _limit_memory(memory_mb: int) -> None:
    """Let allocations fail beyond what is in use now plus `memory_mb`; no core files."""
    try:
        import resource
    except ImportError:
        return
    import psutil

    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with contextlib.suppress(OSError, ValueError):
        limit = psutil.Process().memory_info().vms + memory_mb * MB
        resource.setrlimit(resource.RLIMIT_AS, (limit, resource.RLIM_INFINITY))


def _out_of_memory(error: BaseException) -> bool:
    text = str(error)
    return isinstance(error, MemoryError) or any(
        words in text for words in ("Failed to allocate", "Insufficient memory", "bad_alloc")
    )


def _load(name: str) -> Callable[..., Any]:
    module, _, function = name.partition(":")
    found = getattr(import_module(module), function)
    assert callable(found)
    return found


def _digest(data: bytes) -> str:
    return blake2b(data, digest_size=ID_BYTES).hexdigest()


class _Handler:
    """Does one job after the other. What comes back, by the job's `do`:

    - identify: ['tags', marks] | ['same', what is known of the content]
    - measure: ['row', row and pictures] | ['same', ...]
    - count: ['row', row]
    - and for all of them: ['unreadable', reason, whether its place answers, when to try again] |
      ['failed', reason, whether that may pass]
    """

    def __init__(self, options: ScanOptions, out: BinaryIO) -> None:
        self.options, self.out = options, out
        self.limit = options.max_file_mb * MB
        self.measure = _load(options.measure)
        self.identify = _load(options.identify)

    def handle(self, job: Job) -> list[Any]:
        """One job's answer; a message that its content was read goes before it."""
        try:
            if job["do"] == "identify" and not job["same"]:
                return self._identify_head(job)
            content = read(job["path"], self.limit, job["mtime_ns"])
        except Unreadable as error:
            reachable = error.retry != "soon" or place_reachable(job["path"], job["root"])
            return ["unreadable", str(error), reachable, error.retry]
        sidecar = read_sidecar(job["sidecar"])
        identity: Identity = {
            "file_id": _digest(content.data),
            "sidecar_id": None if sidecar is None else _digest(sidecar),
            "size_bytes": content.size_bytes,
            "mtime_ns": content.mtime_ns,
        }
        send(self.out, ["read", identity])
        if [identity["file_id"], identity["sidecar_id"]] in job["same"]:
            return ["same", identity]
        try:
            if job["do"] == "identify":
                settings = self.identify(content.data, job["path"], sidecar)
                return ["tags", marks_of(settings, identity["file_id"])]
            return self._row(job, content.data, sidecar, identity)
        except Exception as error:
            return self._failed(error)

    def _identify_head(self, job: Job) -> list[Any]:
        """Tags from the beginning of a file, or from more of it where they are not found there."""
        announced = False
        for count in (*GLANCES, self.limit):
            data, whole, mark = read_head(job["path"], count, self.limit, job["size_bytes"])
            if not announced:
                send(self.out, ["read", None])
                announced = True
            try:
                marks = marks_of(self.identify(data, job["path"], None), mark)
            except Exception as error:
                return self._failed(error)
            found = marks["taken"] and marks["width_px"]
            # JPEG has its tags before its pixels.
            before_pixels = data[:2] == b"\xff\xd8" and count == GLANCES[-1]
            if whole or found or before_pixels:
                break
        return ["tags", marks]

    def _row(self, job: Job, data: bytes, sidecar: bytes | None, identity: Identity) -> list[Any]:
        path = job["path"]
        counted = job["do"] == "count"
        if counted:
            record = FrameRecord(path, settings=self.identify(data, path, sidecar))
        elif not data:
            record = FrameRecord(path, "set-aside", "the file is empty")
        else:
            record = self.measure(data, path, sidecar, max_pixels=self.options.max_pixels)
        row: FileRow = {**to_row(record), **identity, "path": path}
        if counted:
            row |= {"status": "counted", "measured_on": job["on"]}
        pictures = {n: getattr(record, n) for n in PICTURE_COLUMNS}
        message: Measured = {"row": row, "pictures": pictures if any(pictures.values()) else None}
        return ["row", message]

    def _failed(self, error: Exception) -> list[Any]:
        if _out_of_memory(error):
            return ["failed", wanted_memory(self.options.memory_mb), True]
        traceback.print_exc()
        detail = one_line(error)
        return ["failed", f"could not be measured ({type(error).__name__}: {detail})", False]


def _next_message_comes(stream: BinaryIO) -> bool:
    """Wait for the next message; False when none came for so long that nobody can want anything more:
    on a cluster a worker outlives the run that it worked for."""
    try:
        return bool(select.select([stream], [], [], IDLE_S)[0])
    except (OSError, ValueError):  # a system where pipes can't be waited for
        return True


def main() -> None:
    """Serve jobs from standard input until it ends."""
    _die_with_parent()
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints goes to the diagnostics, not between the messages
    inp = sys.stdin.buffer
    options_given = receive(inp)
    if options_given is None:
        return
    options = ScanOptions(**options_given)
    try:
        handler = _Handler(options, out)
    except Exception as error:
        send(out, ["broken", f"{type(error).__name__}: {error}"])
        return
    _limit_memory(options.memory_mb)
    send(out, ["ready"])
    while _next_message_comes(inp) and (job := receive(inp)) is not None:
        # The kernel counts the time that this process has a core and ends it with SIGPROF (setitimer(2)), also
        # inside native code: a machine that is busy, or was asleep, blames no file.
        seconds = options.seconds_per_file
        if job["do"] == "identify":
            seconds = min(seconds, IDENTIFY_S)
        signal.setitimer(signal.ITIMER_PROF, seconds)
        try:
            answer = handler.handle(job)
        except MemoryError:
            answer = ["failed", wanted_memory(options.memory_mb), True]
        signal.setitimer(signal.ITIMER_PROF, 0)
        send(out, answer)


if __name__ == "__main__":
    main()
