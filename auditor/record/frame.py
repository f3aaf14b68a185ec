"""What is known of one frame: the records that the rooms fill.

`Settings` comes from the settings reader; `Sharpness`, `Noise`, `PhotonTransfer` and `Fringing` from
the measuring room; a `FrameRecord` holds all of them. Anything not measured is None, never 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DIRECTIONS",
    "DUST_F_NUMBER",
    "DUST_GRID",
    "LOWER_SIDE",
    "MID_GREY",
    "OPPOSITE_SIDE",
    "OUTPUT_MEGAPIXELS",
    "SIDES",
    "SIGNAL_BIN_EDGES",
    "TONE_SIGNALS",
    "UPRIGHT",
    "ZONES",
    "ZONE_RADII",
    "Certainty",
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
]

ZONES: Final = ("centre", "middle", "corner")
"""By distance from the frame's centre over the half-diagonal: under 0.35, between, from 0.7."""
ZONE_RADII: Final = (0.35, 0.7)
"""Where the middle and the corner begin, by that distance."""

SIDES: Final = ("left", "right", "top", "bottom")
"""Parts of the corner zone by the half of the sensor (own orientation) in which they lie."""
OPPOSITE_SIDE: Final = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
LOWER_SIDE: Final = {
    1: "bottom", 2: "bottom", 3: "top", 4: "top", 5: "right", 6: "right", 7: "left", 8: "left",
}  # fmt: skip
"""Which side of the sensor shows the bottom of the picture as it was held, by the tag Orientation (Exif 2.32,
tag 0x0112)."""

UPRIGHT: Final = 5
"""Values of the tag Orientation from here on are of a camera held upright."""

DIRECTIONS: Final = {"horizontal": 0, "falling": 45, "vertical": 90, "rising": 135}
"""Directions of blur in degrees, x to the right, y down, each the middle of a sector of 45 degrees."""

MID_GREY: Final = 0.18
"""Signal of the grey that exposure meters aim at (linear, 1 = white; 18%, ISO 12232)."""
TONE_SIGNALS: Final = (0.01125, 0.0225, 0.045, 0.09, 0.18, 0.36, 0.72)
"""Signal levels (linear, 1 = white) at which noise is reported, one stop apart around 18% grey."""

OUTPUT_MEGAPIXELS: Final = 8.0
"""Common output size of noise: 8 megapixels, about 3460 x 2310 at 3:2, an A4 print at 300 dots per inch."""

SIGNAL_BIN_EDGES: Final = tuple(half / 2 for half in range(-20, 1))
"""Edges in log2 of linear signal of the stored histogram; darker pixels count in the first bin."""

DUST_F_NUMBER: Final = 7.9
"""f-number below which shadows of dust are too wide and faint to be looked for (f/8 and beyond hold)."""
DUST_GRID: Final = (24, 16)
"""Columns and rows of cells in which a frame says how faint a spot of dust it can show."""

Source = Literal["raw", "camera", "edited", "resized", "unknown"]

PitchBasis = Literal["focal-plane", "maker", "equivalent", "database", "consensus"]

Certainty = Literal["sure", "likely", "assumed"]

FileKind = Literal[
    "raw", "camera full size", "camera reduced", "edited full size", "edited reduced", "cropped",
    "enlarged", "unknown",
]  # fmt: skip
"""What became of the sensor's pixels. 'cropped' keeps them, by a program or by a camera's crop mode;
'reduced' keeps the field and not the pixels; 'enlarged' files have more than there were."""


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
    image_unique_id: str | None = None
    """Exif's ImageUniqueID, where it is one: 32 hexadecimal digits in small letters."""
    flash: bool | None = None
    rating: int | None = None
    labels: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    """Plain words about tags that were unusable ('aperture written as f/0')."""
    pitch_basis: PitchBasis | None = None
    """Where the pixel pitch comes from: tags, the open database of sensors, or the archive's other
    frames; 'equivalent' is the 35 mm equivalent and the least exact."""
    written_width_px: int | None = None
    """Size that the tags claim the camera wrote, when they say; larger than the file's own after
    downsizing or cropping by a program that left the tags alone."""
    written_height_px: int | None = None
    maker_note: bool | None = None
    """Whether the camera's private notes are there; programs often drop them."""
    white_balance: str | None = None
    """'auto', the kind of light that was set ('daylight'), or 'manual'."""
    colour_temperature_k: float | None = None
    file_kind: FileKind = "unknown"
    kind_reason: str | None = None
    """Evidence for `file_kind`, in plain words."""
    pitch_certainty: Certainty | None = None
    """Of `pixel_pitch_um` and `file_kind`: from several or exact tags; from one that may be stale;
    or the plainest of several possibilities."""
    sensor_share: float | None = None
    """Share of the sensor's area that the file covers."""
    sensor_pixel_um: float | None = None
    """The sensor's own pixel, where its pixel count is known; `pixel_pitch_um` is of the file's."""
    file_source: Source | None = None
    """`source` from the file alone; this and what follows is the evidence for settling the archive."""
    told_pitch_um: float | None = None
    """Pixel pitch by focal-plane tags or the maker's note, whatever the file's size; may be stale."""
    sensor_diagonal_mm: float | None = None
    """Of the body's sensor by the open database."""
    native_width_px: int | None = None
    native_height_px: int | None = None
    """Pixels of the whole sensor by the maker's note."""
    recoded: bool | None = None
    """Whether the JPEG is built as programs build it and cameras do not; None: no JPEG."""
    whole_side_px: int | None = None
    """Longer side that the field of the embedded thumbnail has at this file's pixels: more than the
    file's own after cutting by a program that left the thumbnail alone."""
    resampled: bool | None = None
    """Whether pixels bear the traces of enlarging; looked for where nothing else tells of the size."""


@dataclass(frozen=True, slots=True)
class ZoneSharpness:
    """System MTF50 of one zone in cycles per pixel of the file, as its sharpest edges show it.

    Nothing is assumed of lenses or objects: the figure is what is seen. How much better the lens may
    be, where objects are soft themselves, is in `stderr_cpp`.
    """

    mtf50_cpp: float
    stderr_cpp: float
    edges: int
    """Clean step edges behind the figure."""
    seen_stderr_cpp: float | None = None
    """The part of the error that is the measurement's, objects' softness left out: how far two frames
    of one subject would differ."""


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
    """Sharpness of one frame, MTF50 in cycles per pixel of the file, in the sensor's orientation."""

    zones: Mapping[str, ZoneSharpness | None]
    """Keys `ZONES`."""
    sides: Mapping[str, ZoneSharpness | None]
    """Keys `SIDES`."""
    horizontal_cpp: float | None = None
    """Frame-wide MTF50 of the sharpest edges whose blur lies along x; and so for the other `DIRECTIONS`.
    Movement takes from one of them, missed focus from all."""
    falling_cpp: float | None = None
    vertical_cpp: float | None = None
    rising_cpp: float | None = None
    streaks: float | None = None
    """How much of the finest detail is missing along one direction, in scatters of single windows: about 0.3 for a
    still frame."""
    fineness: float | None = None
    """How fine the finest texture is in its least fine direction (ln of energy at a small blur over a greater)."""
    upsampled: bool = False
    """The spectrum ends well below the pixel grid's limit, as after enlarging."""
    in_focus: bool = True
    note: str | None = None
    sharpest: Place | None = None
    weakest: Place | None = None


@dataclass(frozen=True, slots=True)
class Tone:
    """Luminance noise at one of `TONE_SIGNALS`, linear light, 1 = white, per pixel."""

    signal: float
    sigma: float
    pixels: int


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of one frame's luminance, in 8-bit code values and by tone in linear light."""

    sigma_code8: float | None
    tones: tuple[Tone, ...] = ()
    """Noise by signal level, where it was measured."""
    at_most: tuple[Tone, ...] = ()
    """Levels without measurable noise: their `sigma` is what it has at most (less than a code value,
    or less than the texture that hides it)."""
    tone_output_scale: float | None = None
    """Factor on a sigma for area-averaging to the common output size (grain taken into account)."""
    signal_shares: tuple[float, ...] | None = None
    """Share of the frame's pixels in each bin of `SIGNAL_BIN_EDGES`."""
    hot_pixels: int | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class PhotonTransfer:
    """Frame-level photon transfer on the mosaic, EMVA 1288 terms; DN after the black level."""

    gain_e_per_dn: float
    read_noise_e: float | None
    """None where the frame holds no dark flat area to show it."""
    white_dn: float | None = None


@dataclass(frozen=True, slots=True)
class Fringing:
    """Lateral colour: displacement of red and blue against green, positive away from the centre."""

    lateral_red_px: float | None
    lateral_blue_px: float | None
    fringe_width_px: float | None
    corner_lateral_red_px: float | None = None
    """The corner's own displacements; the others are those at the half-diagonal, from all edges."""
    corner_lateral_blue_px: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Dust:
    """What of one frame may be dust on the sensor."""

    significance: NDArray[np.float32]
    """(H, W) by how many standard deviations of its surroundings a round place of a shadow's size is
    darker, in the sensor's orientation; NaN where the frame is too rough to tell."""
    local_sd: NDArray[np.float32]
    """(rows, columns) of `DUST_GRID`: that standard deviation, as a share of the light."""


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
    dust_map: bytes | None = None
    """`Dust`, packed."""
    colour_grid: bytes | None = None
    """24 x 16 x 3 little-endian uint16, row by row, R G B in linear light (65535 = white): area
    means of the frame in the sensor's orientation. With the JPEGs it lives in the picture table."""
