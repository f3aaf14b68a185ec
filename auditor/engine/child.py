"""The decoder process: reads one file after the other, measures it, sends the row back.

Decoders of pictures and metadata crash, hang and swallow memory on odd files, so they run here and
nowhere else. The process is started by `decoder.Decoder`, talks over its standard streams, and may die
at any moment without harm.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import traceback
from collections.abc import Callable
from hashlib import blake2b
from importlib import import_module
from typing import Any, BinaryIO

from ..record import PICTURE_COLUMNS, FrameRecord, to_row
from .source import Unreadable, read, read_sidecar, root_answers
from .wire import pack, receive, send

__all__ = ["main"]

MB = 2**20


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


def _load(name: str) -> Callable[..., FrameRecord]:
    module, _, function = name.partition(":")
    found = getattr(import_module(module), function)
    assert callable(found)
    return found  # type: ignore[no-any-return]


def _digest(data: bytes) -> str:
    return blake2b(data, digest_size=16).hexdigest()


def _handle(
    job: dict[str, Any],
    settings: dict[str, Any],
    measure: Callable[..., FrameRecord],
    out: BinaryIO,
) -> list[Any]:
    """One file: ['row', packed row] | ['same', file_id] | ['unreadable', reason, root answers]."""
    path = job["path"]
    try:
        content = read(path, settings["max_file_mb"] * MB, job["mtime_ns"])
    except Unreadable as error:
        return ["unreadable", str(error), root_answers(job["root"])]
    sidecar = read_sidecar(job["sidecar"])
    file_id = _digest(content.data)
    sidecar_id = None if sidecar is None else _digest(sidecar)
    own = {
        "file_id": file_id,
        "sidecar_id": sidecar_id,
        "size_bytes": content.size_bytes,
        "mtime_ns": content.mtime_ns,
    }
    send(out, ["read", own])
    if [file_id, sidecar_id] in job["same"]:
        return ["same", own]
    try:
        if not content.data:
            record = FrameRecord(path, "set-aside", "the file is empty")
        else:
            record = measure(content.data, path, sidecar, max_pixels=settings["max_pixels"])
        row = to_row(record)
    except Exception as error:
        if _out_of_memory(error):
            return ["failed", f"wanted more than {settings['memory_mb']} MB of memory"]
        traceback.print_exc()
        said = " ".join(str(error).split())[:160]
        return ["failed", f"could not be measured ({type(error).__name__}: {said})"]
    row |= own | {"path": path}
    pictures = {n: getattr(record, n) for n in PICTURE_COLUMNS}
    return ["row", pack({"row": row, "pictures": pictures if any(pictures.values()) else None})]


def main() -> None:
    """Serve jobs from standard input until it ends."""
    _die_with_parent()
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints goes to the diagnostics, not between the messages
    inp = sys.stdin.buffer
    settings = receive(inp)
    if settings is None:
        return
    try:
        measure = _load(settings["measure"])
    except Exception as error:
        send(out, ["broken", f"{type(error).__name__}: {error}"])
        return
    _limit_memory(settings["memory_mb"])
    send(out, ["ready"])
    while (job := receive(inp)) is not None:
        if hasattr(signal, "setitimer"):
            # Last resort, also inside native code, should the supervisor be gone or stuck.
            most = settings["seconds_per_file"] + settings["stall_seconds"] + 60
            signal.setitimer(signal.ITIMER_REAL, most)
        try:
            answer = _handle(job, settings, measure, out)
        except MemoryError:
            answer = ["failed", f"wanted more than {settings['memory_mb']} MB of memory"]
        send(out, answer)
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, 0)


if __name__ == "__main__":
    main()
