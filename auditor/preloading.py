"""Loads what profile and report are made with while workers measure, once."""

from __future__ import annotations

import gc
import sys
import threading
from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from auditor.engine import Progress

__all__ = ["preload_later_stages", "with_preloading"]


def with_preloading(progress: Callable[[Progress], None]) -> Callable[[Progress], None]:
    """Display of progress that also loads the later stages once workers measure.

    This process has nothing else to do then; later everything would wait for them.

    Parameters
    ----------
    progress : callable
        Shows a `Progress`.

    Returns
    -------
    callable
        Takes a `Progress`, and passes it to `progress`.
    """
    begun = False

    def show(state: Progress) -> None:
        nonlocal begun
        if state.rate and not begun:
            begun = True
            threading.Thread(target=preload_later_stages, daemon=True).start()
        progress(state)

    return show


def preload_later_stages() -> None:
    """Load all that profile and report are made with, once.

    None of it becomes garbage: Python need not look for any in it, now or ever after, which takes a
    twentieth of the time of a small profile. That holds for all there is at that moment, so that
    whoever uses this as a library does not call it.
    """
    if "auditor.infer.profile" in sys.modules:
        return
    collecting = gc.isenabled()
    gc.disable()
    try:
        for name in ("crawl.captures", "settings.agreement", "infer.profile", "report.write"):
            import_module(f"auditor.{name}")
        import_module("auditor.report.page").prepare()
    finally:
        gc.freeze()
        if collecting:
            gc.enable()
