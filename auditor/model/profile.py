"""The profile: the object of `profile.json`, and all in it that is not of one lens or body."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, NotRequired, Required, TypedDict, get_args

from auditor.error_text import one_line
from auditor.model.body import Accepted, Body, Habit, IsoMatch
from auditor.model.decisions import Comparison, Decisions
from auditor.model.lens import Lens
from auditor.model.schema import (
    Count,
    NotNegative,
    OfLens,
    OpenInterval,
    Positive,
    PositiveShare,
    Share,
)

__all__ = [
    "ANSWERS",
    "TAKEN_BACK",
    "Answers",
    "Criteria",
    "Fault",
    "Filter",
    "Frames",
    "Gear",
    "Handheld",
    "Keeper",
    "Profile",
    "Role",
    "SetAside",
    "Setting",
    "Shot",
    "Use",
    "Verdicts",
    "fault_of",
    "shot_of",
]


Answer = Literal["meant", "fine", "bad"]
"""What a photographer can answer on a frame that was listed: it was meant so; it is fine; it is indeed bad."""
ANSWERS: Final = get_args(Answer)
TAKEN_BACK: Final = "none"
"""Takes an earlier answer back."""


class Frames(TypedDict):
    """Files found = measured + set aside."""

    found: Count
    measured: Count
    set_aside: Count
    copies: NotRequired[
        Annotated[Count, "among the measured: files whose exposure is measured on a better file"]
    ]


class Criteria(TypedDict, total=False):
    """Thresholds, as they were set."""

    pin_sharp: Required[
        Annotated[PositiveShare, "share of the best sharpness that a pin-sharp aperture keeps"]
    ]
    acceptable: Required[
        Annotated[PositiveShare, "share of the best sharpness that an acceptable aperture keeps"]
    ]
    snr_excellent: Annotated[Positive, "signal to noise of excellent quality"]
    snr_acceptable: Annotated[Positive, "signal to noise of acceptable quality"]
    output_megapixels: Annotated[
        Positive, "output size at which noise is judged and bodies are compared"
    ]
    interval: Annotated[Share, "share of the truth that intervals are meant to hold"]
    fringe_px: Annotated[Positive, "displacement from which colour seams count"]
    coc_pixels: Annotated[Positive, "blur circle that hyperfocal distances allow"]
    print_cm: Annotated[
        list[float], "long sides of prints for which differences are told visible or not"
    ]
    viewing_cm: Annotated[Positive, "distance from which prints are looked at"]
    seed: Annotated[int, "of the resampling behind intervals"]


class Keeper(TypedDict, total=False):
    """A frame softer or noisier than its settings had to be."""

    path: Required[str]
    soft: Required[bool]
    noisy: Required[bool]
    cause: Required[Annotated[str | None, "the likely cause"]]
    expected_cpp: Required[
        Annotated[
            float | None, "what its settings allowed, c/px; none where streaks alone tell the fault"
        ]
    ]
    measured_cpp: Required[Annotated[float | None, "what it shows, c/px"]]
    evidence: Annotated[list[str], "what speaks for the cause, in sentences"]
    file_id: Annotated[str | None, "hash of the content"]
    loss: Annotated[Share | None, "share of MTF50 missing, where it is soft"]
    snr: Annotated[float | None, "signal to noise of its mid-tones at the output size"]
    maybe_deliberate: Annotated[bool, "the blur may be meant"]
    probability: float | None
    settings: dict[str, str | float | None]
    answer: Annotated[Answer | None, "the photographer's own answer"]


class Setting(OfLens, total=False):
    """A setting that went wrong more often than usual."""

    setting: Required[str]
    frames: Required[Annotated[Count | None, "frames"]]
    soft_share: Required[Annotated[Share | None, "share of soft frames"]]
    noisy_share: Required[Annotated[Share | None, "share of noisy frames"]]
    usual_share: Required[Annotated[Share | None, "share that is usual"]]
    kind: Annotated[str, "what kind of setting: aperture, iso, shutter time, ..."]
    fault: Annotated[Literal["soft", "noisy"], "which share stands out"]
    low: Annotated[Share, "90% interval of that share"]
    high: Annotated[Share, "90% interval"]
    excess: Annotated[float, "that share less the usual one"]
    p: Annotated[Share, "chance of such a share by luck"]
    looked_at: Annotated[Count, "settings that were compared"]


class Shot(OfLens, total=False):
    """A series of test frames."""

    focal_mm: Annotated[Any, "one focal length or two ends, mm"]
    apertures: list[float] | None
    iso: list[float] | None
    frames: Annotated[Count | None, "test frames"]
    how: Annotated[str | None, "how to set up"]
    why: Annotated[str | None, "what is open"]
    gain: Annotated[Any, "what would be gained"]
    kind: Annotated[str | None, "what it settles: sharpness, noise, comparison, dust, ..."]
    minutes: Annotated[NotNegative, "what it takes, set-up included"]
    label: Annotated[str | None, "the accessory that is compared"]
    against: Annotated[str | None, "and with what"]


class Filter(TypedDict, total=False):
    """Restrictions under which the profile was made, as given; null for all frames. 'frames' counts the whole archive all the same."""

    frames: Annotated[Count, "measured files that meet them"]
    copies: Annotated[
        Count, "further files among these of an exposure measured on its best; absent where none is"
    ]
    words: str
    rating: int
    since: str
    body: str
    lens: str


class SetAside(TypedDict):
    """A file that was set aside, or a folder that could not be read."""

    path: str
    reason: str | None


class Verdicts(TypedDict, total=False):
    """How many frames could be judged, were soft or noisy, and by cause."""

    judged: int
    soft: int
    noisy: int
    causes: dict[str, int]
    shaken_fast: Annotated[int, "shaken though the shutter was faster than 1 / focal length"]


class Handheld(OfLens, OpenInterval):
    """The photographer's own handheld limit with one lens."""

    limit_stops: Annotated[
        float | None, "stops slower than 1 / focal length at which one frame in ten is shaken"
    ]
    frames: int
    shaken: NotRequired[int]
    text: NotRequired[str]
    factor: NotRequired[float | None]


Role = Literal["in use", "phone", "borrowed", "seldom used", "single frames", "not named"]
"""How a body or a lens counts."""


class Use(TypedDict, total=False):
    """How much a body or a lens was used."""

    body: str | None
    lens: str | None
    converter: str | None
    frames: Count
    share: Annotated[Share, "of the frames looked at"]
    first: Annotated[str | None, "ISO date of the first frame"]
    last: str | None
    years: Annotated[Count, "calendar years in which it was used"]
    iso_low: float | None
    iso_high: float | None
    role: Role


class Gear(TypedDict, total=False):
    """What is used how often, and so counts as the photographer's own; gear.toml has the last word."""

    bodies: list[Use]
    lenses: list[Use]
    left_out: Annotated[str, "in words what is not looked at; empty where nothing is"]
    frames: Annotated[Count, "frames looked at"]
    copies: Annotated[
        Count, "further files among these of an exposure measured on its best; absent where none is"
    ]


class Answers(TypedDict, total=False):
    """How often the list of frames that fell short was right, by the photographer's answers."""

    listed: Count
    bad: Count
    fine: Count
    meant: Count
    missed: Count
    right_share: Share | None
    low: Share | None
    high: Share | None


class Fault(TypedDict):
    """A part that broke a stage of the program."""

    part: Annotated[str, "the lens or body, or the whole archive"]
    stage: str
    error: str


def shot_of(
    kind: str, frames: int, how: str, why: str, of: Mapping[str, Any] | None = None, **more: Any
) -> Shot:
    """A series of test frames in the form of the profile.

    Parameters
    ----------
    kind : str
        What it settles.
    frames : int
        Test frames.
    how, why : str
        How to set up, and what is open.
    of : mapping, optional
        Entry of the profile whose lens, body, converter and serial it is for.
    **more : object
        Further keys of `Shot`.

    Returns
    -------
    Shot
        None or empty where nothing is given.
    """
    names = ("lens", "body", "converter", *(("lens_serial",) if of else ()))
    shot: Any = {"kind": kind, **{name: (of or {}).get(name) for name in names}}
    shot |= {"focal_mm": None, "gain": None, "apertures": [], "iso": [], "frames": frames}
    whole: Shot = shot | {"how": how, "why": why} | more
    return whole


def fault_of(part: str, stage: str, error: Exception) -> Fault:
    """A fault in the form of the profile.

    Parameters
    ----------
    part : str
        The lens or body, or the whole archive.
    stage : str
        Stage of the program.
    error : Exception
        What was raised.

    Returns
    -------
    Fault
        The error's type and message in one line.
    """
    message = one_line(error)
    return {"part": part, "stage": stage, "error": f"{type(error).__name__}: {message}"}


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
            list[SetAside],
            "folders that could not be read; what lies in them is not among the frames found",
        ]
    ]
    set_aside: NotRequired[
        Annotated[list[SetAside], "files that were set aside, with their reasons"]
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
