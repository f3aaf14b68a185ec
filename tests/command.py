"""The command line, called in this process, and a picture for it."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from click.testing import CliRunner, Result

from auditor.cli import main


def call(*words: str | Path) -> Result:
    """What a command of these words prints, and the code that it ends with."""
    return CliRunner().invoke(main, [str(w) for w in words])


def write_ramp(path: Path) -> None:
    """A picture without an edge, as small as is measured."""
    ramp = np.linspace(0, 255, 240 * 160).reshape(160, 240).astype(np.uint8)
    cv2.imwrite(str(path), ramp)
