"""Light and cast of an accessory: what pairs of one scene share is no evidence twice."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from auditor.infer.comparisons.colour import PairColour, cast_entries, light_entries
from auditor.infer.comparisons.pairs import Pair
from auditor.infer.criteria import Criteria

ARCHIVES, SCENES, BURST = 40, 6, 20


def _archive(seed: int, scenes: int = SCENES) -> tuple[Any, list[Pair], list[PairColour | None]]:
    """An accessory that does nothing: light changed by a tenth of a stop and colours by 0.001 in u'v' between the two
    sides of a scene; of the first scene there is a burst with it and one without."""
    rng = np.random.default_rng(seed)
    scene = np.repeat(np.arange(scenes), [BURST] + [1] * (scenes - 1))
    light = rng.normal(0, 0.1, scenes)[scene] + rng.normal(0, 0.01, len(scene))
    shift = rng.normal(0, 1e-3, (scenes, 4, 2))[scene] + rng.normal(0, 1e-4, (len(scene), 4, 2))
    n = len(scene)
    pairs = [Pair(i, n + i, int(s)) for i, s in enumerate(scene)]
    table = SimpleNamespace(
        middle=np.zeros(2 * n), exposure=np.zeros(2 * n), flash=np.zeros(2 * n, bool),
        white_balance=np.full(2 * n, "daylight"), kelvin=np.full(2 * n, np.nan),
    )  # fmt: skip
    colours = [PairColour(s, float(x), float(x)) for s, x in zip(shift, light, strict=True)]
    return table, pairs, colours  # type: ignore[return-value]


def test_pairs_of_one_scene_count_as_one() -> None:
    held = {"light": 0, "vignetting": 0}
    tinted = 0
    for seed in range(ARCHIVES):
        made = _archive(seed)
        for e in light_entries(*made, Criteria(), bare=False):
            assert e["low"] is not None
            assert e["high"] is not None
            held[e["what"]] += e["low"] <= 0 <= e["high"]
            assert e["pairs"] == SCENES + BURST - 1
        tinted += bool(cast_entries(*made, Criteria())[0]["found"])
    assert min(held.values()) >= 0.8 * ARCHIVES
    assert tinted <= 0.1 * ARCHIVES


def test_pairs_of_a_single_scene_tell_nothing() -> None:
    made = _archive(1, scenes=1)
    told = light_entries(*made, Criteria(), bare=False) + cast_entries(*made, Criteria())
    assert [e["what"] for e in told] == ["light", "vignetting", "cast"]
    for e in told:
        assert "cannot tell from 20 pairs of 1 scene" in (e["verdict"] or "")
        assert (e["low"], e["high"]) == (None, None)
