"""What an archive decides: visible or not, which lens, has it changed, dust, focus; and what accessories and
habits cost."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, NotRequired, Required, TypedDict

from auditor.model.schema import (
    Count,
    Ends,
    Interval,
    OfLens,
    OpenInterval,
    Positive,
    Share,
)

__all__ = [
    "BY_CURVES",
    "AddedBlur",
    "Comparison",
    "Decisions",
    "DustSpot",
    "Finding",
    "FocusBias",
    "GearChange",
    "LeftOutPairs",
    "LensChoice",
    "NoiseVisible",
    "Rival",
    "RivalAperture",
    "RivalDifference",
    "RivalZone",
    "VisibleLoss",
]

Serial = Annotated[str | None, "serial where one name has several copies"]
Day = Annotated[str, "ISO 8601 day"]

BY_CURVES: Final = ("sharpness", "detail on the subject")
"""What (`Finding.what`) curves with and without a converter tell as well as pairs do."""


class VisibleLoss(OfLens, Interval):
    """Loss of one aperture against the best one, as it is looked at."""

    focal_mm: Ends | None
    f_number: Positive
    against_f_number: Annotated[Positive, "the best aperture"]
    viewing: Annotated[str, "the print or screen it is looked at on"]
    zone: Annotated[str, "the zone that loses most"]
    loss_jnd: Annotated[float, "its loss, just noticeable differences"]
    chance: Annotated[Share, "that the loss of some zone shows"]
    verdict: Annotated[
        str, "visible or not visible, with 'probably' where that is less sure, or cannot be told"
    ]
    largest_print_cm: Annotated[
        int | None,
        "largest print in which no loss shows; 300 for that and more, null where one of 10 cm shows it",
    ]
    zone_missing: NotRequired[
        Annotated[
            str | None,
            "centre or corner where it is not known at both apertures: the verdict is of the other alone, and the largest print at most as large",
        ]
    ]
    frames: Annotated[Count, "frames at the aperture"]
    odds: Annotated[str | None, "how sure a verdict with 'probably' is"]
    evidence: Literal["strong", "fair", "thin"]


class NoiseVisible(TypedDict):
    """ISO up to which a mid-tone's noise does not show."""

    body: str | None
    viewing: str
    iso: Annotated[int | None, "highest used at which it does not show; null where the lowest does"]
    first_seen_iso: Annotated[int | None, "lowest used at which it shows; null where none does"]
    first_seen_low: NotRequired[
        Annotated[
            int | None, "lower end of its 90% interval, an ISO in use; null where none shows it"
        ]
    ]
    first_seen_high: NotRequired[Annotated[int | None, "upper end; null where none shows it"]]
    frames: Count


class RivalDifference(Interval):
    """MTF50 per picture height of one lens against another's, positive where the first is sharper."""

    difference: Annotated[float, "share"]


class RivalZone(RivalDifference):
    """The same over all shared apertures."""

    sharper: Annotated[
        str | None,
        "the lens that is named, `lens` where the difference is positive, else `against`; null where chance may have it so",
    ]


class RivalAperture(TypedDict, total=False):
    """Two lenses at one aperture."""

    f_number: Required[Positive]
    frames: Required[Annotated[list[Count], "of each"]]
    centre: RivalDifference | None
    middle: RivalDifference | None
    corner: RivalDifference | None


class Rival(OfLens):
    """Two lenses that share focal lengths."""

    against: str | None
    against_body: str | None
    against_converter: NotRequired[str | None]
    against_serial: NotRequired[Serial]
    focal_mm: Annotated[Ends, "both cover it"]
    declined: Annotated[str | None, "why they are not held against each other"]
    text: str
    zones: dict[str, RivalZone]
    apertures: list[RivalAperture]
    seen: Annotated[dict[str, str], "by viewing, whether the largest difference shows"]


class LensChoice(OfLens, OpenInterval):
    """A lens with a rival, at its best aperture."""

    focal_mm: Ends
    f_number: Annotated[Positive, "its best aperture"]
    mtf50_cpp: Annotated[Positive, "of the weaker of centre and corner there"]
    take: Annotated[
        Literal["yes", "no"] | None,
        "named the sharper in a zone and its rivals in none, or the reverse",
    ]


class GearChange(OfLens, Interval):
    """A lens or a body that changed."""

    what: Annotated[str, "sharpness, sides, noise or hot pixels"]
    place: Annotated[str | None, "zone or sides"]
    date: Day
    date_low: Day
    date_high: Day
    change: Annotated[float, "share"]
    frames_before: Count
    frames_after: Count
    text: str
    p: Annotated[Share, "chance of such a change by luck"]
    also: Annotated[list[str], "what else moved at that time"]


class DustSpot(TypedDict):
    """A spot of dust on a sensor."""

    body: str | None
    body_serial: str | None
    x: Annotated[Share, "from the left of a frame held level, share of its width"]
    y: Annotated[Share, "from its top, share of its height"]
    f_number: Annotated[Positive, "smallest aperture that shows it"]
    diameter_px: Count
    depth: Annotated[float, "share of the light that it takes at that aperture"]
    since: Annotated[Day, "first seen"]
    last: Annotated[Day, "last seen"]
    not_before: Annotated[
        str | None, "last day before it, where days before show that it was not there"
    ]
    gone_by: Annotated[str | None, "first day of those that show it gone"]
    frames: Annotated[Count, "that show it"]
    text: str
    p: Annotated[Share, "chance of such a spot by luck"]


class FocusBias(OfLens, Interval):
    """A lens whose plane of focus lies on one side of the middle more often than chance has it."""

    focal_mm: Ends | None
    direction: Literal["front", "behind"]
    meant: Annotated[Literal["middle"], "where focus was meant to lie"]
    front: Annotated[Count, "frames in which it lay in front"]
    behind: Annotated[Count, "frames in which it lay behind"]
    frames: Count
    share: Annotated[Share, "of the frames in that direction"]
    text: str
    p: Annotated[Share, "chance of such a bias by luck"]
    apertures: Annotated[list[list[float]], "where it costs sharpness: f-number, share lost"]
    sides_known: Annotated[bool, "that it is not the lens's own softer side"]


class Decisions(TypedDict, total=False):
    """What follows from the figures."""

    visible: Annotated[
        list[VisibleLoss],
        "by lens, focal range, aperture and viewing: loss against the best aperture in just noticeable differences, with verdict",
    ]
    noise_visible: Annotated[
        list[NoiseVisible], "by body and viewing: ISO up to which a mid-tone's noise does not show"
    ]
    rivals: Annotated[
        list[Rival],
        "lenses that share focal lengths: difference by zone and aperture, or why it was declined",
    ]
    lens_choice: Annotated[
        list[LensChoice], "lenses with rivals at their best aperture, by focal length"
    ]
    changes: Annotated[list[GearChange], "what changed over the years, with date and size"]
    dust: Annotated[list[DustSpot], "spots of dust on the sensor, with place, depth and dates"]
    focus_bias: Annotated[
        list[FocusBias],
        "lenses whose plane of focus lies on one side of the middle more often than chance",
    ]


class AddedBlur(Interval):
    """Gaussian blur that would cost as much, px."""

    value: float


class LeftOutPairs(TypedDict):
    """Pairs or frames that were not compared."""

    reason: str
    count: Count


class Finding(OpenInterval, total=False):
    """A difference, of the label less its opposite."""

    what: Required[Annotated[str, "sharpness, cast, light, ..."]]
    zone: Required[str | None]
    pairs: Required[Annotated[Count | None, "pairs of frames"]]
    difference: Required[float | None]
    verdict: Required[Annotated[str | None, "plain words"]]
    unit: str
    scenes: Annotated[Count, "scenes that the pairs show; below 3 sharpness has no interval"]
    f_number: Annotated[float, "median aperture of the pairs"]
    sound_pairs: Annotated[float, "pairs in which nothing else failed"]
    added_blur_px: AddedBlur | None
    even: Annotated[bool, "the cast is the same across the frame"]
    found: Annotated[bool, "a cast, or unevenness, was found"]
    automatic_white_balance: bool
    note: str | None
    left_out: Annotated[list[LeftOutPairs], "pairs and frames that do not count, with the reason"]
    frames: Annotated[Any, "frames with the label, or of both sides"]


class Comparison(Finding):
    """What an accessory or a habit costs."""

    label: str | None
    against: str | None
    lens: NotRequired[str | None]
    body: NotRequired[str | None]
    asked: NotRequired[Annotated[bool, "it names an accessory or was asked about"]]
