"""Builds the demo archive from its recipe: `python -m auditor.artificial.demo demo_archive`."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from auditor.artificial.archive import plan
from auditor.artificial.recipe import load_recipe
from auditor.artificial.render import draw_archive

__all__ = ["build_demo", "main"]


def build_demo(folder: Path, workers: int | None = None) -> int:
    """Draw the frames of `folder`/recipe.json that are not there yet; returns how many were drawn."""
    recipe = load_recipe(folder / "recipe.json")
    missing = sum(not (folder / shot.path).exists() for shot in plan(recipe))
    if not missing and (folder / "frames" / "truth.json").exists():
        return 0
    on_terminal = sys.stderr.isatty()

    def report(done: int, total: int) -> None:
        if on_terminal:
            print(f"\rDrawing the demo archive: {done} of {total} frames", end="", file=sys.stderr)

    draw_archive(recipe, folder, workers, report)
    if on_terminal:
        print(file=sys.stderr)
    return missing


def main() -> int:
    """Command: build, say in one line what happened."""
    if len(sys.argv) != 2:
        print("Say where the demo archive lies: python -m auditor.artificial.demo FOLDER")
        return 2
    folder = Path(sys.argv[1])
    start = time.monotonic()
    try:
        drawn = build_demo(folder, workers=min(os.cpu_count() or 1, 8))
    except (OSError, ValueError) as error:
        print(f"The demo archive could not be built in {folder}: {error}")
        return 1
    if drawn:
        print(f"Drew {drawn} frames in {time.monotonic() - start:.0f} s.")
    else:
        print("The demo archive is there already.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
