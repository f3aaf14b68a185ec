"""Lenses in a profile."""

from __future__ import annotations

from typing import Annotated, Any, Literal, NotRequired, TypedDict

from auditor.model.bounds import (
    Count,
    Ends,
    Positive,
    Share,
)

__all__ = [
    "Aperture",
    "CurvePoint",
    "Diffraction",
    "FocalRange",
    "Fringing",
    "Lens",
    "Sides",
    "SweetSpot",
    "Zone",
]


class Zone(TypedDict):
    """Sharpness of one zone."""

    mtf50_cpp: Annotated[Positive, "system MTF50, cycles per pixel of the file"]
    low: Annotated[float | None, "lower end of the 90% interval, c/px"]
    high: Annotated[float | None, "upper end, c/px"]
    frames: NotRequired[Annotated[Count | None, "frames behind the figure"]]
    with_best: NotRequired[
        Annotated[float, "correlation of its error with that of the figure at the best aperture"]
    ]


class Aperture(TypedDict):
    """One aperture that was used."""

    f_number: Positive
    frames: Annotated[Count | None, "frames at this aperture"]
    centre: Annotated[Zone | None, "under 0.35 of the half-diagonal"]
    middle: Annotated[Zone | None, "from 0.35 to 0.7"]
    corner: Annotated[Zone | None, "from 0.7"]
    usual_centre_cpp: NotRequired[
        Annotated[float | None, "median of all frames: what was usually got"]
    ]
    usual_middle_cpp: NotRequired[Annotated[float | None, "the same in the middle"]]
    usual_corner_cpp: NotRequired[Annotated[float | None, "the same in the corner"]]
    sound_frames: NotRequired[Annotated[Count | None, "frames in which nothing else failed"]]


class CurvePoint(TypedDict):
    """Fitted curve at a third of a stop."""

    f_number: Positive
    centre: NotRequired[Annotated[Zone | None, "fitted"]]
    middle: NotRequired[Annotated[Zone | None, "fitted"]]
    corner: NotRequired[Annotated[Zone | None, "fitted"]]


class SweetSpot(TypedDict):
    """Aperture at which the weaker of centre and corner is sharpest."""

    f_number: Positive
    low: Annotated[float | None, "lower end of the 90% interval"]
    high: Annotated[float | None, "upper end"]


class Fringing(TypedDict):
    """Colour fringing."""

    onset_f_number: NotRequired[
        Annotated[float | None, "smallest aperture at which colour seams still show"]
    ]
    onset_frames: NotRequired[Annotated[int | None, "frames behind it, at that aperture and wider"]]
    by_aperture: NotRequired[list[dict[str, Any]]]
    inside_acceptable: NotRequired[bool | None]


class Sides(TypedDict):
    """Whether one side is softer than its opposite in frame after frame."""

    verdict: NotRequired[Annotated[str | None, "plain words"]]
    confidence: NotRequired[Annotated[Share | None, "how sure"]]
    frames: NotRequired[Annotated[Count | None, "frames behind it"]]


class Diffraction(TypedDict):
    """Diffraction at this pitch against what the archive shows."""

    ruling_from_f_number: NotRequired[
        Annotated[float | None, "from here diffraction is the larger blur"]
    ]
    text: NotRequired[Annotated[str | None, "plain words"]]


class FocalRange(TypedDict):
    """One focal range of a lens."""

    focal_mm: Annotated[Ends | None, "shortest and longest focal length, mm"]
    frames: Annotated[Count | None, "frames"]
    outings: NotRequired[Annotated[Count | None, "outings"]]
    apertures: Annotated[list[Aperture], "in order of f-number"]
    curve: NotRequired[Annotated[list[CurvePoint], "fitted, never past the apertures used"]]
    sweet_spot: Annotated[SweetSpot | None, "best aperture"]
    pin_sharp: Annotated[Ends | None, "f-numbers, lowest and highest"]
    acceptable: Annotated[Ends | None, "f-numbers, lowest and highest"]
    evidence: Literal["strong", "fair", "thin"] | None
    reasons: list[str]
    fringing: NotRequired[Fringing | None]
    sides: NotRequired[Sides | None]
    diffraction: NotRequired[Diffraction | None]
    sharpening: NotRequired[
        Annotated[
            dict[str, float] | None,
            "of the files, as fitted: amount of an unsharp mask of one pixel, and its error",
        ]
    ]


class Lens(TypedDict):
    """A lens on a body, with its converter."""

    lens: Annotated[str | None, "name as the files state it"]
    body: Annotated[str | None, "body"]
    converter: Annotated[str | None, "converter, null without"]
    lens_serial: NotRequired[Annotated[str | None, "serial where one name has several copies"]]
    pixel_pitch_um: Annotated[float | None, "micrometres"]
    frames: Annotated[Count | None, "frames"]
    source: NotRequired[Annotated[str | None, "kind of file that the curves were drawn from"]]
    frames_by_source: NotRequired[dict[str, int] | None]
    outings: NotRequired[Annotated[Count | None, "outings"]]
    files: NotRequired[
        Annotated[str | None, "the exports that a curve is drawn from where there is nothing else"]
    ]
    focal_ranges: Annotated[list[FocalRange], "from shortest to longest"]
    converter_comparison: NotRequired[dict[str, Any] | None]
    reasons: NotRequired[list[str]]
