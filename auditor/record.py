"""What is known of one frame: the records that pass between rooms, and their row in the store.

`Settings` comes from the settings reader; `Sharpness`, `Noise`, `PhotonTransfer` and `Fringing` from
the measuring room; a `FrameRecord` holds all of them. `to_row` flattens a record into the columns of
the store, `COLUMNS` says what each column is, and `row_to_object` gives the JSON object of one row.
Anything not measured is None here, null in JSON and missing in the table, never 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

__all__ = [
    "COLUMNS",
    "PICTURE_COLUMNS",
    "SIDES",
    "SIGNAL_BIN_EDGES",
    "SITE_COLOURS",
    "SPECTRUM_CPP",
    "TONE_SIGNALS",
    "ZONES",
    "Column",
    "FrameRecord",
    "Fringing",
    "Noise",
    "PhotonTransfer",
    "Place",
    "Settings",
    "Sharpness",
    "Source",
    "Tone",
    "ZoneSharpness",
    "row_to_object",
    "to_row",
    "tone_column",
]

ZONES: Final = ("centre", "middle", "corner")
"""By distance from the frame's centre over the half-diagonal: under 0.35, between, from 0.7."""

SIDES: Final = ("left", "right", "top", "bottom")
"""Parts of the corner zone by the half of the sensor (own orientation) in which they lie."""

SPECTRUM_CPP: Final = tuple(round(float(f), 4) for f in np.geomspace(0.03, 0.47, 16))
"""Centres (c/px) of the bins in which a zone's log power spectrum is stored."""

TONE_SIGNALS: Final = (0.01125, 0.0225, 0.045, 0.09, 0.18, 0.36, 0.72)
"""Signal levels (linear, 1 = white) at which noise is reported, one stop apart around 18% grey."""

SITE_COLOURS: Final = ("red", "green", "blue")
"""Colours of a mosaic's sites, in the order of `Mosaic.colours`."""

SIGNAL_BIN_EDGES: Final = tuple(float(e) for e in np.arange(-10.0, 0.01, 0.5))
"""Edges in log2 of linear signal of the stored histogram; darker pixels count in the first bin."""

Source = Literal["raw", "camera", "edited", "resized", "unknown"]


@dataclass(frozen=True, slots=True)
class Settings:
    """What was used to take a frame. Lengths in the unit that the name ends with."""

    body: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    lens_serial: str | None = None
    converter: str | None = None
    focal_length_mm: float | None = None
    focal_35mm: float | None = None
    f_number: float | None = None
    exposure_time_s: float | None = None
    iso: float | None = None
    exposure_bias_ev: float | None = None
    ev100: float | None = None
    taken: str | None = None
    """ISO 8601 local time with sub-seconds and offset where the file has them."""
    focus_distance_m: float | None = None
    pixel_pitch_um: float | None = None
    width_px: int | None = None
    height_px: int | None = None
    orientation: int = 1
    source: Source = "unknown"
    software: str | None = None
    file_number: str | None = None
    flash: bool | None = None
    rating: int | None = None
    labels: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    """Plain words about tags that were unusable ('aperture written as f/0')."""
    pitch_basis: Literal["focal-plane", "maker", "equivalent", "consensus"] | None = None
    """Where the pixel pitch comes from; 'equivalent' is the 35 mm equivalent and the least exact."""
    written_width_px: int | None = None
    """Size that the tags claim the camera wrote, when they say; larger than the file's own after
    downsizing or cropping by a program that left the tags alone."""
    written_height_px: int | None = None
    maker_note: bool | None = None
    """Whether the camera's private notes are there; programs often drop them."""
    white_balance: str | None = None
    """'auto', the kind of light that was set ('daylight'), or 'manual'."""
    colour_temperature_k: float | None = None


@dataclass(frozen=True, slots=True)
class ZoneSharpness:
    """System MTF50 of one zone in cycles per pixel of the file, as its in-focus edges show it."""

    mtf50_cpp: float
    stderr_cpp: float
    edges: int
    """Step edges behind the figure; 0 when only texture spoke."""
    method: Literal["edges", "texture", "both"] = "edges"
    radial_cpp: float | None = None
    """From edges whose normal points to the frame's centre (blur along the radius)."""
    tangential_cpp: float | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """A rectangle of the frame (sensor's orientation, full-size pixels) with its local MTF50."""

    x: int
    y: int
    width: int
    height: int
    mtf50_cpp: float


@dataclass(frozen=True, slots=True)
class Sharpness:
    zones: Mapping[str, ZoneSharpness | None]
    """Keys `ZONES`."""
    sides: Mapping[str, ZoneSharpness | None]
    """Keys `SIDES`."""
    horizontal_cpp: float | None = None
    """Frame-wide MTF50 of blur along x; with `vertical_cpp` it shows shake in one direction."""
    vertical_cpp: float | None = None
    spectra: Mapping[str, np.ndarray | None] = field(default_factory=dict)
    """Zone -> log (natural) power spectrum of textured, unclipped windows after the noise floor is
    taken off, at `SPECTRUM_CPP`; NaN where noise hides it."""
    spectrum_windows: Mapping[str, int] = field(default_factory=dict)
    overshoot: float | None = None
    """Median overshoot of edges as a share of the step: 0 none, 0.1 and more sharpened."""
    upsampled: bool = False
    """The spectrum ends well below the pixel grid's limit, as after enlarging."""
    in_focus: bool = True
    note: str | None = None
    sharpest: Place | None = None
    weakest: Place | None = None
    direction_ratio: float | None = None
    """MTF50 along the frame's softest direction over that of its sharpest, every edge against its
    own zone: well below 1 in a frame moved during the exposure, in whatever direction."""
    direction_ratio_stderr: float | None = None
    direction_deg: float | None = None
    """The softest direction, 0 to 180 degrees, x to the right, y down."""


@dataclass(frozen=True, slots=True)
class Tone:
    """Luminance noise at one of `TONE_SIGNALS`, linear light, 1 = white, per pixel."""

    signal: float
    sigma: float
    pixels: int


@dataclass(frozen=True, slots=True)
class Noise:
    sigma_code8: float | None
    tones: tuple[Tone, ...] = ()
    chroma_code8: float | None = None
    """Standard deviation of chroma noise (root mean square of Cb and Cr) in 8-bit code values."""
    grain_px: float | None = None
    """Noise correlation length: 1 for white noise, larger for coarse grain. The standard deviation
    after averaging k x k pixels falls with 1/k only once k is well above it."""
    sigma_output_code8: float | None = None
    """`sigma_code8` as it would be after area-averaging to the common output size."""
    tone_output_scale: float | None = None
    """Factor on a tone's sigma for the common output size (grain taken into account)."""
    signal_shares: tuple[float, ...] | None = None
    """Share of the frame's pixels in each bin of `SIGNAL_BIN_EDGES`."""
    clipped_share: float | None = None
    banding: bool = False
    hot_pixels: int | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class PhotonTransfer:
    """Frame-level photon transfer on the mosaic, EMVA 1288 terms; DN after the black level."""

    gain_e_per_dn: float
    read_noise_e: float | None
    """None where the frame holds no dark flat area to show it."""
    gain_stderr: float | None = None
    read_noise_stderr_e: float | None = None
    patches: int = 0
    white_dn: float | None = None
    by_colour: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    """Colour of `SITE_COLOURS` -> (gain in e- per DN, read noise in e-) from flat patches of its sites
    alone; None where they do not tell. The figures above are those of all sites."""


@dataclass(frozen=True, slots=True)
class Fringing:
    """Lateral colour: displacement of red and blue against green, positive away from the centre."""

    lateral_red_px: float | None
    lateral_blue_px: float | None
    fringe_width_px: float | None
    fringe_strength: float | None = None
    """Peak colour difference across the seam as a share of the edge's step."""
    edges: int = 0
    by_radius: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    """Zone -> (red, blue) displacement in px."""


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """Everything the store keeps of one file."""

    path: str
    status: Literal["measured", "set-aside"] = "measured"
    reason: str | None = None
    file_id: str | None = None
    """Hash of the content; the same picture under another name has the same."""
    size_bytes: int | None = None
    mtime_ns: int | None = None
    settings: Settings = field(default_factory=Settings)
    sharpness: Sharpness | None = None
    noise: Noise | None = None
    photon_transfer: PhotonTransfer | None = None
    fringing: Fringing | None = None
    signature: str | None = None
    """Hex of 12 x 8 grey means (row by row, one byte each, square root of linear light, mean 128,
    standard deviation 48): frames of one scene have nearly the same at any exposure."""
    thumb_jpeg: bytes | None = None
    sharpest_jpeg: bytes | None = None
    weakest_jpeg: bytes | None = None
    colour_grid: bytes | None = None
    """24 x 16 x 3 little-endian uint16, row by row, R G B in linear light (65535 = white): area
    means of the frame in the sensor's orientation. With the JPEGs it lives in the picture table."""


@dataclass(frozen=True, slots=True)
class Column:
    name: str
    kind: Literal["str", "float", "int", "bool", "list"]
    doc: str


def tone_column(signal: float) -> str:
    """Stem of the tone columns of one signal level: 0.18 -> 'tone_18000' (hundred-thousandths)."""
    return f"tone_{round(signal * 100_000):05d}"


def _columns() -> tuple[Column, ...]:
    out = [
        Column("path", "str", "where the file lies, as found"),
        Column("status", "str", "measured, set-aside, or counted (see measured_on)"),
        Column("reason", "str", "why it was set aside"),
        Column("measured_on", "str", "counted: the file that this exposure is measured on"),
        Column("file_id", "str", "hash of the content"),
        Column("size_bytes", "int", "bytes"),
        Column("mtime_ns", "int", "time of last change, ns"),
        Column("signature", "str", "12 x 8 grey means in hex, alike for frames of one scene"),
    ]
    kinds: dict[str, Literal["str", "float", "int", "bool", "list"]] = {
        "width_px": "int", "height_px": "int", "orientation": "int", "rating": "int",
        "written_width_px": "int", "written_height_px": "int", "maker_note": "bool",
        "flash": "bool", "labels": "list", "notes": "list",
        "focal_length_mm": "float", "focal_35mm": "float", "f_number": "float",
        "exposure_time_s": "float", "iso": "float", "exposure_bias_ev": "float", "ev100": "float",
        "focus_distance_m": "float", "pixel_pitch_um": "float", "colour_temperature_k": "float",
    }  # fmt: skip
    out += [Column(n, kinds.get(n, "str"), f"settings: {n}") for n in Settings.__slots__]
    for zone in (*ZONES, *SIDES):
        out += [
            Column(f"{zone}_mtf50_cpp", "float", f"MTF50 of the {zone}, c/px"),
            Column(f"{zone}_stderr_cpp", "float", "its standard error"),
            Column(f"{zone}_edges", "int", "step edges behind it"),
            Column(f"{zone}_method", "str", "edges, texture or both"),
            Column(f"{zone}_radial_cpp", "float", "MTF50 along the radius"),
            Column(f"{zone}_tangential_cpp", "float", "MTF50 across the radius"),
        ]
    out += [
        Column("horizontal_cpp", "float", "MTF50 along x over the frame"),
        Column("vertical_cpp", "float", "MTF50 along y over the frame"),
        Column("overshoot", "float", "median edge overshoot, share of the step"),
        Column("upsampled", "bool", "spectrum ends early, as after enlarging"),
        Column("in_focus", "bool", "anything in focus"),
        Column("sharpness_note", "str", "plain words on the sharpness"),
        Column("direction_ratio", "float", "MTF50 along the softest direction over the sharpest"),
        Column("direction_ratio_stderr", "float", "its standard error"),
        Column("direction_deg", "float", "the softest direction, degrees"),
    ]
    for zone in ZONES:
        out.append(Column(f"{zone}_spectrum_windows", "int", "windows behind the spectrum"))
        out += [
            Column(f"{zone}_spectrum_{i:02d}", "float", f"log power at {f} c/px")
            for i, f in enumerate(SPECTRUM_CPP)
        ]
    for name in ("sharpest", "weakest"):
        out += [
            Column(f"{name}_{k}", "int", f"{name} place, px") for k in ("x", "y", "width", "height")
        ]
        out.append(Column(f"{name}_mtf50_cpp", "float", f"MTF50 at the {name} place"))
    out += [
        Column("sigma_code8", "float", "luminance noise, 8-bit code values"),
        Column("chroma_code8", "float", "chroma noise, 8-bit code values"),
        Column("grain_px", "float", "noise correlation length"),
        Column("sigma_output_code8", "float", "noise at the common output size"),
        Column("tone_output_scale", "float", "factor on sigma for the common output size"),
        Column("clipped_share", "float", "share of clipped pixels"),
        Column("banding", "bool", "pattern noise seen"),
        Column("hot_pixels", "int", "hot pixels seen"),
        Column("noise_note", "str", "plain words on the noise"),
    ]
    for signal in TONE_SIGNALS:
        out.append(Column(f"{tone_column(signal)}_sigma", "float", f"noise at signal {signal}"))
        out.append(Column(f"{tone_column(signal)}_pixels", "int", "pixels behind it"))
    out += [
        Column(f"signal_share_{i:02d}", "float", f"share of pixels with log2 signal from {e}")
        for i, e in enumerate(SIGNAL_BIN_EDGES[:-1])
    ]
    out += [
        Column("gain_e_per_dn", "float", "photon transfer: electrons per DN"),
        Column("read_noise_e", "float", "photon transfer: read noise, electrons"),
        Column("gain_stderr", "float", "its standard error"),
        Column("read_noise_stderr_e", "float", "its standard error"),
        Column("transfer_patches", "int", "flat patches behind it"),
        Column("white_dn", "float", "white level above black, DN"),
    ]
    for colour in SITE_COLOURS:
        out.append(Column(f"{colour}_gain_e_per_dn", "float", f"gain of {colour} sites"))
        out.append(Column(f"{colour}_read_noise_e", "float", f"read noise of {colour} sites"))
    out += [
        Column("lateral_red_px", "float", "red against green, outwards positive"),
        Column("lateral_blue_px", "float", "blue against green, outwards positive"),
        Column("fringe_width_px", "float", "width of the coloured seam"),
        Column("fringe_strength", "float", "its strength, share of the step"),
        Column("fringe_edges", "int", "edges behind it"),
    ]
    for zone in ZONES:
        out += [
            Column(f"{zone}_lateral_{c}_px", "float", f"{c} in the {zone}") for c in ("red", "blue")
        ]
    return tuple(out)


COLUMNS: Final = _columns()
"""Columns of the store's frame table, in order."""

PICTURE_COLUMNS: Final = ("thumb_jpeg", "sharpest_jpeg", "weakest_jpeg", "colour_grid")
"""Binary columns of the store's picture table, keyed by `file_id`."""


def to_row(record: FrameRecord) -> dict[str, Any]:
    """Flatten a record into a row with every name of `COLUMNS`."""
    row: dict[str, Any] = dict.fromkeys(c.name for c in COLUMNS)
    for name in ("path", "status", "reason", "file_id", "size_bytes", "mtime_ns", "signature"):
        row[name] = getattr(record, name)
    for name in Settings.__slots__:
        value = getattr(record.settings, name)
        row[name] = list(value) if isinstance(value, tuple) else value
    if record.sharpness is not None:
        _sharpness_row(record.sharpness, row)
    if record.noise is not None:
        _noise_row(record.noise, row)
    if record.photon_transfer is not None:
        p = record.photon_transfer
        row |= {
            "gain_e_per_dn": p.gain_e_per_dn, "read_noise_e": p.read_noise_e,
            "gain_stderr": p.gain_stderr, "read_noise_stderr_e": p.read_noise_stderr_e,
            "transfer_patches": p.patches, "white_dn": p.white_dn,
        }  # fmt: skip
        for colour, (gain, read) in p.by_colour.items():
            row[f"{colour}_gain_e_per_dn"], row[f"{colour}_read_noise_e"] = gain, read
    if record.fringing is not None:
        f = record.fringing
        row |= {
            "lateral_red_px": f.lateral_red_px, "lateral_blue_px": f.lateral_blue_px,
            "fringe_width_px": f.fringe_width_px, "fringe_strength": f.fringe_strength,
            "fringe_edges": f.edges,
        }  # fmt: skip
        for zone, (red, blue) in f.by_radius.items():
            row[f"{zone}_lateral_red_px"], row[f"{zone}_lateral_blue_px"] = red, blue
    return row


def _sharpness_row(s: Sharpness, row: dict[str, Any]) -> None:
    for zone, z in (*s.zones.items(), *s.sides.items()):
        if z is not None:
            for name in ZoneSharpness.__slots__:
                row[f"{zone}_{name}"] = getattr(z, name)
    for name in ("horizontal_cpp", "vertical_cpp", "overshoot", "upsampled", "in_focus"):
        row[name] = getattr(s, name)
    row["sharpness_note"] = s.note
    for name in ("direction_ratio", "direction_ratio_stderr", "direction_deg"):
        row[name] = getattr(s, name)
    for zone, spectrum in s.spectra.items():
        row[f"{zone}_spectrum_windows"] = s.spectrum_windows.get(zone)
        if spectrum is not None:
            for i, value in enumerate(spectrum):
                row[f"{zone}_spectrum_{i:02d}"] = float(value) if math.isfinite(value) else None
    for label, place in (("sharpest", s.sharpest), ("weakest", s.weakest)):
        if place is not None:
            for name in Place.__slots__:
                row[f"{label}_{name}"] = getattr(place, name)


def _noise_row(n: Noise, row: dict[str, Any]) -> None:
    for name in (
        *("sigma_code8", "chroma_code8", "grain_px", "sigma_output_code8", "tone_output_scale"),
        *("clipped_share", "banding", "hot_pixels"),
    ):
        row[name] = getattr(n, name)
    row["noise_note"] = n.note
    for tone in n.tones:
        stem = tone_column(tone.signal)
        row[f"{stem}_sigma"], row[f"{stem}_pixels"] = tone.sigma, tone.pixels
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
    tones = []
    for signal in TONE_SIGNALS:
        sigma = get(f"{tone_column(signal)}_sigma")
        if sigma:
            pixels = get(f"{tone_column(signal)}_pixels")
            tones.append(
                {"signal": signal, "sigma": sigma, "snr": signal / sigma, "pixels": pixels}
            )
    measured = get("status") == "measured"
    transfer = None
    if get("gain_e_per_dn") is not None:
        names = ("gain_e_per_dn", "read_noise_e", "gain_stderr", "read_noise_stderr_e", "white_dn")
        transfer = {n: get(n) for n in names} | {"patches": get("transfer_patches")}
        transfer["by_colour"] = {
            c: {n: get(f"{c}_{n}") for n in ("gain_e_per_dn", "read_noise_e")} for c in SITE_COLOURS
        }
    fringing = None
    if get("lateral_red_px") is not None or get("fringe_width_px") is not None:
        keys = ("lateral_red_px", "lateral_blue_px", "fringe_width_px", "fringe_strength")
        fringing = {n: get(n) for n in keys}
        fringing["by_zone"] = {
            z: {f"lateral_{c}_px": get(f"{z}_lateral_{c}_px") for c in ("red", "blue")}
            for z in ZONES
        }
    frame_names: tuple[str, ...] = (
        *("horizontal_cpp", "vertical_cpp", "overshoot", "upsampled", "in_focus"),
        *("direction_ratio", "direction_ratio_stderr", "direction_deg"),
    )
    noise_names = (
        *("chroma_code8", "grain_px", "sigma_output_code8", "tone_output_scale"),
        *("clipped_share", "banding", "hot_pixels"),
    )
    return {
        "path": get("path"),
        "status": get("status"),
        "reason": get("reason"),
        "settings": settings,
        "sharpness": {z: zone(z) for z in ZONES}
        | {"sides": {s: zone(s) for s in SIDES}}
        | {n: get(n) for n in frame_names}
        | {"note": get("sharpness_note")},
        "noise": {"sigma_code8": get("sigma_code8"), "tones": tones}
        | {n: get(n) for n in noise_names}
        | {"note": get("noise_note")},
        "photon_transfer": transfer,
        "fringing": fringing,
        "file_id": get("file_id") if measured else None,
    }
