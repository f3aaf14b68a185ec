"""The camera's crop mode against the whole sensor, at equal print size.

A crop by k in each direction keeps 1 / k of the pixels across. Taken with one lens at one aperture,
detail across the print is MTF50 (c/px) times the pixels across; photon noise in the print grows as
if k^2 times less light had been caught. Depth of field: framed alike (the whole sensor with k times
the focal length), the crop has as much at f/N as the whole sensor at f/(k N), so it is worth
2 log2 k stops of stopping down, with the diffraction that would bring.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from auditor.infer.comparisons.curves import expected_log_mtf50
from auditor.optics import hyperfocal_m

__all__ = ["PRINT_CIRCLE", "bargain_words", "crop_bargain"]

PRINT_CIRCLE: Final = 1 / 3000
"""Circle of confusion of a print as a share of its long side: 0.1 mm in 30 cm (common practice, no
source)."""


def crop_bargain(
    factor: float,
    f_number: float,
    focal_mm: float,
    pitch_um: float,
    long_side_px: float,
    part: Mapping[str, Any] | None = None,
) -> dict[str, float]:
    """What a crop mode costs and gains at equal print size, with the lens's measured curve where it is known.

    Args:
        factor: long side of the whole sensor over that of the crop.
        part: the lens's focal range in the profile.

    Returns:
        Shares are relative differences. `factor`; `detail_same_lens`: centre detail across the print,
        same lens and aperture; `detail_same_depth`: the crop at f/N against the whole sensor, framed
        alike and stopped down to the same depth of field; `noise_stops`; `depth_stops`; `hyperfocal_m`,
        `whole_hyperfocal_m`: at f/N, framed alike.
    """
    stopped = f_number * factor
    expected, _ = expected_log_mtf50(part, [f_number, stopped], pitch_um)
    at, at_stopped = np.exp(expected[:, 0])
    whole = long_side_px * pitch_um * PRINT_CIRCLE
    crop_circle = whole / factor
    return {
        "factor": factor,
        "detail_same_lens": 1 / factor - 1,
        "detail_same_depth": float(at / factor / at_stopped - 1),
        "noise_stops": float(2 * np.log2(factor)),
        "depth_stops": float(2 * np.log2(factor)),
        "hyperfocal_m": hyperfocal_m(focal_mm, f_number, crop_circle),
        "whole_hyperfocal_m": hyperfocal_m(focal_mm * factor, f_number, whole),
    }


def bargain_words(bargain: Mapping[str, float]) -> str:
    """What cropping costs and gains, in plain words."""
    return (
        f"keeps {1 / bargain['factor']:.0%} of the pixels across; "
        f"noise as with {bargain['noise_stops']:.1f} stops less light; depth of field as "
        f"{bargain['depth_stops']:.1f} stops of stopping down, framed alike, where detail is "
        f"{bargain['detail_same_depth']:+.0%} against the whole sensor so stopped down"
    )
