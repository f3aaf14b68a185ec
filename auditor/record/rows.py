"""A frame's record as a row of the store, and a row as the JSON object that the program prints.

A field of a record that holds one figure or one text is a column of its own, of its own name; what lies
deeper (zones, tones) has the name of its place before it. Kinds come from the fields' types.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import NoneType, UnionType
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from auditor.record.frame import (
    SIDES,
    SIGNAL_BIN_EDGES,
    TONE_SIGNALS,
    ZONES,
    FrameRecord,
    Fringing,
    Noise,
    PhotonTransfer,
    Settings,
    Sharpness,
    ZoneSharpness,
)

__all__ = [
    "COLUMNS",
    "PICTURE_COLUMNS",
    "SHARE_COLUMNS",
    "Column",
    "row_to_object",
    "to_row",
    "tone_column",
]

Kind = Literal["str", "float", "int", "bool", "list"]

_KINDS: Final[dict[Any, Kind]] = {
    str: "str",
    float: "float",
    int: "int",
    bool: "bool",
    tuple[str, ...]: "list",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the store: its name, and the kind of its values."""

    name: str
    kind: Kind
    loaded: bool = True
    """Whether it is loaded for every frame. What neither inference nor the table of frames reads stays on disk,
    which spares memory."""


_TONE_UNIT: Final = 100_000
"""Columns of tones bear their signal in these parts, so that the darkest, 0.01125, is told whole."""


SHARE_COLUMNS: Final = tuple(f"signal_share_{i:02d}" for i in range(len(SIGNAL_BIN_EDGES) - 1))
"""Columns of the stored histogram of log2 signal."""


def tone_column(signal: float) -> str:
    """Stem of the tone columns of one signal level.

    Parameters
    ----------
    signal : float
        Linear light, 1 = white.

    Returns
    -------
    str
        The level in hundred-thousandths: 'tone_18000' for 0.18.
    """
    return f"tone_{round(signal * _TONE_UNIT):05d}"


def _single(record: type) -> dict[str, Kind]:
    """Fields of a record that hold a single figure or text, or a list of texts, with their kinds."""
    out: dict[str, Kind] = {}
    for name, hint in get_type_hints(record).items():
        if get_origin(hint) in (Union, UnionType):
            (hint,) = (part for part in get_args(hint) if part is not NoneType)
        kind = "str" if get_origin(hint) is Literal else _KINDS.get(hint)
        if kind is not None:
            out[name] = kind
    return out


_FRAME: Final = _single(FrameRecord)
_SETTINGS: Final = _single(Settings)
_ZONE: Final = _single(ZoneSharpness)
_PARTS: Final = {
    name: _single(record)
    for name, record in (
        ("sharpness", Sharpness),
        ("noise", Noise),
        ("photon_transfer", PhotonTransfer),
        ("fringing", Fringing),
    )
}
"""Field of `FrameRecord` -> single fields of the record in it."""
_RENAMED: Final = {
    ("sharpness", "note"): "sharpness_note",
    ("noise", "note"): "noise_note",
}
"""Columns of fields whose name alone would not tell of what they are."""
_ON_DISK: Final = frozenset(
    [
        "size_bytes",
        "mtime_ns",
        "notes",
        "edges",
        "in_focus",
        "note",
    ]
)
"""Fields, and columns, that are not loaded for every frame."""


def _of_part(part: str) -> dict[str, str]:
    """Single fields of a part of the record, and their columns."""
    return {name: _RENAMED.get((part, name), name) for name in _PARTS[part]}


def _columns() -> Iterator[Column]:
    def below(place: str, fields: Mapping[str, Kind]) -> Iterator[Column]:
        for name, kind in fields.items():
            column = f"{place}_{name}" if place else name
            yield Column(column, kind, not {name, column} & _ON_DISK)

    yield from below("", _FRAME)
    yield Column("measured_on", "str")  # counted: the file that this exposure is measured on
    yield from below("", _SETTINGS)
    for zone in (*ZONES, *SIDES):
        yield from below(zone, _ZONE)
    yield Column("sharpest_mtf50_cpp", "float")
    for part, fields in _PARTS.items():
        for name, column in _of_part(part).items():
            yield Column(column, fields[name], name not in _ON_DISK)
    for signal in TONE_SIGNALS:
        yield from below(tone_column(signal), {"sigma": "float", "at_most": "float"})
        yield Column(f"{tone_column(signal)}_pixels", "int")
    yield from (Column(name, "float") for name in SHARE_COLUMNS)


COLUMNS: Final = tuple(_columns())
"""Columns of the store's frame table, in order."""

PICTURE_COLUMNS: Final = (
    *("thumb_jpeg", "sharpest_jpeg", "weakest_jpeg", "colour_grid", "dust_map"),
)
"""Binary columns of the store's picture table, keyed by `file_id`."""


Row = dict[str, Any]
"""Values by the names of `COLUMNS`, each of its column's kind or None."""


def to_row(record: FrameRecord) -> Row:
    """Flatten a record into a row of the store.

    Parameters
    ----------
    record : FrameRecord
        All that is known of one frame.

    Returns
    -------
    dict
        A value for every name of `COLUMNS`; None where nothing was measured.
    """
    row: Row = dict.fromkeys(c.name for c in COLUMNS)
    row |= {name: getattr(record, name) for name in _FRAME}
    for name in _SETTINGS:
        value = getattr(record.settings, name)
        row[name] = list(value) if isinstance(value, tuple) else value
    for part in _PARTS:
        held = getattr(record, part)
        if held is not None:
            row |= {column: getattr(held, name) for name, column in _of_part(part).items()}
    if record.sharpness is not None:
        _zones_row(record.sharpness, row)
    if record.noise is not None:
        _tones_row(record.noise, row)
    return row


def _zones_row(s: Sharpness, row: Row) -> None:
    for zone, found in (*s.zones.items(), *s.sides.items()):
        if found is not None:
            row |= {f"{zone}_{name}": _plain(getattr(found, name)) for name in _ZONE}
    if s.sharpest is not None:
        row["sharpest_mtf50_cpp"] = s.sharpest.mtf50_cpp


def _tones_row(n: Noise, row: Row) -> None:
    for name, tones in (("sigma", n.tones), ("at_most", n.at_most)):
        for tone in tones:
            stem = tone_column(tone.signal)
            row[f"{stem}_{name}"], row[f"{stem}_pixels"] = tone.sigma, tone.pixels
    row |= dict(zip(SHARE_COLUMNS, n.signal_shares or (), strict=False))


def _plain(value: Any) -> Any:
    """A JSON value: numpy scalars to Python's own, not-a-number and missing to None."""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def row_to_object(row: Mapping[str, Any]) -> Mapping[str, Any]:
    """JSON object of one row, as `auditor measure --json` prints it.

    Parameters
    ----------
    row : mapping
        Values by the names of `COLUMNS`; missing names, None and NaN count as not measured.

    Returns
    -------
    mapping
        Nested, with plain Python numbers; null where nothing was measured.
    """

    def get(name: str) -> Any:
        return _plain(row.get(name))

    def part(name: str) -> Row:
        return {field: get(column) for field, column in _of_part(name).items()}

    def zone(name: str) -> Row | None:
        found = {n: get(f"{name}_{n}") for n in _ZONE}
        return None if found["mtf50_cpp"] is None else found

    tones: dict[str, list[Row]] = {"sigma": [], "at_most": []}
    for signal in TONE_SIGNALS:
        for name, found in tones.items():
            if sigma := get(f"{tone_column(signal)}_{name}"):
                pixels = get(f"{tone_column(signal)}_pixels")
                found.append(
                    {"signal": signal, "sigma": sigma, "snr": signal / sigma, "pixels": pixels}
                )
    transfer, fringing = part("photon_transfer"), part("fringing")
    seams = (fringing["lateral_red_px"], fringing["fringe_width_px"])
    return {
        "path": get("path"),
        "status": get("status"),
        "reason": get("reason"),
        "settings": {
            name: list(row.get(name) or []) if kind == "list" else get(name)
            for name, kind in _SETTINGS.items()
        },
        "sharpness": {z: zone(z) for z in ZONES}
        | {"sides": {s: zone(s) for s in SIDES}}
        | part("sharpness"),
        "noise": part("noise") | {"tones": tones["sigma"], "at_most": tones["at_most"]},
        "photon_transfer": None if transfer["gain_e_per_dn"] is None else transfer,
        "fringing": None if seams == (None, None) else fringing,
        "file_id": get("file_id") if get("status") == "measured" else None,
    }
