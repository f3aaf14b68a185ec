"""Do intervals of usable ISO hold what files really show? Simulated cameras with few frames.

The cameras are not drawn from the law that is fitted: photon and read noise and unequal pixels go through
a noise reduction that weakens strong noise more and sets in at one ISO, a tone curve with contrast of its
own, and 8-bit coding that hides what is less than a code value. Some places are textured, some frames
read too high, and the estimator reads low near one code value, as it does on real pairs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from tone_archives import ToneBody, tone_archive

from auditor.infer.bodies import fit_bodies, infer_bodies
from auditor.infer.bodies.response import ISO_GRID, SIGNAL_GRID
from auditor.infer.bodies.visible import frame_snr, isos_reaching
from auditor.record import TONE_SIGNALS, tone_column

Floats = NDArray[np.float64]
NAME = "Alder One"


def _code(signal: Floats | float) -> Floats:
    """Light per code value of 8 bits on the sRGB curve (IEC 61966-2-1)."""
    s = np.asarray(signal, float)
    slope = np.where(s > 0.0031308, 1.055 / 2.4 * np.maximum(s, 1e-6) ** (1 / 2.4 - 1), 12.92)
    return np.asarray(1 / (255 * slope))


@dataclass(frozen=True)
class Camera:
    electrons: float
    read_e: float
    unequal: float
    smoothing: float
    from_iso: float
    from_factor: float
    contrast: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Camera:
        return cls(
            electrons=float(np.exp(rng.uniform(np.log(15_000), np.log(80_000)))),
            read_e=float(rng.uniform(2, 6)),
            unequal=float(rng.uniform(0, 0.006)),
            smoothing=float(rng.uniform(0, 0.12)),
            from_iso=float(rng.choice([400, 800, 1600, 3200])),
            from_factor=float(rng.uniform(0.85, 1.0)),
            contrast=float(rng.uniform(0, 0.25)),
        )

    def sigma(self, iso: Floats | float, signal: Floats | float) -> Floats:
        """Noise in the file, linear light."""
        i, s = np.broadcast_arrays(np.asarray(iso, float), np.asarray(signal, float))
        white = self.electrons * 100 / i
        plain = np.sqrt(s / white + (self.read_e / white) ** 2 + (self.unequal * s) ** 2)
        # An S-shaped curve is steepest at the mid-tone.
        plain = plain * (1 + self.contrast * np.exp(-0.5 * (np.log2(s / 0.18) / 1.5) ** 2))
        plain = plain / (1 + self.smoothing * plain / _code(s))
        return np.asarray(plain * np.where(i >= self.from_iso, self.from_factor, 1.0))


def _archive(camera: Camera, rng: np.random.Generator) -> pd.DataFrame:
    """Five to twelve frames of two to four outings at two to four ISO values."""
    isos = np.sort(rng.choice([100, 200, 400, 800, 1600, 3200, 6400], rng.integers(2, 5), False))
    frames = tone_archive([ToneBody(NAME)], [int(i) for i in isos], rng, frames=4)
    frames = frames.iloc[np.sort(rng.permutation(len(frames))[: rng.integers(5, 13)])]
    frames = frames.reset_index(drop=True)
    frames["outing"] = rng.integers(0, rng.integers(2, 5), len(frames))
    shift = rng.normal(0, 0.04, 5)
    bias = rng.normal(-0.02, 0.02)
    for row in frames.index:
        iso = float(frames.loc[row, "iso"])
        common = bias + shift[frames.loc[row, "outing"]] + rng.normal(0, 0.05)
        common += rng.exponential(0.2) if rng.random() < 0.12 else 0.0
        for signal in TONE_SIGNALS:
            stem = tone_column(signal)
            frames.loc[row, [f"{stem}_sigma", f"{stem}_at_most"]] = np.nan
            code = float(_code(signal))
            read = float(camera.sigma(iso, signal)) * np.exp(common + rng.normal(0, 0.04))
            read *= 1 - 0.07 * min(1.0, (code / read) ** 2)
            kind = rng.random()
            if kind < 0.2:
                continue
            if kind < 0.45:
                frames.loc[row, f"{stem}_at_most"] = max(read, 1.2 * code) * rng.uniform(1.3, 5)
            elif read < code:
                frames.loc[row, f"{stem}_at_most"] = 1.2 * code
            else:
                frames.loc[row, f"{stem}_sigma"] = read
            frames.loc[row, f"{stem}_pixels"] = 20_000
    return frames


def _held(archives: int, seed: int) -> tuple[list[bool], list[bool], list[float]]:
    """Whether intervals hold the true usable ISO; whether 'at least' and 'not reached' are so; width."""
    inside, one_sided, widths = [], [], []
    grid_iso, grid_signal = np.array(ISO_GRID, float)[:, None], np.array(SIGNAL_GRID)[None]
    for k in range(archives):
        rng = np.random.default_rng([seed, k])
        camera = Camera.drawn(rng)
        frames = _archive(camera, rng)
        model = fit_bodies(frames)
        (body,) = infer_bodies(frames, model=model)["bodies"]
        if not body["brightness"]:
            continue
        noise = model.models[NAME, "camera"]
        truth = np.log(camera.sigma(grid_iso, grid_signal))
        for band in body["brightness"]:
            scenes = model.scenes["camera"][band["key"]]
            curve = frame_snr(truth, scenes, noise.output_scale)
            for name, snr in (("excellent", 40.0), ("acceptable", 10.0)):
                true = 2.0 ** float(isos_reaching(curve, np.log2(snr)))
                detail = band["usable_iso_detail"][name]
                # Engraved values stand for what lies within a sixth of a stop.
                slack = 2 ** (1 / 6)
                if band["usable_iso"][name] is None:
                    if "lowest used" in detail["reason"]:
                        one_sided.append(true < noise.isos[0] * slack)
                elif detail["reason"]:
                    one_sided.append(true > detail["low"] / slack)
                else:
                    inside.append(detail["low"] <= true <= detail["high"])
                    widths.append(float(np.log2(detail["high"] / detail["low"])))
    return inside, one_sided, widths


@pytest.mark.long
def test_intervals_of_usable_iso_hold_in_200_archives_of_few_frames() -> None:
    inside, one_sided, widths = _held(200, 2026)
    print(
        f"intervals {np.mean(inside):.3f} of {len(inside)}, median width {np.median(widths):.2f} stops; "
        f"one-sided {np.mean(one_sided):.3f} of {len(one_sided)}"
    )
    assert len(inside) >= 150
    assert 0.85 <= np.mean(inside) <= 0.95
    assert np.mean(one_sided) >= 0.85
    assert np.median(widths) <= 2
