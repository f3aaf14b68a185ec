"""The palette: legible, and told apart by colour-blind readers."""

from __future__ import annotations

import re
from importlib import resources
from itertools import combinations

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from auditor.report.rendering import static

DAY, NIGHT = (
    dict(re.findall(r"--([\w-]+):(#\w+);", static(f"{name}.css"))) for name in ("day", "night")
)

TONES = ("tone-deep", "tone-shadow", "tone-mid-tone", "tone-bright")

# Machado, Oliveira, Fernandes, 'A physiologically-based model for simulation of color vision
# deficiency', IEEE TVCG 15(6), 2009: the matrices of severity 1 for linear sRGB.
DEFICIENCIES = {
    "none": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip


def linear(colour: str) -> np.ndarray:
    coded = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def seen(colour: str, deficiency: str) -> np.ndarray:
    light = np.clip(DEFICIENCIES[deficiency] @ linear(colour), 0, 1)
    coded = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return rgb2lab(coded[None, None])[0, 0]


def contrast(a: str, b: str) -> float:
    """WCAG 2.1, definition of contrast ratio."""
    one, two = (float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (a, b))
    return (max(one, two) + 0.05) / (min(one, two) + 0.05)


@pytest.mark.parametrize("deficiency", list(DEFICIENCIES))
@pytest.mark.parametrize("night", [0, 1])
@pytest.mark.parametrize(
    "group",
    [
        ("centre", "middle", "corner"),
        TONES,
        ("sheet", "pin-sharp", "acceptable"),
        ("sunk", "pin-sharp", "acceptable"),
        ("pin-sharp", "index"),
    ],
)
def test_marks_stay_apart(group: tuple[str, ...], night: int, deficiency: str) -> None:
    """CIEDE2000 of 10 and more: far above the just noticeable 1 (common practice, no source)."""
    for a, b in combinations(group, 2):
        first, second = (seen((DAY, NIGHT)[night][n], deficiency) for n in (a, b))
        assert deltaE_ciede2000(first, second) >= 10, (a, b)


@pytest.mark.parametrize("night", [0, 1])
def test_text_and_marks_are_legible(night: int) -> None:
    """WCAG 2.1: text 4.5:1 (1.4.3), marks that carry meaning 3:1 (1.4.11)."""
    colour = (DAY, NIGHT)[night]
    assert set(DAY) == set(NIGHT)
    for text in ("ink", "quiet", "index", "link"):
        for ground in ("ground", "sheet"):
            assert contrast(colour[text], colour[ground]) >= 4.5, (text, ground)
    for mark in ("centre", "middle", "corner", "pin-sharp", *TONES):
        assert contrast(colour[mark], colour["sheet"]) >= 3, mark
    assert contrast(colour["on-pale"], colour["acceptable"]) >= 4.5
    assert contrast(colour["on-strip"], colour["pin-sharp"]) >= 3


def test_series_differ_in_more_than_colour() -> None:
    """The style sheet gives each zone a line of its own, and the dark tones another mark."""
    css = (resources.files("auditor.report") / "static" / "report.css").read_text("utf-8")
    dashes = [
        re.search(rf"\.s\.{z} \.l\{{stroke-dasharray:([^}}]+)\}}", css)
        for z in ("middle", "corner")
    ]
    assert all(dashes)
    assert dashes[0][1] != dashes[1][1]
    assert "stroke-linecap:square" in css
