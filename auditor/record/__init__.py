"""What is known of one frame, and how it lies in the store.

The records are in `frame`, the store's columns in `columns`; `rows` turns a record into a row and a
row into the JSON object of the command line. What was not measured is None in a record, null in JSON
and missing in the table, never 0.
"""

from auditor.record.columns import COLUMNS, PICTURE_COLUMNS, Column, tone_column
from auditor.record.dust_map import dust_shape, pack_dust, unpack_dust
from auditor.record.frame import (
    DIRECTIONS,
    DUST_F_NUMBER,
    DUST_GRID,
    LOWER_SIDE,
    MID_GREY,
    OPPOSITE_SIDE,
    SIDES,
    SIGNAL_BIN_EDGES,
    SITE_COLOURS,
    TONE_SIGNALS,
    UPRIGHT,
    ZONE_RADII,
    ZONES,
    Certainty,
    Dust,
    FileKind,
    FrameRecord,
    Fringing,
    Noise,
    PhotonTransfer,
    PitchBasis,
    Place,
    Settings,
    Sharpness,
    Source,
    Tone,
    ZoneSharpness,
)
from auditor.record.rows import row_to_object, to_row

__all__ = [
    "COLUMNS",
    "DIRECTIONS",
    "DUST_F_NUMBER",
    "DUST_GRID",
    "LOWER_SIDE",
    "MID_GREY",
    "OPPOSITE_SIDE",
    "PICTURE_COLUMNS",
    "SIDES",
    "SIGNAL_BIN_EDGES",
    "SITE_COLOURS",
    "TONE_SIGNALS",
    "UPRIGHT",
    "ZONES",
    "ZONE_RADII",
    "Certainty",
    "Column",
    "Dust",
    "FileKind",
    "FrameRecord",
    "Fringing",
    "Noise",
    "PhotonTransfer",
    "PitchBasis",
    "Place",
    "Settings",
    "Sharpness",
    "Source",
    "Tone",
    "ZoneSharpness",
    "dust_shape",
    "pack_dust",
    "row_to_object",
    "to_row",
    "tone_column",
    "unpack_dust",
]
