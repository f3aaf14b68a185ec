"""Cross-checks names, scale and kind of file over all frames of an archive.

One file can be wrong about itself; the other frames of its body and lens know better. They tell what the body's
full size is and, where the database of sensors is silent, how large its sensor is. Then every frame is judged by
the rules for one file (`kinds`), with that knowledge in place of its own; nothing is averaged over sizes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.record import SIDES, FileKind, ZoneSharpness
from auditor.record.values import map_names, name_combinations, numbers, texts, words
from auditor.settings.body_sensor import (
    Evidence,
    Sensor,
    Verdict,
    evidence_of,
    known_sensor,
)
from auditor.settings.kinds import figures, judge
from auditor.settings.names import (
    BUILT_IN,
    LensRange,
    body_key,
    built_in_lens,
    lens_key,
    range_from_name,
)
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM, SMALL_MM

__all__ = [
    "one_spelling",
    "reconcile",
    "reconcile_kinds",
    "reconcile_lenses",
    "reconcile_scale",
    "turn_back",
]


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
    out["lens"] = _with_maker(out)
    out["lens"] = _by_range(out)
    out["lens"] = _built_in(out)
    out["lens"] = _copies(out)
    return out


def _with_maker(frames: pd.DataFrame) -> pd.Series:
    """A lens named without its maker, as some programs do, is the one that is named with it, where only one
    of these was on its body or is by the body's maker."""
    place, pairs = name_combinations(frames, ("body", "lens"))
    makers = [body.partition(" ")[0].casefold() for body, _ in pairs]
    named: dict[str, set[tuple[str, str, str]]] = {}
    for body, name in pairs:
        first, _, rest = name.partition(" ")
        if first.casefold() in makers and rest[:1].isalnum():
            named.setdefault(lens_key(rest), set()).add((body, first.casefold(), name))
    settled = np.empty(len(pairs), object)
    for at, ((body, name), by) in enumerate(zip(pairs, makers, strict=True)):
        alike = named.get(lens_key(name), set()) if name else set()
        near = {full for on, maker, full in alike if body in ("", on) or maker == by}
        settled[at] = (next(iter(near)) if len(near) == 1 else name) or None
    return pd.Series(settled[place], index=frames.index, dtype="object", name="lens")


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


STEP: Final = 0.01
"""Step of logarithms in which figures are told apart: within one nothing changes."""

SAME_FIGURE: Final = 1e-3
"""Relative difference within which a pitch is the one that tags tell: tags are rounded."""
_FIGURES: Final = ("pixel_pitch_um", "sensor_share", "sensor_pixel_um")
"""Settled columns of numbers; the others are of text."""
_READ: Final = (
    *("width_px", "height_px", "written_width_px", "written_height_px"),
    *("native_width_px", "native_height_px", "sensor_diagonal_mm"),
    *("recoded", "maker_note", "resampled"),
)
"""Columns of evidence that are taken as they are."""


def reconcile_scale(frames: pd.DataFrame) -> pd.DataFrame:
    """The table with `source`, `file_kind`, `pixel_pitch_um` and what goes with them settled; `body` must
    be. Columns of evidence (`file_source`, `told_pitch_um`) are filled where a table lacks them, so
    that a second time nothing changes."""
    out = frames.copy(deep=False)
    told = _told(frames)
    code = told.groupby(list(told), sort=False, dropna=False).ngroup().to_numpy(np.int64)
    rows = told.iloc[np.unique(code, return_index=True)[1]].astype(object)
    settled = _settled(rows.where(rows.notna(), None), np.bincount(code, minlength=len(rows)))
    columns = {
        name: np.array([one[name] for one in settled], float if name in _FIGURES else object)[code]
        for name in settled[0]
    }
    columns |= {name: told[name].to_numpy() for name in ("file_source", "told_pitch_um")}
    # A pitch that the file's own tags tell stays theirs.
    basis = words(frames, "pitch_basis")
    apart = np.abs(columns["told_pitch_um"] / columns["pixel_pitch_um"] - 1)
    own = np.isin(basis.astype(str), ("focal-plane", "maker")) & (apart <= SAME_FIGURE)
    columns["pitch_basis"] = np.where(own, basis, columns["pitch_basis"])
    for name, column in columns.items():
        if name in out or name in ("source", "pixel_pitch_um", "pitch_basis"):
            like = "object" if column.dtype == object else None
            out[name] = pd.Series(column, index=out.index, dtype=like)
    return out


def _told(frames: pd.DataFrame) -> pd.DataFrame:
    """What every frame says of itself, named as in `Settings`; bodies by number, see `_cameras`."""
    own, writer = words(frames, "file_source"), words(frames, "source", "unknown")
    # Tables made by hand give the pitch that tags tell as the frame's own.
    by_tags = (own == "") & np.isin(words(frames, "pitch_basis").astype(str), _BY_TAGS)
    tagged, pitch = numbers(frames, "told_pitch_um"), numbers(frames, "pixel_pitch_um")
    focal, equivalent = numbers(frames, "focal_length_mm"), numbers(frames, "focal_35mm")
    with np.errstate(all="ignore"):
        view_mm = FULL_FRAME_DIAGONAL_MM * focal / equivalent
    return pd.DataFrame({
        "body": _cameras(frames, view_mm),
        "file_source": np.where(own == "", writer, own),
        "told_pitch_um": np.where(np.isnan(tagged) & by_tags, pitch, tagged),
        "view_mm": _stepped(view_mm),
        "whole_side_px": _stepped(numbers(frames, "whole_side_px")),
        "year": pd.to_numeric(texts(frames, "taken").str[:4], errors="coerce").to_numpy(float),
        **{name: numbers(frames, name) for name in _READ},
    })  # fmt: skip


_BY_TAGS: Final = ("focal-plane", "maker", "")


def _stepped(values: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(all="ignore"):
        return np.exp(np.round(np.log(values) / STEP) * STEP)


MOST_CAMERAS: Final = 5
"""No telephone has more (common practice, no source)."""
LONGEST_OF_SMALL_MM: Final = 20.0
"""No telephone's camera has a longer focal length (common practice, no source)."""
OTHER_VIEW: Final = 1.1
"""Largest over smallest diagonal of a body's focal lengths from which it has several sensors."""


def _cameras(frames: pd.DataFrame, view_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cameras by number, NaN without a name: a body each, but telephones have several under one name. Few focal
    lengths that tell of different diagonals are a camera each, unless the body's sensor is known to be large.
    """
    focal = numbers(frames, "focal_length_mm")
    rows = pd.DataFrame({
        "body": pd.factorize(frames["body"].astype("object"))[0],
        "focal": _stepped(np.where(focal < LONGEST_OF_SMALL_MM, focal, np.nan)),
        "view": view_mm,
    })  # fmt: skip
    views = rows.dropna().groupby(["body", "focal"])["view"].median().groupby("body")
    apart = views.max() > views.min() * OTHER_VIEW
    several = apart.index[apart & (views.size() <= MOST_CAMERAS)]
    large = rows["body"][numbers(frames, "sensor_diagonal_mm") > SMALL_MM]
    parted = rows["body"].isin(several.difference(large))
    rows["focal"] = rows["focal"].where(parted)
    number = rows.groupby(["body", "focal"], sort=False, dropna=False).ngroup()
    return number.where(rows["body"] >= 0).to_numpy(float)


def _settled(rows: pd.DataFrame, frames: NDArray[np.int64]) -> list[dict[str, Any]]:
    """What is settled of each row; frames without a known size stay whose they were."""
    told = list(rows.itertuples(index=False))
    seen = [evidence_of(r, r.view_mm, r.year) for r in told]  # type: ignore[arg-type]
    bodies: dict[object, list[tuple[Evidence, int]]] = {}
    by_camera = set()
    for r, e, n in zip(told, seen, frames.tolist(), strict=True):
        if e is not None and r.body is not None:
            bodies.setdefault(r.body, []).append((e, n))
            if e.source == "camera" and e.recoded is False:
                by_camera.add((r.body, e.long, e.short))
    sensors = {body: known_sensor(found) for body, found in bodies.items()}
    out = []
    for r, e in zip(told, seen, strict=True):
        if e is None:
            kind: FileKind = "raw" if r.file_source == "raw" else "unknown"
            unsized = Verdict(r.file_source, kind, "its size is not known")  # type: ignore[arg-type]
            out.append(figures(unsized, Sensor(), None))
            continue
        if e.source == "edited" and (r.body, e.long, e.short) in by_camera:
            e = dataclasses.replace(e, cameras_size=True)
        sensor = sensors.get(r.body, Sensor())
        basis = "consensus" if sensor.basis in ("tagged", "equivalent") else sensor.basis
        out.append(figures(judge(e, sensor), sensor, basis))
    return out
