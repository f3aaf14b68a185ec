"""Helpers of the report's tests: made-up profiles beside the tests, a Chromium when there is one."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
FLAGS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless Chromium with a profile folder of its own; it ends with its tests, for others look at processes."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine: the page is not tested in a real browser")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as player:
        chromium = player.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def tab(browser: Any) -> Iterator[Any]:
    """A page that tests visit one after the other: another one would be another process. It jumps to what it is
    asked for: gliding there paints it dozens of times."""
    context = browser.new_context(reduced_motion="reduce")
    yield context.new_page()
    context.close()
