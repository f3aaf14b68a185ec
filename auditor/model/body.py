"""Bodies in a profile: their noise by ISO, signal and light, against each other and by habit."""

from __future__ import annotations

from typing import Annotated, NotRequired, Required, TypedDict

from auditor.model.schema import (
    Count,
    Ends,
    Interval,
    OpenInterval,
    Positive,
    PositiveCount,
    PositiveShare,
    Share,
)

__all__ = [
    "Accepted",
    "AcceptedRow",
    "Band",
    "BandSnr",
    "Body",
    "BodyKind",
    "Habit",
    "IsoMatch",
    "KeptApart",
    "KindNoise",
    "LeftOut",
    "Scale",
    "Sensor",
    "SensorIso",
    "Tone",
    "UsableDetail",
    "UsableIso",
]

Low = Annotated[float | None, "lower end of the 90% interval"]
High = Annotated[float | None, "upper end"]


class Scale(TypedDict, total=False):
    """One kind of file of a body."""

    file_kind: str
    pixel_pitch_um: float
    frames: PositiveCount


class Tone(OpenInterval):
    """Noise at one ISO and signal."""

    iso: Positive
    signal: Annotated[PositiveShare, "linear, 1 = white"]
    snr: Annotated[float | None, "signal over noise, per pixel"]
    frames: Annotated[Count | None, "frames that show measurable noise here"]
    snr_output: NotRequired[Annotated[float | None, "the same at the output size"]]
    predicted: NotRequired[Annotated[bool | None, "no noise was measured here"]]
    frames_at_most: NotRequired[
        Annotated[Count | None, "frames that show no measurable noise here"]
    ]
    snr_at_least: NotRequired[
        Annotated[
            Positive | None,
            "signal to noise that those frames prove; null where noise was measured",
        ]
    ]


class UsableIso(TypedDict):
    """Highest usable ISO, null when not known or never reached."""

    excellent: Annotated[float | None, "ISO"]
    acceptable: Annotated[float | None, "ISO"]


class UsableDetail(TypedDict):
    """How a usable ISO came about."""

    snr: Annotated[Positive, "signal to noise that it was asked for"]
    predicted: Annotated[
        bool, "no noise was measured at it, nor do frames without visible noise prove it"
    ]
    reason: Annotated[str | None, "why there is none, or why it may lie higher"]
    low: Annotated[int | None, "lower end of the 90% interval, ISO"]
    high: Annotated[int | None, "upper end"]
    exact: NotRequired[Annotated[float, "between engraved values"]]


class BandSnr(Interval):
    """Signal to noise of a band's typical frame at one ISO, at the output size."""

    iso: int
    snr: Positive
    predicted: Annotated[bool, "no noise was measured here"]


class Band(TypedDict, total=False):
    """One band of scene brightness."""

    ev100: Required[Annotated[Ends | None, "edges, EV at ISO 100"]]
    band: Annotated[str | None, "name"]
    frames: Required[Annotated[Count | None, "frames"]]
    long_exposures: Annotated[Count, "of them, for which the limits do not hold"]
    usable_iso: Required[UsableIso]
    key: str
    usable_iso_detail: Annotated[dict[str, UsableDetail], "of each limit"]
    signals: Annotated[dict[str, float], "quartiles of a typical frame's signal, 1 = white"]
    by_iso: list[BandSnr]


class KeptApart(OpenInterval):
    """How much noisier frames that were kept apart are than the body's own figures."""

    frames: Count
    noise_ratio: Annotated[float | None, "null where no noise could be measured in them"]
    outings: NotRequired[Annotated[Count, "in which they were taken"]]
    from_s: NotRequired[Annotated[float, "long exposures: from so many seconds"]]


class KindNoise(TypedDict, total=False):
    """Noise in one kind of file."""

    tones: Required[list[Tone]]
    brightness: Required[list[Band]]
    frames_used: Count
    frames_measured: Annotated[Count, "of them, that show measurable noise"]
    outings: Count
    limits_firm: Annotated[
        bool | None, "from five such frames of two outings on: limits may stand in a headline"
    ]
    long_exposures: KeptApart | None
    output_megapixels: Positive
    notes: list[str]


class BodyKind(KindNoise):
    """A body's noise in a further kind of file."""

    kind: str


class SensorIso(TypedDict):
    """A sensor at one ISO, by photon transfer (EMVA 1288)."""

    iso: int
    gain_e_per_dn: Positive
    gain_low: Low
    gain_high: High
    read_noise_e: float | None
    read_low: Low
    read_high: High
    full_scale_e: float | None
    frames: Count


class Sensor(TypedDict):
    """A sensor, from raw frames."""

    by_iso: list[SensorIso]
    level_from_iso: Annotated[int | None, "ISO from which read noise no longer falls"]
    level_low: Annotated[int | None, "lower end of its 90% interval"]
    level_high: Annotated[int | None, "upper end"]
    level_reason: Annotated[str | None, "why there is none"]
    other_bit_depth: NotRequired[Annotated[Count, "frames left out: most have another bit depth"]]


class LeftOut(TypedDict):
    """Frames that say nothing of a body's noise."""

    reason: str
    frames: Count


class Body(KindNoise, total=False):
    """A body, with its noise in the kind of file that it has most of."""

    body: Required[Annotated[str | None, "name"]]
    frames: Required[Annotated[Count | None, "frames"]]
    pixel_pitch_um: Required[Annotated[float | None, "the sensor's own pixel, micrometres"]]
    scales: Annotated[list[Scale], "kinds of file and their scales, the commonest first"]
    kind: Annotated[str | None, "kind of file"]
    other_kinds: Annotated[list[BodyKind], "its noise in further kinds of file"]
    sensor: Annotated[Sensor | None, "from raw frames with a photon transfer"]
    left_out: list[LeftOut]


class IsoMatch(OpenInterval, total=False):
    """What one body's ISO is worth on another."""

    body: Required[str | None]
    reference_body: Required[str | None]
    ev100: Required[Annotated[Ends | None, "band"]]
    reference_iso: Required[Annotated[float | None, "ISO on the reference body"]]
    iso: Required[Annotated[float | None, "ISO on the body that looks as noisy"]]
    kind: Annotated[str, "kind of file"]
    band: Annotated[str, "name"]
    iso_exact: Annotated[float, "between engraved values"]
    stops: Annotated[float, "from the reference ISO"]
    predicted: Annotated[bool, "no noise was measured at one of both ISO values"]
    frames: Annotated[Count, "of the body with fewer"]


class Habit(Interval):
    """A habit that costs noise."""

    body: str
    habit: str
    frames: Annotated[Count, "with it"]
    of: Annotated[Count, "that could be judged"]
    share: Share
    text: str


class AcceptedRow(TypedDict):
    """The ISO at which a body looks as noisy in a band as an accepted picture."""

    body: str
    kind: str
    band: str
    key: str
    ev100: Ends
    iso: int | None
    low: int | None
    high: int | None
    iso_exact: float | None
    predicted: bool
    reason: Annotated[str | None, "why there is none"]


class Accepted(TypedDict):
    """What looks as noisy as a picture that the photographer accepts."""

    accepted: Annotated[str, "as given, BODY:ISO:BAND"]
    table: list[AcceptedRow]
