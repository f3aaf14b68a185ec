"""What can be mended in a store: damaged parts are set apart, so that their frames are measured again.

Nothing is deleted. A part that was set apart can be put back by hand should it turn out to be good.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from .known_files import Known
from .parts import UNREADABLE, DamagedPart, Part, is_whole, list_parts, read_part
from .schema import FRAME_SCHEMA, PICTURE_SCHEMA

__all__ = ["mend", "set_apart", "without_pictures"]

APART: Final = "damaged"
_KEPT: Final = {"frames": "its frames", "pictures": "the frames of its pictures"}


def set_apart(part: Part) -> bool:
    """Move a damaged part into the folder `damaged` beside the tables; whether that went well."""
    folder = part.path.parent.parent / APART
    with contextlib.suppress(OSError):
        folder.mkdir(exist_ok=True)
        os.replace(part.path, folder / f"{part.path.parent.name}-{part.path.name}")
        return True
    return False


def _good(part: Part, schema: pa.Schema) -> bool:
    """Whether the part can be read; whatever keeps its bytes away is no damage. Raises OSError."""
    if not is_whole(part):
        return False
    try:
        read_part(part, schema.names, schema)
        return True
    except DamagedPart:
        return False


def mend(folder: Path) -> list[str]:
    """Set every damaged part apart; a line for each. The caller holds the writer's lock. Raises OSError."""
    done = []
    for name, schema in (("frames", FRAME_SCHEMA), ("pictures", PICTURE_SCHEMA)):
        for part in list_parts(folder / name)[0]:
            if not _good(part, schema) and set_apart(part):
                done.append(
                    f"{part.path.name}: damaged, set apart in {folder / APART}; {_KEPT[name]} are "
                    "measured again by the next run"
                )
    return done


def without_pictures(folder: Path, known: Known) -> NDArray[np.int64]:
    """Indices of measured frames whose small pictures are lost.

    Looked into only where there are fewer pictures than frames: the usual run costs a few footers.
    """
    rows = np.flatnonzero(known.measured & ~known.gone & ~known.no_pictures)
    parts = list_parts(folder / "pictures")[0]
    count = 0
    for part in parts:
        with contextlib.suppress(*UNREADABLE):
            count += int(pq.read_metadata(part.path).num_rows)
    if count >= len(rows):
        return np.zeros(0, np.int64)
    have = [pa.array([], pa.string())]
    for part in parts:
        with contextlib.suppress(DamagedPart, OSError):
            have += read_part(part, ["file_id"], PICTURE_SCHEMA)["file_id"].chunks
    ids = pa.array([known.ids[i].decode() for i in rows.tolist()], pa.string())
    there = pc.is_in(ids, value_set=pa.chunked_array(have).combine_chunks())
    return rows[~there.to_numpy(zero_copy_only=False) & (known.ids[rows] != b"")]
