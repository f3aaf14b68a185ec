"""Cross-checks names, scale and kind of file over all frames of an archive.

One file can be wrong about itself; the other frames of its body and lens know better.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import pandas as pd

from auditor.record import SIDES, ZoneSharpness
from auditor.record.values import map_names, name_combinations, numbers
from auditor.settings.names import (
    BUILT_IN,
    LensRange,
    body_key,
    built_in_lens,
    lens_key,
    range_from_name,
)
from auditor.settings.scale import reconcile_scale
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM

__all__ = ["one_spelling", "reconcile", "reconcile_kinds", "reconcile_lenses", "turn_back"]


def reconcile(frames: pd.DataFrame) -> pd.DataFrame:
    """Settle names, scale and kind of file over all frames of a table.

    Measurements at the sides of frames that a program turned are given up (`turn_back`). Doing it twice
    changes nothing more.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table with the store's columns; rows that were set aside may be among them.

    Returns
    -------
    pandas.DataFrame
        A copy with the same rows in the same order, with settled `body`, `lens`, `pixel_pitch_um`,
        `pitch_basis`, `source` and what belongs to them.
    """
    if frames.empty:
        return frames.copy(deep=False)
    return turn_back(reconcile_lenses(reconcile_kinds(frames)))


def reconcile_kinds(frames: pd.DataFrame) -> pd.DataFrame:
    """Settle what telling the files of one exposure apart needs.

    Parameters
    ----------
    frames : pandas.DataFrame
        Table with the store's columns.

    Returns
    -------
    pandas.DataFrame
        A copy with settled `body`, `pixel_pitch_um`, `pitch_basis` and `source` only.
    """
    out = frames.copy(deep=False)
    if out.empty:
        return out
    out["body"] = one_spelling(out["body"], body_key)
    return reconcile_scale(out)


def turn_back(frames: pd.DataFrame) -> pd.DataFrame:
    """Measurements of turned frames in the sensor's own frame, as far as that can be known.

    Sensors lie on their long side and cameras note the turn in a tag. A frame that is stored upright
    by a body that also stores frames lying was turned by a program, or by the phone's. Whether to the
    left or to the right it does not say: blur along x and along y change places, and what was seen
    at the four sides is given up. Zones by distance from the centre are the same either way.
    """
    columns = [f"{s}_{n}" for s in SIDES for n in ZoneSharpness.__slots__]
    columns = [c for c in columns if c in frames]
    if not columns or "body" not in frames:
        return frames
    width, height = (numbers(frames, c) for c in ("width_px", "height_px"))
    upright, lying = height > width, height < width
    known = frames["body"].notna().to_numpy()
    lies = pd.Series(lying[known]).groupby(frames["body"].to_numpy(object)[known]).any()
    turned = upright & frames["body"].isin(lies.index[lies]).to_numpy(bool)
    if not turned.any():
        return frames
    # A second call must not turn a frame again: its sides are gone already.
    turned &= frames[columns].notna().any(axis=1).to_numpy()
    out = frames.copy(deep=False)
    for column in columns:
        out[column] = out[column].where(~turned, np.nan)
    for one, other in (("horizontal_cpp", "vertical_cpp"), ("falling_cpp", "rising_cpp")):
        if {one, other} <= set(out.columns):
            across, down = out[one], out[other]
            out[one], out[other] = across.where(~turned, down), down.where(~turned, across)
    return out


SMALL_SENSOR_MM: Final = 18.0
"""Diagonal below which cameras do not change lenses, unless they name them (common practice, no
source)."""
COMPACT_USUAL_MM: Final = 30.0
"""Median focal length under which a camera of unknown sensor is a compact (common practice, no source)."""


def reconcile_lenses(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with `lens` settled; `body` must be."""
    out = frames.copy(deep=False)
    out["lens"] = one_spelling(out["lens"], lens_key)
    out["lens"] = _by_range(out)
    out["lens"] = _built_in(out)
    out["lens"] = _copies(out)
    return out


def _by_range(frames: pd.DataFrame) -> pd.Series:
    """A lens known by its ranges alone is the one named lens with these ranges, where its body has just
    one: programs drop the maker's note that names it."""
    place, pairs = name_combinations(frames, ("body", "lens"))
    ranges = [range_from_name(name) if body else None for body, name in pairs]
    named: dict[tuple[str, LensRange | None], set[str]] = {}
    for (body, name), own in zip(pairs, ranges, strict=True):
        if own is not None and own.name() != name:
            named.setdefault((body, own), set()).add(name)
    settled = np.empty(len(pairs), object)
    for at, ((body, name), own) in enumerate(zip(pairs, ranges, strict=True)):
        alike = named.get((body, own), set()) if own is not None and own.name() == name else set()
        settled[at] = (next(iter(alike)) if len(alike) == 1 else name) or None
    return pd.Series(settled[place], index=frames.index, dtype="object", name="lens")


def _built_in(frames: pd.DataFrame) -> pd.Series:
    """A lens per camera for bodies with a small sensor on which no lens was ever named."""
    lens = frames["lens"]
    focal, equivalent, known = (
        pd.Series(numbers(frames, name), index=frames.index)
        for name in ("focal_length_mm", "focal_35mm", "sensor_diagonal_mm")
    )
    unnamed = lens.isna() & focal.notna()
    if not unnamed.any():
        return lens.astype(object).where(lens.notna(), None)
    by_view = FULL_FRAME_DIAGONAL_MM * focal / equivalent
    diagonal = known.fillna(by_view)
    named = lens.isin([n for n in lens.dropna().unique() if not str(n).startswith(BUILT_IN)])
    per_body = pd.DataFrame(
        {"body": frames["body"], "diagonal": diagonal, "named": named, "focal": focal}
    ).dropna(subset=["body"])
    grouped = per_body.groupby("body", sort=False)
    typical = grouped["diagonal"].median()
    short = grouped["focal"].median() < COMPACT_USUAL_MM
    fixed = ((typical < SMALL_SENSOR_MM) | (typical.isna() & short)) & ~grouped["named"].any()
    names = {body: built_in_lens(str(body)) for body in fixed.index[fixed]}
    filled = lens.where(~unnamed, map_names(frames["body"], names, None))
    return filled.where(filled.notna(), None)


def _copies(frames: pd.DataFrame) -> pd.Series:
    """Two copies of a lens get their serial numbers, where one body saw both."""
    lens = frames["lens"]
    numbered = frames.loc[
        frames["lens"].notna() & frames["lens_serial"].notna(), ["body", "lens", "lens_serial"]
    ].drop_duplicates()
    counts = numbered.groupby(["body", "lens"], dropna=False, sort=False)["lens_serial"].nunique()
    several = set(counts[counts > 1].index.get_level_values("lens"))
    if not several:
        return lens
    mark = lens.isin(several) & frames["lens_serial"].notna()
    return lens.where(~mark, lens.astype(str) + " (no. " + frames["lens_serial"].astype(str) + ")")


def one_spelling(names: pd.Series, key: Callable[[str], str]) -> pd.Series:
    """Names with the same key get the spelling that most frames have.

    Between equally frequent ones that with small letters, then the shorter, then the first by
    alphabet: the choice does not depend on the order of frames.
    """
    counts = {str(name): int(n) for name, n in names.dropna().value_counts().items()}
    keys = {name: key(name) for name in counts}
    chosen: dict[str, str] = {}
    for name in sorted(counts, key=lambda n: (-counts[n], n.isupper(), len(n), n)):
        chosen.setdefault(keys[name], name)
    mapping = {name: chosen[group] for name, group in keys.items()}
    return pd.Series(map_names(names, mapping, None), names.index, dtype="object", name=names.name)
