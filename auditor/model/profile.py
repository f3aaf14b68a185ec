"""The profile: the object of `profile.json`, and all in it that is not of one lens or body."""

from __future__ import annotations

from typing import Annotated, Any, Literal, NotRequired, TypedDict

from auditor.error_text import one_line
from auditor.model.body import Accepted, Body, Habit, IsoMatch
from auditor.model.decisions import Comparison, Decisions
from auditor.model.lens import Lens
from auditor.model.schema import (
    Count,
    NotNegative,
    Positive,
    PositiveShare,
    Share,
)


class Frames(TypedDict):
    """Files found = measured + set aside."""

    found: Count
    measured: Count
    set_aside: Count
    copies: NotRequired[
        Annotated[Count, "among the measured: files whose exposure is measured on a better file"]
    ]


class Criteria(TypedDict):
    """Thresholds, as they were set."""

    pin_sharp: Annotated[PositiveShare, "share of the best MTF50 kept by a pin-sharp aperture"]
    acceptable: Annotated[PositiveShare, "share kept by an acceptable one"]
    snr_excellent: NotRequired[Annotated[Positive, "signal to noise of excellent quality"]]
    snr_acceptable: NotRequired[Annotated[Positive, "signal to noise of acceptable quality"]]
    output_megapixels: NotRequired[Annotated[Positive, "output size at which noise is judged"]]
    output_width_px: NotRequired[Annotated[int, "its long side at 3:2"]]
    interval: NotRequired[Annotated[Share, "share of the truth that intervals are meant to hold"]]
    fringe_px: NotRequired[Annotated[Positive, "displacement from which colour seams count"]]
    coc_pixels: NotRequired[Annotated[Positive, "blur circle that hyperfocal distances allow"]]
    print_cm: NotRequired[Annotated[list[float], "long sides of prints"]]
    viewing_cm: NotRequired[Annotated[Positive, "distance from which prints are looked at"]]
    seed: NotRequired[Annotated[int, "of the resampling behind intervals"]]


class Keeper(TypedDict):
    """A frame softer or noisier than its settings had to be."""

    path: str
    soft: bool
    noisy: bool
    cause: Annotated[str | None, "the likely cause"]
    expected_cpp: Annotated[float | None, "what its settings allowed, c/px"]
    measured_cpp: Annotated[float | None, "what it shows, c/px"]
    evidence: NotRequired[Annotated[list[str] | str, "what speaks for the cause, in sentences"]]
    file_id: NotRequired[Annotated[str | None, "hash of the content"]]
    loss: NotRequired[Annotated[Share | None, "share of MTF50 missing, where it is soft"]]
    snr: NotRequired[Annotated[float | None, "signal to noise of its mid-tones at the output size"]]
    maybe_deliberate: NotRequired[Annotated[bool, "the blur may be meant"]]
    probability: NotRequired[float | None]
    settings: NotRequired[dict[str, Any]]
    answer: NotRequired[
        Annotated[Literal["meant", "fine", "bad"] | None, "the photographer's own answer"]
    ]


class Setting(TypedDict):
    """A setting that went wrong more often than usual."""

    lens: str | None
    setting: str
    frames: Annotated[Count | None, "frames"]
    soft_share: Annotated[Share | None, "share of soft frames"]
    noisy_share: Annotated[Share | None, "share of noisy frames"]
    usual_share: Annotated[Share | None, "share that is usual"]
    body: NotRequired[str | None]
    kind: NotRequired[Annotated[str, "what kind of setting: aperture, iso, shutter time, ..."]]
    fault: NotRequired[Annotated[Literal["soft", "noisy"], "which share stands out"]]
    low: NotRequired[Annotated[Share, "90% interval of that share"]]
    high: NotRequired[Annotated[Share, "90% interval"]]
    excess: NotRequired[Annotated[float, "that share less the usual one"]]
    p: NotRequired[Annotated[Share, "chance of such a share by luck"]]
    looked_at: NotRequired[Annotated[Count, "settings that were compared"]]


class Shot(TypedDict):
    """A series of test frames."""

    lens: str | None
    body: NotRequired[str | None]
    focal_mm: NotRequired[Annotated[Any, "one focal length or two ends, mm"]]
    apertures: NotRequired[list[float] | None]
    iso: NotRequired[list[float] | None]
    frames: NotRequired[Annotated[Count | None, "test frames"]]
    how: NotRequired[Annotated[str | None, "how to set up"]]
    why: NotRequired[Annotated[str | None, "what is open"]]
    gain: NotRequired[Annotated[Any, "what would be gained"]]
    kind: NotRequired[
        Annotated[str | None, "what it settles: sharpness, noise, read noise, handheld, comparison"]
    ]
    converter: NotRequired[str | None]
    minutes: NotRequired[Annotated[NotNegative, "what it takes, set-up included"]]
    label: NotRequired[Annotated[str | None, "the accessory that is compared"]]
    against: NotRequired[Annotated[str | None, "and with what"]]


class Filter(TypedDict):
    """Restrictions under which the profile was made, as given; null for all frames. 'frames' counts the whole archive all the same."""

    frames: NotRequired[Annotated[Count, "measured files that meet them"]]
    words: NotRequired[str]
    rating: NotRequired[int]
    since: NotRequired[str]
    body: NotRequired[str]
    lens: NotRequired[str]


class UnreadFolder(TypedDict):
    """A folder that could not be read."""

    path: str
    reason: str


class Verdicts(TypedDict):
    """How many frames could be judged, were soft or noisy, and by cause."""

    judged: NotRequired[int]
    soft: NotRequired[int]
    noisy: NotRequired[int]
    causes: NotRequired[dict[str, int]]


class Handheld(TypedDict):
    """The photographer's own handheld limit with one lens."""

    lens: str | None
    body: NotRequired[str | None]
    converter: NotRequired[str | None]
    limit_stops: Annotated[
        float | None, "stops slower than 1 / focal length at which one frame in ten is shaken"
    ]
    low: float | None
    high: float | None
    frames: int
    shaken: NotRequired[int]
    text: NotRequired[str]
    factor: NotRequired[float | None]


Role = Literal["in use", "phone", "borrowed", "seldom used", "single frames", "not named"]
"""How a body or a lens counts."""


class Use(TypedDict):
    """How much a body or a lens was used."""

    body: NotRequired[str | None]
    lens: NotRequired[str | None]
    converter: NotRequired[str | None]
    frames: NotRequired[Count]
    share: NotRequired[Annotated[Share, "of the frames looked at"]]
    first: NotRequired[Annotated[str | None, "ISO date of the first frame"]]
    last: NotRequired[str | None]
    years: NotRequired[Annotated[Count, "calendar years in which it was used"]]
    iso_low: NotRequired[float | None]
    iso_high: NotRequired[float | None]
    role: NotRequired[Role]


class Gear(TypedDict):
    """What is used how often, and so counts as the photographer's own; gear.toml has the last word."""

    bodies: NotRequired[list[Use]]
    lenses: NotRequired[list[Use]]
    left_out: NotRequired[Annotated[str, "in words what is not looked at; empty where nothing is"]]
    frames: NotRequired[Annotated[Count, "frames looked at"]]


class Answers(TypedDict):
    """How often the list of frames that fell short was right, by the photographer's answers."""

    listed: NotRequired[Count]
    bad: NotRequired[Count]
    fine: NotRequired[Count]
    meant: NotRequired[Count]
    missed: NotRequired[Count]
    right_share: NotRequired[Share | None]
    low: NotRequired[Share | None]
    high: NotRequired[Share | None]


class Fault(TypedDict):
    """A part that broke a stage of the program."""

    part: Annotated[str, "the lens or body, or the whole archive"]
    stage: str
    error: str


def fault_of(part: str, stage: str, error: Exception) -> Fault:
    """What to tell of an error, in one line."""
    said = one_line(error)
    return {"part": part, "stage": stage, "error": f"{type(error).__name__}: {said}"}


class Profile(Decisions):
    """What an archive says about its lenses, bodies and habits. What could not be measured is null, never 0. Other keys may be added."""

    frames: Frames
    criteria: Criteria
    lenses: list[Lens]
    bodies: list[Body]
    iso_matches: list[IsoMatch]
    keepers: list[Keeper]
    comparisons: list[Comparison]
    settings: list[Setting]
    next_shots: NotRequired[Annotated[list[Shot], "the most telling first"]]
    next_shots_unlisted: NotRequired[
        Annotated[int | None, "how many more requests would settle less"]
    ]
    next_shots_note: NotRequired[
        Annotated[str | None, "what to do where nothing or no lens could be measured"]
    ]
    habits: NotRequired[list[Habit]]
    filter: NotRequired[Filter | None]
    unread_folders: NotRequired[
        Annotated[
            list[UnreadFolder],
            "folders that could not be read; what lies in them is not among the frames found",
        ]
    ]
    set_aside: NotRequired[
        Annotated[
            list[Any] | dict[str, Any] | None, "files that were set aside, with their reasons"
        ]
    ]
    verdicts: NotRequired[Verdicts | None]
    handheld: NotRequired[
        Annotated[list[Handheld], "the photographer's own handheld limit by lens"]
    ]
    accepted: NotRequired[
        Annotated[
            list[Accepted],
            "for each accepted BODY:ISO:BAND, what looks as noisy on every body",
        ]
    ]
    gear: NotRequired[Gear]
    answers: NotRequired[Answers]
    notices: NotRequired[Annotated[list[str], "what else the owner should know, a line each"]]
    faults: NotRequired[
        Annotated[list[Fault], "parts that broke a stage of the program and are missing from it"]
    ]
