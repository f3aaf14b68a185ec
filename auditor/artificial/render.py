"""Draws the shots of an artificial archive into files, several scenes at a time; by the command
`python -m auditor.artificial.render demo_archive` those of the demo's recipe."""

from __future__ import annotations

import json
import multiprocessing
import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from auditor.artificial.archive import LABELS, ArchiveRecipe, Shot, load_recipe, plan, shot_optics
from auditor.artificial.camera import Mosaic, expose, mosaic
from auditor.artificial.files import FrameTags, write_picture
from auditor.artificial.lightpath import SceneSpectrum, spectrum_of
from auditor.artificial.scenes import landscape

__all__ = ["build_demo", "draw_archive", "draw_shot", "main", "shot_tags"]

LEVELS = 3
"""Blur is level within each zone of a drawn archive, so three blends are exact."""


def draw_archive(
    recipe: ArchiveRecipe,
    folder: Path,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[dict[str, Any]]:
    """Draw what is not there yet of an archive.

    Beside the pictures it writes `frames/truth.json`, a line on every frame. Frames of one scene are drawn
    together. The same recipe gives the same files.

    Parameters
    ----------
    recipe : ArchiveRecipe
        The archive.
    folder : Path
        Where to draw it.
    workers : int, optional
        Processes; one for every core where None.
    progress : callable, optional
        Told how many frames are drawn, and of how many.

    Returns
    -------
    list of dict
        Of every frame the fields of `Shot`, and `snr_18` (signal to noise at 18% of white).
    """
    shots = plan(recipe)
    groups: dict[tuple[str, int, tuple[float, float]], list[Shot]] = {}
    for shot in shots:
        if not (folder / shot.path).exists():
            lateral = recipe.lens(shot.lens).lateral_px
            groups.setdefault((shot.place, shot.scene_seed, lateral), []).append(shot)
    jobs = [(recipe, str(folder), group) for group in groups.values()]
    jobs.sort(key=lambda job: -len(job[2]))
    total, done = sum(len(job[2]) for job in jobs), 0
    for count in _map(jobs, workers or os.cpu_count() or 1):
        done += count
        if progress is not None:
            progress(done, total)
    new = {shot.path for job in jobs for shot in job[2]}
    for shot in shots[len(shots) - recipe.truncated :]:
        if shot.path not in new:
            continue
        data = (folder / shot.path).read_bytes()
        (folder / shot.path).write_bytes(data[: len(data) // 3])
    _export(recipe, folder, shots)
    truth = [
        asdict(s) | {"snr_18": recipe.body(s.body).sensor.snr(0.18, s.iso, colour=s.kind == "jpg")}
        for s in shots
    ]
    for row in truth[len(truth) - recipe.truncated :]:
        row["fault"] = "truncated"
    text = json.dumps({"frames": truth}, indent=1)
    (folder / "frames").mkdir(exist_ok=True)
    (folder / "frames" / "truth.json").write_text(text, encoding="utf-8")
    return truth


def _export(recipe: ArchiveRecipe, folder: Path, shots: Sequence[Shot]) -> None:
    """Half as large, as a program writes them for showing: evenly chosen among the JPEG frames."""
    whole = [s for s in shots[: len(shots) - recipe.truncated] if s.kind == "jpg"]
    for i in range(recipe.exports):
        shot = whole[i * len(whole) // recipe.exports]
        target = folder / "frames" / "Exports" / Path(shot.path).name
        if target.exists():
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        with Image.open(folder / shot.path) as image:
            small = np.asarray(
                image.resize((image.width // 2, image.height // 2), Image.Resampling.LANCZOS)
            )
        tags = replace(shot_tags(recipe, shot), software="Inkwell 4", pixel_pitch_um=None)
        write_picture(target, small, tags, recipe.quality)


Job = tuple[ArchiveRecipe, str, list[Shot]]


def _map(jobs: Sequence[Job], workers: int) -> Iterable[int]:
    if workers <= 1 or len(jobs) <= 1:
        yield from map(_draw_group, jobs)
        return
    context = multiprocessing.get_context("spawn")
    with context.Pool(min(workers, len(jobs))) as pool:
        yield from pool.imap_unordered(_draw_group, jobs)


def _draw_group(job: Job) -> int:
    """Draw the frames of one scene; its spectrum is computed once."""
    recipe, folder, shots = job
    first = shots[0]
    scene = landscape(first.place, recipe.height, recipe.width, first.scene_seed)
    spectrum = spectrum_of(scene.radiance, scene.oversample, recipe.lens(first.lens).lateral_px)
    for shot in sorted(shots, key=lambda s: s.f_number):
        picture = draw_shot(recipe, shot, spectrum)
        path = Path(folder) / shot.path
        # Written under another name first: an interrupted drawing leaves no half frame behind.
        part = path.with_name("unfinished-" + path.name)
        write_picture(part, picture, shot_tags(recipe, shot), recipe.quality)
        part.replace(path)
    return len(shots)


def draw_shot(
    recipe: ArchiveRecipe, shot: Shot, spectrum: SceneSpectrum
) -> np.ndarray[Any, Any] | Mosaic:
    """The picture of one shot of an already transformed scene."""
    sensor = recipe.body(shot.body).sensor
    optics = shot_optics(recipe, shot)
    exposure = shot.exposure
    if shot.label is not None and shot.label in LABELS:
        tint = LABELS[shot.label][1]
        channels = tuple(c * np.float32(t) for c, t in zip(spectrum.channels, tint, strict=True))
        spectrum = replace(spectrum, channels=channels)
    if shot.kind == "dng":
        return mosaic(
            spectrum, optics, sensor, shot.iso, shot.seed, exposure=exposure, levels=LEVELS
        )
    return expose(spectrum, optics, sensor, shot.iso, shot.seed, exposure=exposure, levels=LEVELS)


def shot_tags(recipe: ArchiveRecipe, shot: Shot) -> FrameTags:
    """The tags that the invented camera writes."""
    body, lens = recipe.body(shot.body), recipe.lens(shot.lens)
    return FrameTags(
        make=body.make,
        model=body.name,
        body_serial=body.serial,
        lens=lens.name,
        lens_serial=lens.serial,
        focal_length_mm=shot.focal_mm,
        f_number=shot.f_number,
        exposure_time_s=shot.exposure_time_s,
        iso=round(shot.iso),
        taken=shot.taken,
        pixel_pitch_um=body.pitch_um,
        keywords=(shot.label,) if shot.label else (),
    )


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
        print("Say where the demo archive lies: python -m auditor.artificial.render FOLDER")
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
