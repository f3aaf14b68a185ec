"""Records, rows and objects: no figure of a record is lost on its way to the store and to JSON."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any, get_args, get_type_hints

import pytest

from auditor.record import (
    COLUMNS,
    SIGNAL_BIN_EDGES,
    FrameRecord,
    Fringing,
    Noise,
    PhotonTransfer,
    Place,
    Sharpness,
    Tone,
    ZoneSharpness,
    row_to_object,
    to_row,
)

PLAIN: dict[str, FrameRecord] = {
    "sharpness": FrameRecord("a.jpg", sharpness=Sharpness({}, {})),
    "noise": FrameRecord("a.jpg", noise=Noise(None)),
    "photon_transfer": FrameRecord("a.jpg", photon_transfer=PhotonTransfer(1.0, 1.0)),
    "fringing": FrameRecord("a.jpg", fringing=Fringing(1.0, 1.0, 1.0)),
}
"""A frame with one record each, nothing in it that can be left out."""

ZONE = ZoneSharpness(0.25, 0.01, 30)
SPECIAL: dict[str, Any] = {
    "zones": {"centre": ZONE},
    "sides": {"left": ZONE},
    "sharpest": Place(1, 2, 3, 4, 0.25),
    "tones": (Tone(0.18, 0.004, 5000),),
    "at_most": (Tone(0.18, 0.004, 5000),),
    "signal_shares": (0.05,) * (len(SIGNAL_BIN_EDGES) - 1),
}
"""Values of the fields that are no single figure."""
ONLY_IN_THE_STORE = {"signal_shares", "sharpest"}
FOR_SMALL_PICTURES = {"weakest"}
"""What only tells where a small picture is cut out."""

SINGLE = {float: 0.5, int: 7, bool: True, str: "words"}
KINDS = {float: "float", int: "int", bool: "bool", str: "str"}


def fields() -> Iterator[tuple[str, str, Any]]:
    """Record, field and type (without None) of all that is measured."""
    for part, frame in PLAIN.items():
        record = getattr(frame, part)
        for name, hint in get_type_hints(type(record)).items():
            first, *others = get_args(hint) or (hint,)
            if name not in FOR_SMALL_PICTURES:
                yield part, name, first if others == [type(None)] else hint


def told(frame: FrameRecord) -> tuple[dict[str, Any], dict[str, Any]]:
    row = to_row(frame)
    return row, row_to_object(row)


@pytest.mark.parametrize(("part", "name", "kind"), list(fields()))
def test_a_figure_of_a_record_shows_in_the_row_and_in_the_object(
    part: str, name: str, kind: type
) -> None:
    plain = PLAIN[part]
    record = getattr(plain, part)
    value = SPECIAL.get(name, SINGLE.get(kind))
    if value == getattr(record, name):
        value = not value
    changed = dataclasses.replace(plain, **{part: dataclasses.replace(record, **{name: value})})
    (row, shown), (row_before, shown_before) = told(changed), told(plain)
    assert row != row_before
    if name not in ONLY_IN_THE_STORE:
        assert shown[part] != shown_before[part]


def test_a_column_holds_what_its_field_holds() -> None:
    column = {c.name: c.kind for c in COLUMNS}
    single = [(name, kind) for _, name, kind in fields() if name in column]
    assert len(single) >= 15
    assert {n: column[n] for n, _ in single} == {n: KINDS[kind] for n, kind in single}
