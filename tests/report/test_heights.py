"""How tall the page is before anything is opened, whatever the archive, and how soon it shows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import made_up
import numpy as np
import pytest
from simulated_frames import ArchiveSpec, Blur, LensSpec, simulate_frames
from test_browser import Visit

from auditor.gear.gear_file import Chosen
from auditor.gear.usage import gear_in_use
from auditor.infer.criteria import Criteria
from auditor.infer.profile import infer_profile
from auditor.report.write import write_report

pytestmark = pytest.mark.browser

WIDTHS = (390, 768, 1100, 1400)
PHONE_SCREENS, DESKTOP_SCREENS = 15, 6
"""What the report may be tall at most, in screens of 390 x 844 and of 900 px height."""
PAINT_MS = 1000


def height_of(width: int) -> int:
    return 844 if width < 600 else 900


def look(tab: Any, folder: Path, scheme: str = "light") -> dict[int, dict[str, float]]:
    out = {}
    tab.emulate_media(color_scheme=scheme)
    one = Visit(tab, folder / "report.html")
    for width in WIDTHS:
        one.page.set_viewport_size({"width": width, "height": height_of(width)})
        out[width] = one.page.evaluate(
            """() => ({ tall: document.documentElement.scrollHeight / innerHeight,
              wide: document.documentElement.scrollWidth - innerWidth,
              answer: document.getElementById('summary').getBoundingClientRect().bottom / innerHeight,
              paint: performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0 })"""
        )
    assert one.errors == []
    one.close()
    return out


def check(seen: dict[int, dict[str, float]]) -> None:
    for width, found in seen.items():
        most = PHONE_SCREENS if width < 600 else DESKTOP_SCREENS
        assert found["tall"] <= most, (width, found)
        assert found["wide"] <= 0, (width, found)
        if width >= 1100:
            assert found["answer"] <= 1, (width, found)  # the answer is one screen


@pytest.mark.parametrize(
    ("lenses", "scheme"),
    [(1, "light"), (20, "dark"), pytest.param(200, "light", marks=pytest.mark.long)],
)
def test_the_page_is_short_until_something_is_opened(
    tab: Any, tmp_path: Path, lenses: int, scheme: str
) -> None:
    made = made_up.profile(lenses, keepers=400)
    made["bodies"] *= max(lenses // 4, 1)
    for i, keeper in enumerate(made["keepers"]):
        keeper["cause"] = f"cause {i % 20}"
    write_report(made, None, None, tmp_path)
    check(look(tab, tmp_path, scheme))


def large_archive() -> tuple[dict[str, Any], Any]:
    """20 lenses and 60,000 frames, by use as archives have it: a few lenses took most frames."""
    rng = np.random.default_rng(5)
    lenses = [
        LensSpec(
            lens=f"Corvin {20 + 5 * i}mm f/{2 if i % 2 else 4}", body=f"Halden M{i % 5}",
            focal_mm=(float(20 + 5 * i),), apertures=(2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)[i % 2 :],
            centre=Blur(0.35, float(rng.uniform(0.4, 0.9)), 1.4),
            corner=Blur(0.45, float(rng.uniform(0.9, 1.8)), 1.2),
            frames=max(int(2850 / (1 + i) ** 1.1), 2),
        )
        for i in range(20)
    ]  # fmt: skip
    frames, _ = simulate_frames(ArchiveSpec(lenses=lenses, outings=200, all_columns=False), seed=3)
    profile, verdicts = infer_profile(frames, Criteria(), gear=gear_in_use(frames, Chosen()))
    return profile, frames.assign(cause=verdicts["cause"].to_numpy())


@pytest.mark.long
def test_a_large_archive_has_a_short_page_that_shows_at_once(tab: Any, tmp_path: Path) -> None:
    profile, frames = large_archive()
    assert len(frames) > 55_000
    write_report(profile, frames, made_up.pictures, tmp_path)
    looks = [look(tab, tmp_path) for _ in range(3)]
    for seen in looks:
        check(seen)
    assert min(seen[WIDTHS[0]]["paint"] for seen in looks) < PAINT_MS
    assert (tmp_path / "report.html").stat().st_size < 15e6
