"""Keepers for the page: grouped by cause, the worst first, some of them with pictures."""

from __future__ import annotations

import os.path
from collections.abc import Mapping, Sequence
from typing import Any, Final

from auditor.model import Keeper
from auditor.record.pictures import PictureSource, fetch_pictures
from auditor.report import words
from auditor.report.frames_behind import FrameIndex
from auditor.report.listing import evidence, fault
from auditor.report.pictures import LARGE, crop_uri, shows_detail, thumb_uri
from auditor.report.rendering import link

__all__ = ["keeper_groups", "keeper_rows"]

SHOWN_PER_CAUSE: Final = 9
"""Frames of a cause that are shown with pictures: three rows of three."""
ROWS: Final = 20_000
"""Frames in the page's list, some 2 MB of it; the tables hold all."""
_NOISY_LOSS: Final = 0.3
"""Where a frame that is only noisy stands among those that lost this share of their sharpness."""
SETTING_CAUSES: Final = ("too small an aperture", "open-aperture corners")
"""Causes whose figures are those of the weaker of centre and corner, as the lens's ranges are."""


def _share(keeper: Keeper) -> float | None:
    """What the frame shows of the sharpness that was possible; None where that is not known."""
    measured, expected = keeper.get("measured_cpp"), keeper.get("expected_cpp")
    return measured / expected if measured is not None and expected else None


def _loss(keeper: Keeper) -> float:
    """How far the frame fell short: 0 as sharp as expected, 1 nothing left; noisy ones count too."""
    share = _share(keeper)
    if share is None:
        return _NOISY_LOSS if keeper.get("noisy") else 0.0
    return 1 - share


def _settings(keeper: Keeper, row: Mapping[str, Any]) -> list[str]:
    """Settings in words, from the keeper itself or from the frame's row."""
    own = keeper.get("settings") or {}

    def get(name: str) -> Any:
        return words.number(row.get(name) if own.get(name) is None else own[name])

    lens = words.clean(own.get("lens") or row.get("lens"))
    out = [words.shorten(lens, words.SHORT_NAME_CHARACTERS), words.focal(get("focal_length_mm"))]
    out.append(words.aperture(n) if (n := get("f_number")) else "")
    out.append(words.shutter(t) if (t := get("exposure_time_s")) else "")
    out.append(words.iso(i) if (i := get("iso")) else "")
    return [t for t in out if t]


def keeper_groups(
    keepers: Sequence[Keeper],
    counts: Mapping[str, int],
    index: FrameIndex,
    pictures: PictureSource | None,
    budget: int,
) -> list[dict[str, Any]]:
    """Groups: cause, how many, the worst as cards with their pictures ("" the frame, "+" its sharpest
    place, "-" its weakest) as data URIs, until `budget` bytes are used.

    `counts` says how many frames fell to each cause, where the list holds only the surest.
    """
    by_cause: dict[str, list[Keeper]] = {}
    for keeper in keepers:
        by_cause.setdefault(words.clean(keeper.get("cause")) or "no cause found", []).append(keeper)
    ordered = sorted(by_cause.items(), key=lambda item: -len(item[1]))
    shown = {
        cause: sorted(found, key=_loss, reverse=True)[:SHOWN_PER_CAUSE] for cause, found in ordered
    }
    rows = index.of_paths([str(k.get("path")) for found in shown.values() for k in found])
    groups: list[dict[str, Any]] = []
    wanted: dict[str, str] = {}
    for cause, found in ordered:
        cards = []
        for keeper in shown[cause]:
            row = rows.get(str(keeper.get("path")), {})
            file_id = keeper.get("file_id") or row.get("file_id")
            if isinstance(file_id, str) and file_id:
                wanted[file_id] = index.picture_key(file_id)
            path = words.clean(keeper.get("path"))
            cards.append(
                {
                    "path": path, "name": os.path.basename(path), "fault": fault(keeper),
                    "evidence": evidence(keeper), "keeper": keeper,
                    "share": _share(keeper) if keeper.get("soft") else None,
                    "by_setting": cause in SETTING_CAUSES,
                    "settings": _settings(keeper, row),
                    "picture": wanted.get(file_id) if isinstance(file_id, str) else None,
                    "answer": words.clean(keeper.get("answer")),
                }
            )  # fmt: skip
        groups.append(
            {"cause": cause, "count": max(len(found), counts.get(cause, 0)), "cards": cards}
        )
    kept = _pictures(pictures, wanted, budget)
    for group in groups:
        for shown_card in group["cards"]:
            key = shown_card["picture"]
            shown_card["pictures"] = {
                mark: kept[f"{key}{mark}"] for mark in ("", "+", "-") if f"{key}{mark}" in kept
            }
    return groups


def _pictures(
    pictures: PictureSource | None, wanted: Mapping[str, str], budget: int
) -> dict[str, str]:
    out: dict[str, str] = {}
    for file_id, row in fetch_pictures(pictures, wanted):
        key = wanted[file_id]
        crops = {
            f"{key}{mark}": crop_uri(row.get(f"{name}_jpeg"))
            for mark, name in (("+", "sharpest"), ("-", "weakest"))
            if shows_detail(row.get(f"{name}_jpeg"))  # plain sky shows neither sharp nor soft
        }
        found = {key: thumb_uri(row.get("thumb_jpeg"), *LARGE)} | crops
        budget -= sum(len(uri) for uri in found.values() if uri)
        if budget < 0:
            break
        out |= {k: uri for k, uri in found.items() if uri}
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
