"""Keepers for the page: grouped by cause, the worst first, some of them with pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from auditor.model import Keeper
from auditor.record.pictures import PictureSource, fetch_pictures
from auditor.report import words
from auditor.report.listing import evidence, fault
from auditor.report.pictures import picture_uri, shows_detail
from auditor.report.rendering import link

__all__ = ["CauseGroup", "keeper_groups", "keeper_rows"]

SHOWN_PER_CAUSE: Final = 9
"""Frames of a cause that are shown with pictures: three rows of three."""
ROWS: Final = 20_000
"""Frames in the page's list, some 2 MB of it; the tables hold all."""
SETTING_CAUSES: Final = ("too small an aperture", "open-aperture corners")
"""Causes whose figures are those of the weaker of centre and corner, as the lens's ranges are."""


class CauseGroup(NamedTuple):
    """Frames that fell short for one cause."""

    cause: str
    frames: int
    """How many, also where the list of keepers holds only the most probable."""
    by_setting: bool
    """Whether figures are those of the weaker of centre and corner."""
    cards: list[tuple[Keeper, Mapping[str, str]]]
    """The worst, with their pictures as data URIs: "" the frame, "+" its sharpest place, "-" its weakest."""


def keeper_groups(
    keepers: Sequence[Keeper],
    counts: Mapping[str, int],
    pictures: PictureSource | None,
    budget: int,
) -> list[CauseGroup]:
    """A group for each cause, that with most frames first; pictures until `budget` bytes are used.

    `counts` says how many frames fell to each cause, where the list holds only the most probable.
    """
    by_cause: dict[str, list[Keeper]] = {}
    for keeper in keepers:
        by_cause.setdefault(words.clean(keeper.get("cause")) or "no cause found", []).append(keeper)
    ordered = sorted(by_cause.items(), key=lambda item: -len(item[1]))
    worst = {
        cause: sorted(found, key=lambda k: -(k.get("loss") or 0))[:SHOWN_PER_CAUSE]
        for cause, found in ordered
    }
    wanted = [k.get("file_id") for found in worst.values() for k in found]
    kept = _pictures(pictures, wanted, budget)
    return [
        CauseGroup(
            cause,
            max(len(found), counts.get(cause, 0)),
            cause in SETTING_CAUSES,
            [(k, kept.get(str(k.get("file_id")), {})) for k in worst[cause]],
        )
        for cause, found in ordered
    ]


def _pictures(
    pictures: PictureSource | None, wanted: Sequence[str | None], budget: int
) -> dict[str, dict[str, str]]:
    """Pictures by file id."""
    out: dict[str, dict[str, str]] = {}
    for file_id, row in fetch_pictures(pictures, wanted):
        crops = {"+": row.get("sharpest_jpeg"), "-": row.get("weakest_jpeg")}
        found = {"": picture_uri(row.get("thumb_jpeg"))}
        # Plain sky shows neither sharp nor soft.
        found |= {mark: picture_uri(data) for mark, data in crops.items() if shows_detail(data)}
        out[file_id] = {mark: uri for mark, uri in found.items() if uri}
        budget -= sum(map(len, out[file_id].values()))
        if budget < 0:
            del out[file_id]
            break
    return out


def keeper_rows(keepers: Sequence[Keeper]) -> list[list[Any]]:
    """The whole list for the page's table: path, its address, fault, cause, probability, measured,
    expected, evidence. A frame that is only noisy has no sharpness to hold against it."""
    return [
        [
            words.clean(k.get("path")), link(k.get("path")), fault(k), words.clean(k.get("cause")),
            k.get("probability"),
            *((k.get("measured_cpp"), k.get("expected_cpp")) if k.get("soft") else (None, None)),
            evidence(k),
        ]
        for k in keepers[:ROWS]
    ]  # fmt: skip
