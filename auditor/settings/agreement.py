"""Cross-checks names, scale and kind of file over all frames of an archive.

One file can be wrong about itself; the other frames of its body and lens know better.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
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
    converter_from_range,
    lens_key,
    range_from_name,
)
from auditor.settings.scale import reconcile_scale
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM

__all__ = ["one_spelling", "reconcile", "reconcile_kinds", "reconcile_lenses", "turn_back"]

Pair = tuple[str, str]
"""Body and lens by name."""


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
        A copy with the same rows in the same order, with settled `body`, `lens`, `converter`,
        `pixel_pitch_um`, `pitch_basis`, `source` and what belongs to them.
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
    """The table with `lens` and `converter` settled; `body` and `pixel_pitch_um` must be."""
    out = frames.copy(deep=False)
    out["lens"] = one_spelling(out["lens"], lens_key)
    out["lens"] = _renamed(out, _with_maker)
    out["lens"] = _renamed(out, _by_range)
    out["converter"] = _converters(out)
    out["lens"] = _built_in(out)
    out["lens"] = _copies(out)
    return out


def _renamed(
    frames: pd.DataFrame, names_of: Callable[[list[Pair]], Mapping[Pair, str | None]]
) -> pd.Series:
    """Lenses under other names: `names_of` gives those of some pairs of body and lens ('' where one is missing)."""
    place, found = name_combinations(frames, ("body", "lens"))
    pairs = [(body, lens) for body, lens in found]
    names = names_of([pair for pair in pairs if pair[1]])
    renamed = np.array([names.get(pair, pair[1]) or None for pair in pairs], dtype=object)
    return pd.Series(renamed[place], index=frames.index, dtype="object", name="lens")


def _with_maker(pairs: list[Pair]) -> dict[Pair, str]:
    """A lens named without its maker, as some programs do, is the one that is named with it, where only one
    of these was on its body or is by the body's maker."""
    makers = {body: body.partition(" ")[0].casefold() for body, _ in pairs}
    named: dict[str, set[tuple[str, str, str]]] = {}
    for body, name in pairs:
        first, _, rest = name.partition(" ")
        if first.casefold() in makers.values() and rest[:1].isalnum():
            named.setdefault(lens_key(rest), set()).add((body, first.casefold(), name))
    names: dict[Pair, str] = {}
    for body, name in pairs:
        alike = named.get(lens_key(name), set())
        near = {full for on, maker, full in alike if body in ("", on) or maker == makers[body]}
        if len(near) == 1:
            names[body, name] = near.pop()
    return names


def _by_range(pairs: list[Pair]) -> dict[Pair, str]:
    """A lens known by its ranges alone is the one named lens with these ranges, where its body has just
    one: programs drop the maker's note that names it."""
    named: dict[tuple[str, LensRange], set[str]] = {}
    unnamed: dict[Pair, LensRange] = {}
    for body, name in pairs:
        ranges = range_from_name(name)
        if body and ranges is not None and ranges.name() == name:
            unnamed[body, name] = ranges
        elif body and ranges is not None:
            named.setdefault((body, ranges), set()).add(name)
    alike = {pair: named.get((pair[0], ranges), set()) for pair, ranges in unnamed.items()}
    return {pair: next(iter(names)) for pair, names in alike.items() if len(names) == 1}


def _converters(frames: pd.DataFrame) -> pd.Series:
    """Converters that a focal length outside the lens's own range gives away."""
    names = ["lens", "focal_length_mm", "f_number", "equivalent"]
    result = frames["converter"].astype("object").where(frames["converter"].notna(), None)
    focal, told, diagonal = (
        pd.Series(numbers(frames, name), index=frames.index)
        for name in ("focal_length_mm", "focal_35mm", "sensor_diagonal_mm")
    )
    by_sensor = focal * FULL_FRAME_DIAGONAL_MM / diagonal
    frames = frames.assign(equivalent=told.fillna(by_sensor))
    candidates = frames.loc[frames["converter"].isna() & frames["lens"].notna(), names]
    unique = candidates.drop_duplicates()
    ranges = {lens: range_from_name(str(lens)) for lens in unique["lens"].unique()}
    found: list[str | None] = []
    for lens, *figures in unique.itertuples(index=False):
        own = ranges[lens]
        known = (None if pd.isna(v) else float(v) for v in figures)
        found.append(None if own is None else converter_from_range(own, *known))
    if not any(found):
        return result
    unique = unique.assign(found=pd.Series(found, index=unique.index, dtype="object"))
    converters = (
        candidates.merge(unique, how="left", on=names).set_index(candidates.index)["found"].dropna()
    )
    result.loc[converters.index] = converters
    return result


def _built_in(frames: pd.DataFrame) -> pd.Series:
    """A lens per camera for bodies with a small sensor on which no lens was ever named."""
    lens = frames["lens"]
    focal, equivalent, width, height, pitch, known = (
        pd.Series(numbers(frames, name), index=frames.index)
        for name in (
            "focal_length_mm", "focal_35mm", "width_px", "height_px", "pixel_pitch_um",
            "sensor_diagonal_mm",
        )
    )  # fmt: skip
    unnamed = lens.isna() & focal.notna()
    if not unnamed.any():
        return lens.astype(object).where(lens.notna(), None)
    by_pitch = pitch * np.hypot(width, height) / 1000
    by_view = FULL_FRAME_DIAGONAL_MM * focal / equivalent
    whole = frames["source"].isin(["raw", "camera"])
    diagonal = known.fillna(by_view).fillna(by_pitch.where(whole))
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
