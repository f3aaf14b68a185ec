"""Which bodies there are: their frames, the sensors' pixels, and the kinds of file that they wrote."""

from __future__ import annotations

from typing import Any

import pandas as pd

from auditor.infer.bodies.bands import BAND_KEYS, BANDS, band_numbers
from auditor.infer.bodies.observe import LONG_EXPOSURE_S, UNKNOWN_BODY, sensor_rows
from auditor.infer.comparisons.labels import several_exposures
from auditor.infer.frame_values import scene_ev100
from auditor.record.pools import EXPORTS
from auditor.record.values import numbers, words

__all__ = ["census"]


def census(frames: pd.DataFrame) -> dict[str, Any]:
    """Which bodies there are, and how often they occur.

    Parameters
    ----------
    frames : DataFrame
        Columns `status`, `body`, `source`, `pixel_pitch_um` and, where known, `sensor_pixel_um`, `file_kind`,
        `ev100`, `exposure_time_s`, `flash`, `best`, `software`.

    Returns
    -------
    dict
        `frames_of`, `pitch_of` and `scales_of` by body, `frames_in_band` and `long_in_band` by body, kind
        and band key: as `BodiesModel` has them.
    """
    if not len(frames):
        return {
            "frames_of": {},
            "pitch_of": {},
            "scales_of": {},
            "frames_in_band": {},
            "long_in_band": {},
        }
    names = (
        "status",
        "body",
        "source",
        "pixel_pitch_um",
        "sensor_pixel_um",
        "file_kind",
        "ev100",
        "exposure_time_s",
        "flash",
        "best",
        "software",
    )
    table = sensor_rows(frames, names)
    table = table[table["status"] == "measured"]
    body = pd.Series(words(table, "body", UNKNOWN_BODY), table.index)
    pitch = pd.to_numeric(table["pixel_pitch_um"], errors="coerce")
    band = band_numbers(scene_ev100(table))
    band[several_exposures(table)] = len(BANDS)  # no limit of single frames holds for them
    in_band = table.groupby([body, table["source"], band], observed=True)
    long = pd.Series(numbers(table, "exposure_time_s") >= LONG_EXPOSURE_S, table.index)
    long_in_band = long.groupby([body, table["source"], band], observed=True).sum()
    return {
        "frames_of": {str(b): int(n) for b, n in body.value_counts().items()},
        "pitch_of": _sensor_pixels(table, body, pitch),
        "scales_of": _scales(table, body, pitch),
        "frames_in_band": _by_band(in_band.size()),
        "long_in_band": _by_band(long_in_band),
    }


def _by_band(counts: pd.Series) -> dict[tuple[str, str, str], int]:
    return {(str(b), str(k), BAND_KEYS[i]): int(n) for (b, k, i), n in counts.items()}  # type: ignore[misc]


def _sensor_pixels(table: pd.DataFrame, body: pd.Series, pitch: pd.Series) -> dict[str, float]:
    """The sensor's own pixel by body; where the sensor's size is not known, that of its commonest
    files which nobody reduced. Never a mean over sizes, which would fit none of them."""
    own = (table["source"] != EXPORTS) & pitch.notna()
    own &= words(table, "file_kind", "unknown") != "camera reduced"
    out = _commonest(pitch[own], body)
    if "sensor_pixel_um" in table:
        out |= _commonest(pd.to_numeric(table["sensor_pixel_um"], errors="coerce").dropna(), body)
    return out


def _commonest(value: pd.Series, body: pd.Series) -> dict[str, float]:
    """The commonest value of each body, the largest where several are."""
    table = pd.DataFrame({"body": body[value.index], "value": value}).value_counts().reset_index()
    last = table.sort_values(["count", "value"]).drop_duplicates("body", keep="last")
    return dict(zip(last["body"].astype(str), last["value"].astype(float), strict=True))


def _scales(table: pd.DataFrame, body: pd.Series, pitch: pd.Series) -> dict[str, list[Any]]:
    """Kinds of file and their scales by body, the commonest first."""
    if "file_kind" not in table:
        return {}
    kind, um = words(table, "file_kind", "unknown"), pitch.round(2)
    out: dict[str, list[Any]] = {}
    for (b, k, p), n in pd.Series(1, table.index).groupby([body, kind, um]).sum().items():  # type: ignore[misc]
        entry = {"file_kind": str(k), "pixel_pitch_um": float(p), "frames": int(n)}
        out.setdefault(str(b), []).append(entry)
    return {b: sorted(entries, key=lambda s: -s["frames"]) for b, entries in out.items()}
