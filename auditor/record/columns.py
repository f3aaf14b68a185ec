"""The columns of the store: a row a frame, every figure of a `FrameRecord` in a column of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from auditor.record.frame import (
    DIRECTIONS,
    SIDES,
    SIGNAL_BIN_EDGES,
    SITE_COLOURS,
    TONE_SIGNALS,
    ZONES,
    Settings,
)

Kind = Literal["str", "float", "int", "bool", "list"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the store: its name, the kind of its values, and a line of words on it."""

    name: str
    kind: Kind
    doc: str
    loaded: bool = True
    """Whether it is loaded for every frame. What neither inference nor the table of frames reads stays on disk,
    which spares memory."""


_TONE_UNIT: Final = 100_000
"""Columns of tones bear their signal in these parts, so that the darkest, 0.01125, is told whole."""


def tone_column(signal: float) -> str:
    """Stem of the tone columns of one signal level: 0.18 -> 'tone_18000' (hundred-thousandths)."""
    return f"tone_{round(signal * _TONE_UNIT):05d}"


_FILE: Final = (
    Column("path", "str", "where the file lies, as found"),
    Column("status", "str", "measured, set-aside, or counted (see measured_on)"),
    Column("reason", "str", "why it was set aside"),
    Column("measured_on", "str", "counted: the file that this exposure is measured on"),
    Column("file_id", "str", "hash of the content"),
    Column("size_bytes", "int", "bytes", loaded=False),
    Column("mtime_ns", "int", "time of last change, ns", loaded=False),
    Column("signature", "str", "12 x 8 grey means in hex, alike for frames of one scene"),
)

_SETTINGS: Final[dict[str, Kind]] = {
    "width_px": "int", "height_px": "int", "orientation": "int", "rating": "int",
    "written_width_px": "int", "written_height_px": "int", "maker_note": "bool",
    "flash": "bool", "labels": "list", "notes": "list",
    "focal_length_mm": "float", "focal_35mm": "float", "f_number": "float",
    "exposure_time_s": "float", "iso": "float", "exposure_bias_ev": "float", "ev100": "float",
    "focus_distance_m": "float", "pixel_pitch_um": "float", "colour_temperature_k": "float",
    "sensor_share": "float", "sensor_pixel_um": "float", "told_pitch_um": "float",
    "sensor_diagonal_mm": "float", "recoded": "bool", "resampled": "bool",
    "native_width_px": "int", "native_height_px": "int", "whole_side_px": "int",
}  # fmt: skip
"""Settings that are no text."""

_SETTINGS_ON_DISK: Final = frozenset(
    ("exposure_bias_ev", "flash", "notes", "written_width_px", "written_height_px")
)
"""Settings that are not loaded for every frame."""


def _sharpness() -> list[Column]:
    out: list[Column] = []
    for zone in (*ZONES, *SIDES):
        out += [
            Column(f"{zone}_mtf50_cpp", "float", f"MTF50 of the {zone}, c/px"),
            Column(f"{zone}_stderr_cpp", "float", "its standard error as the lens's figure"),
            Column(f"{zone}_edges", "int", "step edges behind it", loaded=False),
            Column(f"{zone}_method", "str", "edges, texture or both", loaded=False),
            Column(f"{zone}_seen_stderr_cpp", "float", "the measurement's part of the error, c/px"),
        ]
    out += [
        *(Column(f"{d}_cpp", "float", f"MTF50 of the sharpest {d} blur, c/px") for d in DIRECTIONS),
        Column("overshoot", "float", "median edge overshoot, share of the step"),
        Column(
            "streaks",
            "float",
            "finest detail missing along one direction, in scatters of single windows",
        ),
        Column("fineness", "float", "how fine the finest texture is, ln of energy"),
        Column("upsampled", "bool", "spectrum ends early, as after enlarging"),
        Column("in_focus", "bool", "anything in focus", loaded=False),
        Column("sharpness_note", "str", "plain words on the sharpness", loaded=False),
    ]
    for name in ("sharpest", "weakest"):
        out += [
            Column(f"{name}_{k}", "int", f"{name} place, px", loaded=False)
            for k in ("x", "y", "width", "height")
        ]
        words = f"MTF50 at the {name} place"
        out.append(Column(f"{name}_mtf50_cpp", "float", words, loaded=name == "sharpest"))
    return out


def _noise() -> list[Column]:
    out = [
        Column("sigma_code8", "float", "luminance noise, 8-bit code values"),
        Column("grain_px", "float", "noise correlation length", loaded=False),
        Column("sigma_output_code8", "float", "noise at the common output size", loaded=False),
        Column("tone_output_scale", "float", "factor on sigma for the common output size"),
        Column("clipped_share", "float", "share of clipped pixels", loaded=False),
        Column("banding", "bool", "pattern noise seen", loaded=False),
        Column("hot_pixels", "int", "hot pixels seen"),
        Column("noise_note", "str", "plain words on the noise", loaded=False),
    ]
    for signal in TONE_SIGNALS:
        out.append(Column(f"{tone_column(signal)}_sigma", "float", f"noise at signal {signal}"))
        out.append(Column(f"{tone_column(signal)}_at_most", "float", "bound, where not measured"))
        out.append(Column(f"{tone_column(signal)}_pixels", "int", "pixels behind either"))
    out += [
        Column(f"signal_share_{i:02d}", "float", f"share of pixels with log2 signal from {e}")
        for i, e in enumerate(SIGNAL_BIN_EDGES[:-1])
    ]
    out += [
        Column("gain_e_per_dn", "float", "photon transfer: electrons per DN"),
        Column("read_noise_e", "float", "photon transfer: read noise, electrons"),
        Column("gain_stderr", "float", "its standard error", loaded=False),
        Column("read_noise_stderr_e", "float", "its standard error", loaded=False),
        Column("transfer_patches", "int", "flat patches behind it", loaded=False),
        Column("white_dn", "float", "white level above black, DN"),
    ]
    for colour in SITE_COLOURS:
        out.append(
            Column(f"{colour}_gain_e_per_dn", "float", f"gain of {colour} sites", loaded=False)
        )
        out.append(
            Column(f"{colour}_read_noise_e", "float", f"read noise of {colour} sites", loaded=False)
        )
    return out


def _fringing() -> list[Column]:
    out = [
        Column("lateral_red_px", "float", "red against green, outwards positive"),
        Column("lateral_blue_px", "float", "blue against green, outwards positive"),
        Column("fringe_width_px", "float", "width of the coloured seam"),
        Column("fringe_strength", "float", "its strength, share of the step", loaded=False),
        Column("fringe_edges", "int", "edges behind it", loaded=False),
    ]
    for zone in ZONES:
        out += [
            Column(f"{zone}_lateral_{c}_px", "float", f"{c} in the {zone}", loaded=zone == "corner")
            for c in ("red", "blue")
        ]
    return out


COLUMNS: Final = (
    *_FILE,
    *(
        Column(n, _SETTINGS.get(n, "str"), f"settings: {n}", loaded=n not in _SETTINGS_ON_DISK)
        for n in Settings.__slots__
    ),
    *_sharpness(),
    *_noise(),
    *_fringing(),
)
"""Columns of the store's frame table, in order."""

PICTURE_COLUMNS: Final = (
    *("thumb_jpeg", "sharpest_jpeg", "weakest_jpeg", "colour_grid", "dust_map"),
)
"""Binary columns of the store's picture table, keyed by `file_id`."""
