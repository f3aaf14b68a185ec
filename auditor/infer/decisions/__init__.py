"""From figures to decisions: visible or not, which lens, has it changed, dust, focus.

Each room is a function from the frame table and the profile's lenses and bodies to plain rows, and says
nothing where there is nothing to say.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import pandas as pd

from auditor.infer.criteria import Criteria
from auditor.infer.decisions.changes import find_changes
from auditor.infer.decisions.common import picture_sizes
from auditor.infer.decisions.focus_bias import find_focus_bias
from auditor.infer.decisions.rivals import lens_choice, lens_rivals
from auditor.infer.decisions.sensor_dust import REFERENCE_F_NUMBER, find_dust
from auditor.infer.decisions.visible import noise_visibility, visible_losses
from auditor.infer.enough import FEWEST
from auditor.infer.faults import Faults
from auditor.model import Decisions, DustSpot, FocusBias, GearChange, Rival, Shot, shot_of
from auditor.record.pictures import PictureSource

__all__ = ["decide", "decision_shots"]


def decide(
    frames: pd.DataFrame,
    lenses: Sequence[Mapping[str, Any]],
    bodies: Sequence[Mapping[str, Any]],
    criteria: Criteria,
    pictures: PictureSource | None = None,
    faults: Faults | None = None,
) -> Decisions:
    """The profile's decisions, each guarded so that one that fails costs itself alone.

    Parameters
    ----------
    frames : DataFrame
        Frame table: `record.COLUMNS` and the columns of `crawl.relate`.
    lenses, bodies : sequence of mapping
        Entries of the profile.
    criteria : Criteria
        Interval, prints, viewing distance and seed.
    pictures : DataFrame or callable, optional
        The frames' `dust_map` by `file_id`, or what gives such a table for some ids; without it there is no
        word of dust.
    faults : Faults, optional
        Takes what fails; a new one where None.

    Returns
    -------
    Decisions
        A list for each key.
    """
    whole = (faults or Faults()).whole
    frames = frames.reset_index(drop=True)
    sizes = picture_sizes(frames, lenses)
    rivals: list[Rival] = whole(
        "lens against lens", lambda: lens_rivals(lenses, sizes, criteria), []
    )
    return {
        "visible": whole("visible softness", lambda: visible_losses(lenses, sizes, criteria), []),
        "noise_visible": whole(
            "visible noise", lambda: noise_visibility(bodies, sizes, criteria), []
        ),
        "rivals": rivals,
        "lens_choice": whole("choice of lens", lambda: lens_choice(lenses, rivals), []),
        "changes": whole("changes", lambda: find_changes(frames, lenses, criteria), []),
        "dust": whole("dust", lambda: find_dust(frames, pictures), []),
        "focus_bias": whole("focus", lambda: find_focus_bias(frames, lenses, criteria), []),
    }


_FOCUS_FRAMES: Final = 10
"""Five focused as usual, and five on the magnified picture."""
_FLAT: Final = "tripod, a detailed subject that is flat and far, focused on the magnified picture"


def decision_shots(decisions: Decisions) -> list[Shot]:
    """Requests for test frames that would settle decisions, in the shape of the profile's `next_shots`.

    Parameters
    ----------
    decisions : Decisions
        From `decide`; missing lists count as empty.

    Returns
    -------
    list of Shot
        Changes of lenses first, then focus, then dust (one request for each body whose spots have not gone).
    """
    return [
        *(_change(c) for c in decisions.get("changes", ()) if c["lens"]),
        *(_focus(f) for f in decisions.get("focus_bias", ())),
        *_dust(decisions.get("dust", ())),
    ]


def _change(entry: GearChange) -> Shot:
    how = f"{_FLAT}; three frames, then three with the camera turned upside down"
    why = (
        f"{entry['text'][0].lower()}{entry['text'][1:]}: frames of one flat subject tell whether "
        "lens or habit changed"
    )
    return shot_of("change", 2 * FEWEST, how, why, entry)


def _focus(entry: FocusBias) -> Shot:
    how = (
        "tripod, widest aperture, a flat subject with a ruler running away from the camera beside "
        "it; five frames focused as usual, five on the magnified picture"
    )
    return shot_of("focus", _FOCUS_FRAMES, how, entry["text"], entry, focal_mm=entry["focal_mm"])


def _dust(spots: Sequence[DustSpot]) -> Iterator[Shot]:
    """One request for a body whose spots have not gone."""
    remaining = [s for s in spots if not s["gone_by"]]
    how = (
        "the plain sky or a white wall out of focus, the camera moved between the frames; once "
        "before and once after cleaning the sensor"
    )
    for body in dict.fromkeys(s["body"] for s in remaining):
        last = [s["last"] for s in remaining if s["body"] == body]
        many = "a spot of dust was" if len(last) == 1 else f"{len(last)} spots of dust were"
        why = f"{many} last seen on {max(last)}"
        yield shot_of(
            "dust", 3, how, why, body=body, apertures=[REFERENCE_F_NUMBER], iso=[100]
        )  # fmt: skip
