"""Prints how near MTF50 comes to the closed form, over places, stops, blur, noise and file kinds.

Run with `python tests/measure/validate_sharpness.py [seed ...]`; a few minutes. The same functions
serve the tests marked long.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import cv2
import numpy as np

from auditor import optics
from auditor.artificial.camera import Sensor, expose
from auditor.artificial.camera import mosaic as expose_mosaic
from auditor.artificial.lightpath import Optics, SceneSpectrum, spectrum_of
from auditor.artificial.scenes import PLACES, landscape
from auditor.measure.decode import decode
from auditor.measure.picture import Mosaic, Picture
from auditor.measure.sharpness import measure_sharpness
from auditor.record import Sharpness

STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
PITCH_UM = 4.0
OVERSAMPLE = 4


def place_spectrum(place: str, seed: int, height: int = 800, width: int = 1200) -> SceneSpectrum:
    """An invented place, oversampled four times and transformed."""
    return spectrum_of(landscape(place, height, width, seed, OVERSAMPLE).radiance, OVERSAMPLE)


def polygon_spectrum(seed: int, height: int = 800, width: int = 1200) -> SceneSpectrum:
    """Random grey polygons and rounded shapes over a sky that brightens downwards."""
    rng = np.random.default_rng(seed)
    h, w = height * OVERSAMPLE, width * OVERSAMPLE
    image = np.full((h, w), rng.uniform(0.15, 0.7), np.float32)
    image += np.linspace(-0.08, 0.08, h, dtype=np.float32)[:, None]
    for _ in range(70):
        centre, size = rng.uniform([0, 0], [w, h]), rng.uniform(25, 170) * OVERSAMPLE
        if rng.random() < 0.3:
            angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
            radius = size * (1 + 0.15 * np.sin(angle * rng.integers(2, 5) + rng.uniform(0, 6)))
        else:
            corners = int(rng.integers(3, 7))
            angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
            radius = size * rng.uniform(0.6, 1.2, corners)
        points = centre + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        whole = np.round(points * 256).astype(np.int32)
        cv2.fillPoly(image, [whole], float(rng.uniform(0.04, 0.9)), cv2.LINE_AA, 8)
    return spectrum_of(np.clip(image, 0.01, 0.93), OVERSAMPLE)


def jpeg(
    scene: SceneSpectrum, f_number: float, blur_px: float, electrons: float, seed: int = 0
) -> Picture:
    """A developed frame, JPEG quality 95, decoded again."""
    sensor = Sensor(full_well_e=electrons)
    look = Optics(f_number, PITCH_UM, blur_px)
    code = expose(scene, look, sensor, 100.0, seed, oversample=scene.oversample)
    code = np.ascontiguousarray(code[..., ::-1]) if code.ndim == 3 else code
    data = cv2.imencode(".jpg", code, [cv2.IMWRITE_JPEG_QUALITY, 95])[1]
    return decode(data.tobytes(), "coded.jpg")


def raw(
    scene: SceneSpectrum, f_number: float, blur_px: float, electrons: float, seed: int = 0
) -> Picture:
    """The same frame as a mosaic, RGGB."""
    sensor = Sensor(full_well_e=electrons)
    look = Optics(f_number, PITCH_UM, blur_px)
    m = expose_mosaic(scene, look, sensor, 100.0, seed, oversample=scene.oversample)
    colours = np.array([[0, 1], [1, 2]])
    black = np.full((2, 2), float(m.black))
    return Picture(None, "linear", Mosaic(m.data, colours, black, float(m.white)))


def errors(sharpness: Sharpness, truth: float) -> Iterator[tuple[float, float]]:
    """ln(measured / true) and the same in stderr, per zone; not-a-number where unmeasured."""
    for zone in sharpness.zones.values():
        if zone is None:
            yield float("nan"), float("nan")
        else:
            error = float(np.log(zone.mtf50_cpp / truth))
            yield error, error * zone.mtf50_cpp / zone.stderr_cpp


def table(seeds: list[int]) -> None:
    """Print the accuracy by kind of file, blur and electrons."""
    found: dict[tuple[str, float, int, float], list[tuple[float, float]]] = {}
    for seed in seeds:
        scenes = [("polygons", polygon_spectrum)] + [(p, None) for p in PLACES]
        for name, draw in scenes:
            scene = draw(seed) if draw is not None else place_spectrum(name, seed)
            for kind, shoot in (("jpeg", jpeg), ("mosaic", raw)):
                for blur in (0.0, 0.6):
                    for electrons in (20_000, 2_000):
                        for stop in STOPS:
                            s = measure_sharpness(shoot(scene, stop, blur, electrons, seed))
                            truth = float(optics.mtf50(stop, PITCH_UM, blur))
                            key = (kind, blur, electrons, stop)
                            found.setdefault(key, []).extend(errors(s, truth))
    groups: dict[str, list[tuple[float, float]]] = {}
    for (kind, blur, electrons, stop), values in found.items():
        for label in (f"{kind} all", f"{kind} blur {blur} px, {electrons} e", f"{kind} f/{stop:g}"):
            groups.setdefault(label, []).extend(values)
    for label, values in sorted(groups.items()):
        error, score = np.array(values).T
        size = np.abs(error[np.isfinite(error)])
        within = np.mean(np.abs(score[np.isfinite(score)]) < 2)
        print(
            f"{label:28} zones {len(error):4}  unmeasured {np.isnan(error).sum():3}  "
            f"bias {np.nanmean(error):+.3f}  median {np.median(size):.3f}  "
            f"95th {np.quantile(size, 0.95):.3f}  within 2 stderr {within:.2f}"
        )


if __name__ == "__main__":
    table([int(a) for a in sys.argv[1:]] or [101])
