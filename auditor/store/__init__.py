"""The measurement store: Parquet parts in a folder, one writer, any number of readers."""

from .errors import StoreBusy, StoreError, why
from .rows import Known
from .schema import to_frame
from .side_files import STORE_VERSION
from .store import Store

__all__ = [
    "STORE_VERSION",
    "Known",
    "Store",
    "StoreBusy",
    "StoreError",
    "to_frame",
    "why",
]
