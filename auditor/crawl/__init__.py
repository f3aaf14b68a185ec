"""Folders to files, files to captures."""

from auditor.crawl.names import on_disk, printable
from auditor.crawl.relate import relate
from auditor.crawl.select import SelectionError, select
from auditor.crawl.walk import FileEntry, Skipped, find_files

__all__ = [
    "FileEntry",
    "SelectionError",
    "Skipped",
    "find_files",
    "on_disk",
    "printable",
    "relate",
    "select",
]
