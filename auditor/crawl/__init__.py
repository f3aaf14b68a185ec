"""Folders to files, files to captures."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from auditor.crawl.entries import FileEntry, Skipped
from auditor.crawl.names import on_disk, printable, shown_root
from auditor.crawl.walk import find_files

if TYPE_CHECKING:
    from auditor.crawl.captures import relate
    from auditor.crawl.selection import Selection, SelectionError

__all__ = [
    "FileEntry",
    "Selection",
    "SelectionError",
    "Skipped",
    "find_files",
    "on_disk",
    "printable",
    "relate",
    "shown_root",
]

_LATER = {"relate": ".captures", "Selection": ".selection", "SelectionError": ".selection"}


def __getattr__(name: str) -> Any:
    # A walk, and a decoder that reads tags, must not load the tables' libraries.
    if name in _LATER:
        return getattr(import_module(_LATER[name], __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
