"""The measurement store: Parquet parts in a folder, one writer, any number of readers."""

from auditor.store.errors import StoreBusy, StoreError, why
from auditor.store.rows import Known
from auditor.store.schema import to_frame
from auditor.store.side_files import STORE_VERSION
from auditor.store.store import Store

__all__ = [
    "STORE_VERSION",
    "Known",
    "Store",
    "StoreBusy",
    "StoreError",
    "to_frame",
    "why",
]
