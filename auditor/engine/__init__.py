"""The engine: carries frames through reading, measuring and storing, in parallel and unattended."""

from .options import Progress, ScanOptions, ScanSummary
from .scan import scan

__all__ = ["Progress", "ScanOptions", "ScanSummary", "scan"]
