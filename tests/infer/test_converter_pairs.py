"""What is told of a converter: by curves, by pairs, and one answer of both."""

from __future__ import annotations

from typing import Any

import pytest
from simulated_frames import ArchiveSpec, LensSpec, simulate_frames

from auditor.crawl import relate
from auditor.infer import Criteria, build_profile, profile
from auditor.infer.comparisons import one_answer
from auditor.infer.lenses.converters import converter_text


def _zone(low: float, difference: float, high: float) -> dict[str, Any]:
    return {"difference": difference, "low": low, "high": high}


def _lens(**zones: Any) -> dict[str, Any]:
    return {
        "lens": "Eider 300mm f/4",
        "converter_comparison": {
            "converter": "TC 1.4x", "factor": 1.4, "text": "", "zones": zones,
        },
    }  # fmt: skip


def _pairs(zone: str | None, low: float, difference: float, high: float) -> dict[str, Any]:
    return {
        "label": "converter TC 1.4x", "against": "the bare lens", "lens": "Eider 300mm f/4",
        "what": "sharpness", "zone": zone, "pairs": 5, **_zone(low, difference, high),
        "verdict": "softer",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("ends", "told"),
    [
        ((-0.32, 0.01, 0.53), "cannot be told: between 32% softer and 53% sharper"),
        ((-0.06, 0.0, 0.01), "cannot be told: between 6% softer and 1% sharper"),
        (
            (-0.04, 0.01, 0.06),
            "no softer that matters, a loss of more than 4% ruled out (-4 to +6%)",
        ),
        (
            (-0.004, 0.1, 0.3),
            "no softer that matters, a loss of more than 1% ruled out (-0 to +30%)",
        ),
        ((-0.25, -0.22, -0.18), "softer by 22% (-25 to -18%)"),
        ((0.02, 0.05, 0.08), "sharper by 5% (+2 to +8%)"),
    ],
)
def test_no_difference_is_told_only_where_a_loss_that_matters_is_ruled_out(
    ends: tuple[float, float, float], told: str
) -> None:
    zones: Any = {"centre": _zone(*ends), "middle": None, "corner": None}
    assert converter_text(zones, None) == f"per pixel: centre {told}"
    on_subject = converter_text(zones, 1.4).split("; ")[1]
    assert ("between" in on_subject) == ("cannot be told" in told)


def test_the_more_certain_of_curves_and_pairs_is_told() -> None:
    lens: Any = _lens(
        centre=_zone(-0.32, 0.01, 0.53), middle=None, corner=_zone(-0.25, -0.22, -0.18)
    )
    pairs: Any = [_pairs(None, -0.2, -0.16, -0.12), _pairs("centre", -0.22, -0.16, -0.1),
                  _pairs("corner", -0.21, -0.16, -0.11)]  # fmt: skip
    one_answer([lens], pairs)
    found = lens["converter_comparison"]
    assert found["zones"]["centre"] == _zone(-0.22, -0.16, -0.1) | {"pairs": 5}
    assert found["zones"]["corner"] == _zone(-0.25, -0.22, -0.18)
    assert found["text"] == (
        "per pixel: centre softer by 16% (-22 to -10%, from 5 pairs); corner softer by 22% "
        "(-25 to -18%); on the subject that is 1.18 times the detail of the bare lens (1.09 to 1.26)"
    )
    assert "curves" in pairs[2]["note"]
    assert not any("note" in p for p in pairs[:2])


def test_what_pairs_say_of_the_subject_gives_way_to_surer_curves_too() -> None:
    lens: Any = _lens(centre=_zone(-0.33, -0.3, -0.27), middle=None, corner=None)
    subject: Any = _pairs("centre", 0.09, 0.17, 0.25) | {
        "what": "detail on the subject", "verdict": "more detail on the subject",
    }  # fmt: skip
    pairs: Any = [_pairs("centre", -0.22, -0.16, -0.1), subject]
    one_answer([lens], pairs)
    assert (
        "0.98 times the detail of the bare lens (0.94 to 1.02)"
        in lens["converter_comparison"]["text"]
    )
    assert "curves" in subject["note"]


def test_pairs_without_an_interval_or_of_several_bodies_change_nothing() -> None:
    wide = _zone(-0.32, 0.01, 0.53)
    one: Any = _lens(centre=wide, middle=None, corner=None)
    two: Any = _lens(centre=wide, middle=None, corner=None)
    few: Any = _pairs("centre", -0.2, -0.1, -0.05) | {"low": None, "high": None}
    one_answer([one], [few])
    one_answer([one, two], [_pairs("centre", -0.2, -0.16, -0.12)])  # type: ignore[list-item]
    assert one["converter_comparison"]["zones"]["centre"] == wide
    assert two["converter_comparison"]["zones"]["centre"] == wide


def test_a_profile_has_one_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    bare = LensSpec(lens="Eider 300mm f/4", focal_mm=(300.0,), apertures=(4.0, 8.0))
    with_it = LensSpec(lens="Eider 300mm f/4", focal_mm=(420.0,), apertures=(5.6, 8.0),
                       converter="TC 1.4x")  # fmt: skip
    frames, _ = simulate_frames(ArchiveSpec([bare, with_it], outings=6), 3)
    pairs = [_pairs("centre", -0.1601, -0.16, -0.1599)]
    monkeypatch.setattr(profile, "compare_labels", lambda *_: pairs)
    made = build_profile(relate(frames), Criteria())
    (found,) = [e["converter_comparison"] for e in made["lenses"] if e["converter"]]
    assert found["zones"]["centre"]["pairs"] == 5
    assert "centre softer by 16% (-16 to -16%, from 5 pairs)" in found["text"]
