"""Profiles, frame tables and pictures made up for the report: no measurement stands behind them.

Curves come from the closed forms of `auditor.optics`; names are invented.
"""

from __future__ import annotations

import io
import itertools
import zlib
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image, ImageDraw

from auditor import optics
from auditor.exposure import F_NUMBERS
from auditor.infer.keepers import CAUSES
from auditor.record import COLUMNS, ZONES

BODIES = (("Halden M5", 4.4, 5472, 3648), ("Halden M7 II", 3.8, 9504, 6336))
NOISY = ("underexposure", "high ISO", "noise at a low ISO", "noise")
APERTURES = (2.8, 3.2, 4.0, 5.0, 5.6, 7.1, 8.0, 10.0, 11.0, 13.0, 16.0, 20.0, 22.0)


def _zone(value: float, frames: int, sigma: float) -> dict[str, Any]:
    return {
        "mtf50_cpp": round(value, 4), "low": round(value * (1 - sigma), 4),
        "high": round(value * (1 + sigma), 4), "frames": frames,
    }  # fmt: skip


def _curves(n: np.ndarray, pitch: float, soft: float) -> np.ndarray:
    """MTF50 (c/px), zones x apertures, of a lens whose aberrations fall with the f-number."""
    weights = np.array([0.25, 0.55, 1.0])[:, None]
    return optics.mtf50(n, pitch, 0.25 + soft * weights * (2.8 / n) ** 1.2)


def focal_range(
    focal: tuple[float, float], pitch: float, soft: float, rng: np.random.Generator
) -> dict[str, Any]:
    used = np.array(APERTURES)
    grid = 2.8 * (22 / 2.8) ** np.linspace(0, 1, 25)
    measured = _curves(used, pitch, soft) * rng.normal(1, 0.02, (3, len(used)))
    fitted = _curves(grid, pitch, soft)
    rows, curve = [], []
    for k, n in enumerate(APERTURES):
        frames = int(rng.integers(3, 60))
        sigma = 0.08 / np.sqrt(frames / 6)
        row: dict[str, Any] = {"f_number": n, "frames": frames}
        row |= {z: _zone(float(measured[i, k]), frames, sigma) for i, z in enumerate(ZONES)}
        row |= {
            f"usual_{z}_cpp": round(row[z]["mtf50_cpp"] * 0.82, 4) for z in ("centre", "corner")
        }
        rows.append(row)
    for k, n in enumerate(grid):
        point = {"f_number": round(float(n), 3)}
        curve.append(point | {z: _zone(float(fitted[i, k]), 0, 0.03) for i, z in enumerate(ZONES)})
    weaker = np.minimum(fitted[0], fitted[2])
    n_best = float(grid[weaker.argmax()])

    def ends(share: float) -> list[float]:
        inside = grid[weaker >= share * weaker.max()]
        return [nominal(float(inside[0])), nominal(float(inside[-1]))]

    return {
        "focal_mm": list(focal), "frames": sum(r["frames"] for r in rows), "apertures": rows,
        "curve": curve,
        "sweet_spot": {
            "f_number": nominal(n_best), "low": nominal(n_best / 1.13), "high": nominal(n_best * 1.13),
        },
        "pin_sharp": ends(0.75), "acceptable": ends(0.6),
        "fringing": {"onset_f_number": 4.0, "by_aperture": [], "inside_acceptable": True},
        "diffraction": {"ruling_from_f_number": 9.0, "text": "from f/9 on, diffraction is the ruling blur"},
        "evidence": ("strong", "fair", "thin")[int(rng.integers(0, 3))],
        "reasons": ["11 frames at f/22 come from a single outing"],
    }  # fmt: skip


def nominal(n: float) -> float:
    return min(F_NUMBERS, key=lambda f: abs(np.log2(f / n)))


def lens(
    name: str, body: tuple[str, float, int, int], focals: list[tuple[float, float]], seed: int
) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    soft = float(rng.uniform(0.3, 1.2))
    parts = [focal_range(f, body[1], soft * (1 + 0.2 * i), rng) for i, f in enumerate(focals)]
    return {
        "lens": name, "body": body[0], "converter": None, "pixel_pitch_um": body[1],
        "frames": sum(p["frames"] for p in parts), "focal_ranges": parts,
        "source": "camera", "frames_by_source": {"camera": 900, "edited": 40}, "outings": 31,
    }  # fmt: skip


def body(spec: tuple[str, float, int, int], full_well: float) -> dict[str, Any]:
    tones = []
    for iso in (100, 200, 400, 800, 1600, 3200, 6400, 12800):
        for signal in (0.01125, 0.0225, 0.045, 0.09, 0.18, 0.36, 0.72):
            electrons = signal * full_well * 100 / iso
            snr = electrons / np.sqrt(electrons + 9)
            tones.append(
                {"iso": iso, "signal": signal, "snr": round(float(snr), 2), "low": round(float(snr) * 0.95, 2),
                 "high": round(float(snr) * 1.05, 2), "frames": 14, "snr_output": round(float(snr) * 1.5, 2)}
            )  # fmt: skip
    names = (
        ("bright sun", 13, 17),
        ("overcast", 11, 13),
        ("shade and woodland", 8, 11),
        ("dusk", 4, 8),
        ("night", -4, 4),
    )
    gain = full_well / 60000
    bands = [
        {"ev100": [lo, hi], "band": name, "frames": 300 - 50 * i,
         "usable_iso": {"excellent": nominal_iso(1600 * gain / 1.5**i) if i < 4 else None,
                        "acceptable": nominal_iso(12800 * gain / 1.5**i)}}
        for i, (name, lo, hi) in enumerate(names)
    ]  # fmt: skip
    return {
        "body": spec[0],
        "frames": 900,
        "pixel_pitch_um": spec[1],
        "tones": tones,
        "output_megapixels": 8.0,
        "brightness": bands,
    }


def nominal_iso(value: float) -> float:
    return float(round(100 * 2 ** (round(3 * np.log2(value / 100)) / 3)))


def profile(lenses: int = 3, keepers: int = 40, seed: int = 1) -> dict[str, Any]:
    ranges: list[list[tuple[float, float]]] = [
        [(24, 24), (35, 50), (70, 70)], [(50, 50)], [(70, 85), (200, 200)],
    ]  # fmt: skip
    names = ("Corvin 24-70 mm f/2.8", "Corvin 50 mm f/1.4", "Tarn 70-200 mm f/2.8")
    found = []
    for i in range(lenses):
        name = names[i % 3] + (f" no. {i // 3 + 1}" if i >= 3 else "")
        found.append(lens(name, BODIES[i % 2], ranges[i % 3], seed + i))
    if lenses > 2:
        found[2]["converter"] = "Tarn 1.4x"
    return {
        "frames": {"found": 5210, "measured": 5100, "set_aside": 110},
        "criteria": {"pin_sharp": 0.75, "acceptable": 0.6, "snr_excellent": 40.0, "snr_acceptable": 10.0,
                     "output_megapixels": 8.0, "coc_pixels": 2.0},
        "lenses": found,
        "bodies": [body(BODIES[0], 30000.0), body(BODIES[1], 60000.0)],
        "iso_matches": [
            {"body": BODIES[1][0], "reference_body": BODIES[0][0], "ev100": [lo, lo + 3], "reference_iso": iso,
             "iso": nominal_iso(iso * 1.6), "low": nominal_iso(iso * 1.26), "high": nominal_iso(iso * 2)}
            for lo in (4, 8, 11) for iso in (200, 400, 800, 1600, 3200)
        ],
        "keepers": [
            {"path": f"/photos/2023/{i // 20:02d} coast/IMG_{i:04d}.JPG", "soft": cause not in NOISY,
             "noisy": cause in NOISY, "cause": cause, "expected_cpp": 0.24,
             "measured_cpp": 0.06 + 0.004 * (i % 40), "file_id": f"{i:040x}",
             "evidence": ["Blurred 2.1 times more along x than along y at 1/15 s and 70 mm."]}
            for i, cause in zip(range(keepers), itertools.cycle(CAUSES), strict=False)
        ],
        "comparisons": [
            {"label": "polariser", "against": "no filter", "lens": names[0], "what": "sharpness", "zone": "corner",
             "pairs": 14, "difference": -0.004, "low": -0.011, "high": 0.003,
             "verdict": "No difference found down to 3%.",
             "left_out": [{"reason": "the focal lengths differ", "count": 2}]},
            {"label": "Tarn 1.4x", "against": "bare lens", "lens": names[2], "what": "sharpness", "zone": "centre",
             "pairs": 9, "difference": -0.04, "low": -0.07, "high": -0.01, "verdict": "Softer by 4 to 24%."},
        ],
        "settings": [
            {"lens": names[0], "setting": "70 mm, 1/15 to 1/30 s", "frames": 85, "soft_share": 0.41, "noisy_share": 0.0,
             "usual_share": 0.1, "low": 0.31, "high": 0.52},
        ],
        "handheld": [
            {"lens": names[0], "body": BODIES[0][0], "converter": None, "frames": 412, "shaken": 39,
             "limit_stops": 0.8, "low": 0.3, "high": 1.2, "factor": 1.74,
             "text": "one frame in ten is shaken at 0.8 stops slower than 1 / focal length"},
            {"lens": names[1], "body": BODIES[1][0], "converter": None, "frames": 60, "shaken": 2,
             "limit_stops": None, "low": None, "high": None, "factor": None,
             "text": "2 of 60 frames shaken; no limit found down to 0.6 stops slower than 1 / focal length"},
        ],
        "next_shots": [
            {"lens": names[0], "body": BODIES[0][0], "focal_mm": 70, "apertures": [5.6, 8, 11], "frames": 9,
             "how": "On a tripod, with the self-timer, a sunlit facade at least 50 m away filling the frame.",
             "why": "Only 6 frames at 70 mm say anything about the corners.", "gain": "The best aperture at 70 mm would be known to a third of a stop."},
        ],
        "set_aside": [
            {"path": "/photos/2019/broken.jpg", "reason": "The file ends in the middle of the picture."},
            {"path": "/photos/2019/scan.png", "reason": "No camera settings in the file."},
        ],
    }  # fmt: skip


def frames(made: dict[str, Any], most: int | None = None, seed: int = 2) -> pd.DataFrame:
    """A frame table in which every aperture of every lens has its count of frames."""
    rng = np.random.default_rng(seed)
    columns: dict[str, list[Any]] = {
        k: [] for k in ("lens", "body", "converter", "focal_length_mm", "f_number", "width_px", "height_px",
                        "centre_mtf50_cpp", "middle_mtf50_cpp", "corner_mtf50_cpp", "pixel_pitch_um")
    }  # fmt: skip
    sizes = {b[0]: b[2:] for b in BODIES}
    for one in made["lenses"]:
        for part in one["focal_ranges"]:
            for row in part["apertures"]:
                n = row["frames"]
                size = sizes.get(one["body"], (6000, 4000))
                for key, value in (
                    ("lens", one["lens"]), ("body", one["body"]), ("converter", one["converter"]),
                    ("f_number", row["f_number"]), ("width_px", size[0]), ("height_px", size[1]),
                    ("pixel_pitch_um", one["pixel_pitch_um"]),
                ):  # fmt: skip
                    columns[key] += [value] * n
                columns["focal_length_mm"] += rng.uniform(*part["focal_mm"], n).round().tolist()
                for z in ZONES:
                    peak = (row[z] or {}).get("mtf50_cpp") or 0.2
                    columns[f"{z}_mtf50_cpp"] += (
                        (peak * rng.uniform(0.5, 1.02, n)).round(4).tolist()
                    )
    count = len(columns["lens"])
    for key in ("lens", "body", "converter"):  # a table cannot hold undecodable bytes
        columns[key] = [v and v.encode("utf-8", "replace").decode() for v in columns[key]]
    table = pd.DataFrame(columns)
    table["path"] = [
        f"/photos/{2019 + i % 6}/outing {i // 97:03d}/IMG_{i:05d}.JPG" for i in range(count)
    ]
    table["file_id"] = [f"{i:040x}" for i in range(count)]
    table["status"], table["source"] = "measured", "camera"
    table["taken"] = [
        f"2023-05-{1 + i % 28:02d}T{6 + i % 12:02d}:{i % 60:02d}:00" for i in range(count)
    ]
    table["exposure_time_s"] = 1 / rng.choice([30, 60, 125, 250, 500], count)
    table["iso"] = rng.choice([100.0, 200, 400, 800, 1600, 3200], count)
    table["sigma_code8"] = rng.uniform(0.5, 6, count)
    table = table.reindex(columns=[c.name for c in COLUMNS])
    return table if most is None else table.head(most)


@cache
def jpeg(seed: int, size: tuple[int, int] = (320, 213)) -> bytes:
    """A small picture that looks a little like hills under a sky."""
    rng = np.random.default_rng(seed)
    image = Image.new("RGB", size)
    draw = ImageDraw.Draw(image)
    sky = np.array([150, 175, 200]) + rng.integers(-40, 40, 3)
    for y in range(size[1]):
        draw.line([(0, y), (size[0], y)], tuple(int(c) for c in np.clip(sky + y * 0.25, 0, 255)))
    for k in range(4):
        base, phase = size[1] * (0.4 + 0.15 * k), rng.uniform(0, 6)
        tone = tuple(
            int(c)
            for c in np.clip(np.array([90, 110, 90]) - 22 * k + rng.integers(-15, 15, 3), 0, 255)
        )
        ridge = [
            (x, base + 14 * np.sin(x / 37 + phase) + 6 * np.sin(x / 11 + 2 * phase))
            for x in range(0, size[0] + 4, 4)
        ]
        draw.polygon([*ridge, (size[0], size[1]), (0, size[1])], fill=tone)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()


def _number(file_id: str) -> int:
    return zlib.crc32(file_id.encode())


def pictures(ids: list[str]) -> pd.DataFrame:
    """Pictures by file id, as the store gives them: every fifth frame has none."""
    kept = [i for i in ids if _number(i) % 5 != 4]
    return pd.DataFrame(
        {
            "file_id": kept,
            "thumb_jpeg": [jpeg(_number(i) % 40) for i in kept],
            "sharpest_jpeg": [jpeg(_number(i) % 40, (160, 160)) for i in kept],
            "weakest_jpeg": [jpeg(_number(i) % 40 + 7, (160, 160)) for i in kept],
        }
    )


def faulty_gear() -> dict[str, Any]:
    """A profile whose first lens is decentred and focuses in front, or changed; dust on the second body."""
    made = profile(1)
    lens = made["lenses"][0]
    whose = {"lens": lens["lens"], "body": lens["body"], "converter": None, "lens_serial": None}
    lens["focal_ranges"][0]["sides"] = {
        "verdict": "probably decentred: the right side is softer in frame after frame",
        "confidence": 0.97, "frames": 175,
    }  # fmt: skip
    made["focus_bias"] = [
        whose | {"text": f"{lens['lens']}: focus lay in front of the centre of the picture in 30 of 40 frames, on its other side in 4"}
    ]  # fmt: skip
    dusty = {"body": BODIES[1][0], "last": "2024-05-01", "gone_by": None, "text": "a spot"}
    made["dust"] = [dusty, dusty | {"gone_by": "2024-06-01"}]
    return made


def changed_gear() -> dict[str, Any]:
    """The same lens, of which a change is told."""
    made = faulty_gear()
    lens = made["lenses"][0]
    whose = {"lens": lens["lens"], "body": lens["body"], "converter": None}
    made["changes"] = [
        whose | {"text": "Since about August 2022 the centre is 20% softer (90% interval 19% to 21%), 177 frames since, 183 before",
                 "low": -0.21, "high": -0.19, "date_low": "2022-07-16", "date_high": "2022-09-05", "also": []}
    ]  # fmt: skip
    return made
