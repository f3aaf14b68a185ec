"""One frame's record as a row of the store, and a row as the JSON object that the program prints."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any, Final

from auditor.record.columns import COLUMNS, tone_column
from auditor.record.frame import (
    SIDES,
    SITE_COLOURS,
    TONE_SIGNALS,
    ZONES,
    FrameRecord,
    Fringing,
    Noise,
    PhotonTransfer,
    Place,
    Settings,
    Sharpness,
    ZoneSharpness,
)

_NAMES: Final = frozenset(c.name for c in COLUMNS)


def _own(record: type) -> tuple[str, ...]:
    """Fields of a record that bear the same name in the row and in the object: those with a column."""
    return tuple(f.name for f in dataclasses.fields(record) if f.name in _NAMES)


_FRAME: Final = _own(FrameRecord)
_SHARPNESS: Final = _own(Sharpness)
_NOISE: Final = _own(Noise)
_TRANSFER: Final = _own(PhotonTransfer)
_FRINGING: Final = _own(Fringing)


def to_row(record: FrameRecord) -> dict[str, Any]:
    """Flatten a record into a row with every name of `COLUMNS`."""
    row: dict[str, Any] = dict.fromkeys(c.name for c in COLUMNS)
    row |= {name: getattr(record, name) for name in _FRAME}
    for name in Settings.__slots__:
        value = getattr(record.settings, name)
        row[name] = list(value) if isinstance(value, tuple) else value
    if record.sharpness is not None:
        _sharpness_row(record.sharpness, row)
    if record.noise is not None:
        _noise_row(record.noise, row)
    if record.photon_transfer is not None:
        p = record.photon_transfer
        row |= {name: getattr(p, name) for name in _TRANSFER}
        row["transfer_patches"] = p.patches
        for colour, (gain, read) in p.by_colour.items():
            row[f"{colour}_gain_e_per_dn"], row[f"{colour}_read_noise_e"] = gain, read
    if record.fringing is not None:
        f = record.fringing
        row |= {name: getattr(f, name) for name in _FRINGING}
        row["fringe_edges"] = f.edges
        for zone, (red, blue) in f.by_radius.items():
            row[f"{zone}_lateral_red_px"], row[f"{zone}_lateral_blue_px"] = red, blue
    return row


def _sharpness_row(s: Sharpness, row: dict[str, Any]) -> None:
    for zone, z in (*s.zones.items(), *s.sides.items()):
        if z is not None:
            for name in ZoneSharpness.__slots__:
                row[f"{zone}_{name}"] = _plain(getattr(z, name))
    row |= {name: getattr(s, name) for name in _SHARPNESS}
    row["sharpness_note"] = s.note
    for label, place in (("sharpest", s.sharpest), ("weakest", s.weakest)):
        if place is not None:
            for name in Place.__slots__:
                row[f"{label}_{name}"] = getattr(place, name)


def _noise_row(n: Noise, row: dict[str, Any]) -> None:
    row |= {name: getattr(n, name) for name in _NOISE}
    row["noise_note"] = n.note
    for tone in n.tones:
        stem = tone_column(tone.signal)
        row[f"{stem}_sigma"], row[f"{stem}_pixels"] = tone.sigma, tone.pixels
    for tone in n.at_most:
        stem = tone_column(tone.signal)
        row[f"{stem}_at_most"], row[f"{stem}_pixels"] = tone.sigma, tone.pixels
    if n.signal_shares is not None:
        for i, share in enumerate(n.signal_shares):
            row[f"signal_share_{i:02d}"] = share


def _plain(value: Any) -> Any:
    """A JSON value: numpy scalars to Python's own, not-a-number and missing to None."""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def row_to_object(row: Mapping[str, Any]) -> dict[str, Any]:
    """The JSON object of one row, as `auditor measure --json` prints it."""

    def get(name: str) -> Any:
        return _plain(row.get(name))

    def zone(name: str) -> dict[str, Any] | None:
        if get(f"{name}_mtf50_cpp") is None:
            return None
        return {n: get(f"{name}_{n}") for n in ZoneSharpness.__slots__}

    settings: dict[str, Any] = {
        n: get(n) for n in Settings.__slots__ if n not in ("labels", "notes")
    }
    for name in ("labels", "notes"):
        settings[name] = list(row.get(name) or [])
    tones: dict[str, list[dict[str, Any]]] = {"sigma": [], "at_most": []}
    for signal in TONE_SIGNALS:
        for name, found in tones.items():
            if sigma := get(f"{tone_column(signal)}_{name}"):
                pixels = get(f"{tone_column(signal)}_pixels")
                found.append(
                    {"signal": signal, "sigma": sigma, "snr": signal / sigma, "pixels": pixels}
                )
    measured = get("status") == "measured"
    transfer = None
    if get("gain_e_per_dn") is not None:
        transfer = {n: get(n) for n in _TRANSFER} | {"patches": get("transfer_patches")}
        transfer["by_colour"] = {
            c: {n: get(f"{c}_{n}") for n in ("gain_e_per_dn", "read_noise_e")} for c in SITE_COLOURS
        }
    fringing = None
    if get("lateral_red_px") is not None or get("fringe_width_px") is not None:
        fringing = {n: get(n) for n in _FRINGING} | {"edges": get("fringe_edges")}
        fringing["by_zone"] = {
            z: {f"lateral_{c}_px": get(f"{z}_lateral_{c}_px") for c in ("red", "blue")}
            for z in ZONES
        }
    return {
        "path": get("path"),
        "status": get("status"),
        "reason": get("reason"),
        "settings": settings,
        "sharpness": {z: zone(z) for z in ZONES}
        | {"sides": {s: zone(s) for s in SIDES}}
        | {n: get(n) for n in _SHARPNESS}
        | {"note": get("sharpness_note")},
        "noise": {"sigma_code8": get("sigma_code8"), "tones": tones["sigma"]}
        | {"at_most": tones["at_most"]}
        | {n: get(n) for n in _NOISE}
        | {"note": get("noise_note")},
        "photon_transfer": transfer,
        "fringing": fringing,
        "file_id": get("file_id") if measured else None,
    }
