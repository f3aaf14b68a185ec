"""The engine: carries frames through reading, measuring and storing, in parallel and unattended."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from auditor.engine.options import Progress, ScanError, ScanOptions, ScanSummary

if TYPE_CHECKING:
    from auditor.engine.batch import measure_files
    from auditor.engine.scanning import scan

__all__ = ["Progress", "ScanError", "ScanOptions", "ScanSummary", "measure_files", "scan"]

_LATER = {"scan": ".scanning", "measure_files": ".batch"}


def __getattr__(name: str) -> Any:
    # Workers and decoders import this package too and must not load the tables' libraries.
    if name in _LATER:
        return getattr(import_module(_LATER[name], __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
