"""What tests of scans need beside the fixtures of all tests."""

from __future__ import annotations

import pytest


@pytest.fixture
def at_once(at_once: None) -> None:
    """Calls of the planted measuring functions are counted from here on, too."""
    import archive

    archive.CALLS.write_text("")
