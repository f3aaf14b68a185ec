"""Keepers for the page: grouped by cause, the worst first, some of them with pictures; and small pictures as the
store has them, kept within a budget of bytes."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from auditor.model import Keeper
from auditor.record.pictures import PictureSource, fetch_pictures
from auditor.report import words
from auditor.report.listing import evidence, fault
from auditor.report.rendering import link

__all__ = [
    "CauseGroup",
    "keeper_groups",
    "keeper_rows",
    "picture_uri",
    "thumbs_within",
]

_START: Final = b"\xff\xd8"
"""Marker with which a JPEG begins (SOI, ITU-T T.81) ..."""
_END: Final = b"\xff\xd9"
"""... and with which it ends (EOI): without it a part is missing."""


def picture_uri(data: Any) -> str | None:
    """A data URI of a picture of the store, or None when it is none or not whole."""
    if not isinstance(data, bytes) or not (data.startswith(_START) and data.endswith(_END)):
        return None
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def _within(
    pictures: PictureSource | None,
    wanted: Iterable[str | None],
    budget: int,
    columns: Mapping[str, str],
) -> dict[str, dict[str, str]]:
    """File id -> mark of a column -> data URI, in the order asked, until `budget` bytes of page are used."""
    out: dict[str, dict[str, str]] = {}
    for file_id, row in fetch_pictures(pictures, wanted):
        found = {mark: uri for mark, name in columns.items() if (uri := picture_uri(row.get(name)))}
        budget -= sum(map(len, found.values()))
        if budget < 0:
            break
        out[file_id] = found
    return out


def thumbs_within(
    pictures: PictureSource | None, file_ids: Iterable[str], budget: int
) -> dict[str, str]:
    """File id -> data URI, in the order asked, until `budget` bytes of page are used."""
    found = _within(pictures, file_ids, budget, {"": "thumb_jpeg"})
    return {file_id: uris[""] for file_id, uris in found.items() if uris}


SHOWN_PER_CAUSE: Final = 9
"""Frames of a cause that are shown with pictures: three rows of three."""
ROWS: Final = 20_000
"""Frames in the page's list, some 2 MB of it; the tables hold all."""
SETTING_CAUSES: Final = ("too small an aperture", "open-aperture corners")
"""Causes whose figures are those of the weaker of centre and corner, as the lens's ranges are."""


_PICTURES: Final = {"": "thumb_jpeg", "+": "sharpest_jpeg", "-": "weakest_jpeg"}
"""Mark -> column: the frame, its sharpest place, its weakest."""


class CauseGroup(NamedTuple):
    """Frames that fell short for one cause."""

    cause: str
    frames: int
    """How many, also where the list of keepers holds only the most probable."""
    by_setting: bool
    """Whether figures are those of the weaker of centre and corner."""
    cards: list[tuple[Keeper, Mapping[str, str]]]
    """The worst, with their pictures as data URIs by the marks of `_PICTURES`."""


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
    kept = _within(pictures, wanted, budget, _PICTURES)
    return [
        CauseGroup(
            cause,
            max(len(found), counts.get(cause, 0)),
            cause in SETTING_CAUSES,
            [(k, kept.get(str(k.get("file_id")), {})) for k in worst[cause]],
        )
        for cause, found in ordered
    ]


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
