"""Frame table to noise observations: which frames say something of a body, and which are kept apart."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from auditor.exposure import nominal_iso
from auditor.infer.comparisons.labels import several_exposures
from auditor.infer.frame_values import draw_order, group_numbers
from auditor.infer.lenses.grouping import of_commonest_size
from auditor.record import TONE_SIGNALS, tone_column
from auditor.record.values import flags, numbers, words

__all__ = [
    "KINDS",
    "LONG_EXPOSURE_S",
    "STEP_LIMIT",
    "UNKNOWN_BODY",
    "Observations",
    "Tones",
    "observe",
]

UNKNOWN_BODY: Final = "unknown body"
"""Name of frames whose body is not known."""
KINDS: Final = ("raw", "camera", "edited", "unknown")
"""Kinds of file whose noise is a body's own; resized files are not (pixels were merged)."""

LONG_EXPOSURE_S: Final = 1.0
"""From this exposure time on dark current and the camera's own dark-frame subtraction add to the
photon noise (common practice, no source): such frames are kept apart."""

STEP_LIMIT: Final = 2000
"""Frames of one body, kind of file and ISO step beyond which a random sample is taken: by then
a mean is good to some 0.2%, far below what the measurement itself may be off by."""


Tones = NDArray[np.void]
"""A row per tone, with the columns of its frame, and signal, censored, log_sigma. Of few rows a structured
array costs a tenth of a table."""
_COLUMNS: Final = (
    *("body", "source", "status", "iso", "exposure_time_s", "width_px", "height_px"),
    *("outing", "tone_output_scale", "pixel_pitch_um", "software"),
)
_GROUPS: Final = ("body", "kind")


@dataclass(frozen=True, slots=True)
class Observations:
    """Noise observations of all bodies.

    Attributes
    ----------
    frames : DataFrame
        One row per frame; columns `body`, `kind`, `iso` (as written), `step` (nearest third of a stop),
        `unit` (its outing, or a number of its own), `frame` (row number in the frame table),
        `long_exposure`, `pixels_per_frame`, `scale` (factor on sigma for the output
        size of the noise measurement).
    sigma, at_most : ndarray of float32, shape (frames, tones)
        By `record.TONE_SIGNALS`: standard deviation in linear light, its upper limit; NaN where a tone says
        nothing. A tone has either a measured value or a limit.
    left_out : dict
        Body -> reason in plain words -> count of frames.
    usable : dict
        (body, kind) -> frames that say something.
    """

    frames: pd.DataFrame
    sigma: NDArray[np.float32]
    at_most: NDArray[np.float32]
    left_out: dict[str, dict[str, int]]
    usable: dict[tuple[str, str], int]

    def groups(self) -> Iterator[tuple[tuple[str, str], Tones]]:
        """Tones of one body and kind of file after another.

        Yields
        ------
        key : tuple of str
            Body, kind of file.
        tones : structured ndarray, shape (n,)
            A row per tone that says something; the fields of its frame, and `signal` (linear, 1 = white),
            `censored` (True for an upper limit), `log_sigma` (natural log).
        """
        by = self.frames.groupby(list(_GROUPS), observed=True, sort=True)
        for (body, kind), rows in by.indices.items():  # type: ignore[misc]
            yield (str(body), str(kind)), self._tones(rows)

    def _tones(self, rows: NDArray[np.int64]) -> Tones:
        sigma, at_most = self.sigma[rows], self.at_most[rows]
        level, at = np.nonzero((~np.isnan(sigma) | ~np.isnan(at_most)).T)
        measured, limit = sigma[at, level].astype(float), at_most[at, level].astype(float)
        tones = self.frames.drop(columns=list(_GROUPS)).iloc[rows[at]]
        censored = np.isnan(measured)
        tones = tones.assign(
            signal=np.asarray(TONE_SIGNALS)[level],
            censored=censored,
            log_sigma=np.log(np.where(censored, limit, measured)),
        )
        return tones.to_records(index=False)


def _reasons(
    frames: pd.DataFrame, informative: NDArray[np.bool_], lifted: NDArray[np.bool_]
) -> NDArray[np.object_]:
    """Why a frame says nothing of its body's noise; empty where it does. `informative`: it has a tone."""
    iso = numbers(frames, "iso")
    rules = (
        (words(frames, "status") != "measured", "could not be measured"),
        (words(frames, "source") == "resized", "was resized, so its pixels are not the sensor's"),
        (
            several_exposures(frames),
            "was merged or stacked from several exposures, which averages noise",
        ),
        (~(np.isfinite(iso) & (iso > 0)), "has no ISO in its settings"),
        (~informative, "has no even area in which noise could be seen or ruled out"),
        (lifted, "was brightened in editing, which shows the noise of darker light"),
    )
    reason = np.full(len(frames), "", dtype=object)
    for holds, text in rules:
        reason[holds & (reason == "")] = text
    reason[_other_size(frames, reason == "")] = "has another picture size than most of its kind"
    return reason


def _other_size(frames: pd.DataFrame, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Frames of another pixel pitch than most usable ones of their body and kind of file: a camera's smaller
    picture sizes merge pixels, and so hide noise per pixel. A pitch that is not known is taken for the usual one."""
    pitch = numbers(frames, "pixel_pitch_um")
    known = np.flatnonzero(usable & (pitch > 0))
    kinds = pd.DataFrame(
        {"body": words(frames, "body", UNKNOWN_BODY), "kind": words(frames, "source")}
    )
    other = np.zeros(len(frames), bool)
    for rows in kinds.iloc[known].groupby(["body", "kind"]).indices.values():
        other[known[rows]] = ~of_commonest_size(np.log(pitch[known[rows]]))
    return other


def observe(frames: pd.DataFrame, lifted: Collection[int] = ()) -> Observations:
    """Collect the noise observations of all bodies.

    Parameters
    ----------
    frames : DataFrame
        `record.COLUMNS` and the columns of `crawl.relate`; its index is unique.
    lifted : collection of int, optional
        Index of the frames that were brightened in editing.

    Returns
    -------
    Observations
        Frames that are measured, not resized, not merged from several exposures, of the commonest picture size
        of their body and kind, with an ISO and at least one tone whose noise was measured or bounded; at most
        `STEP_LIMIT` of each body, kind and ISO step, a random sample (`draw_order`).
    """
    stems = [tone_column(s) for s in TONE_SIGNALS]
    names = [*_COLUMNS, *(f"{s}_{k}" for s in stems for k in ("sigma", "at_most"))]
    table = frames.loc[flags(frames, "best", True), [c for c in names if c in frames]]
    sigma, at_most = (
        np.stack([numbers(table, f"{s}_{kind}").astype(np.float32) for s in stems], axis=1)
        for kind in ("sigma", "at_most")
    )
    sigma[~(sigma > 0)] = np.nan
    at_most[~((at_most > 0) & np.isnan(sigma))] = np.nan
    informative = np.any(~np.isnan(sigma) | ~np.isnan(at_most), axis=1)
    reason = _reasons(table, informative, table.index.isin(list(lifted)))
    left_out: dict[str, dict[str, int]] = {}
    excluded = np.flatnonzero(reason != "")
    bodies = pd.Series(words(table, "body", UNKNOWN_BODY)[excluded])
    for (b, r), count in bodies.groupby([bodies, reason[excluded]]).size().items():  # type: ignore[misc]
        left_out.setdefault(str(b), {})[str(r)] = int(count)

    keep = np.flatnonzero(reason == "")
    candidates = _frame_columns(table[[c for c in _COLUMNS if c in table]].iloc[keep])
    sample = _sample(candidates, frames, sigma[keep])
    keep, sampled = keep[sample], candidates.iloc[sample].reset_index(drop=True)
    count = candidates.groupby(list(_GROUPS), observed=True).size()
    usable = {(str(b), str(k)): int(n) for (b, k), n in count.items()}  # type: ignore[misc]
    return Observations(sampled, sigma[keep], at_most[keep], left_out, usable)


def _frame_columns(rows: pd.DataFrame) -> pd.DataFrame:
    iso = numbers(rows, "iso")
    written, code = np.unique(iso, return_inverse=True)
    kind = words(rows, "source")
    kind[~rows["source"].isin(KINDS).to_numpy(bool)] = "unknown"
    with np.errstate(invalid="ignore"):
        long_exposure = numbers(rows, "exposure_time_s") >= LONG_EXPOSURE_S
    columns = {
        "body": words(rows, "body", UNKNOWN_BODY),
        "kind": kind,
        "iso": iso,
        "step": np.array([nominal_iso(i) for i in written])[code] if len(iso) else iso,
        "unit": group_numbers(rows, "outing"),
        "frame": rows.index.to_numpy(),
        "long_exposure": long_exposure,
        "pixels_per_frame": numbers(rows, "width_px") * numbers(rows, "height_px"),
        "scale": numbers(rows, "tone_output_scale"),
    }
    return pd.DataFrame(columns)


def _sample(
    candidates: pd.DataFrame, frames: pd.DataFrame, sigma: NDArray[np.float32]
) -> NDArray[np.int64]:
    """Row numbers of at most `STEP_LIMIT` frames of each body, kind and ISO step, by chance but always
    the same ones; long exposures are counted on their own."""
    names = [*_GROUPS, "step", "long_exposure"]
    group = candidates.groupby(names, observed=True, sort=True).ngroup().to_numpy()
    if not len(group) or np.bincount(group).max() <= STEP_LIMIT:
        return np.arange(len(candidates))
    drawn = draw_order(frames.filter(["file_id"]).loc[candidates["frame"]], sigma)
    order = np.lexsort((drawn, group))
    rank = pd.Series(group[order]).groupby(group[order]).cumcount().to_numpy()
    return np.sort(order[rank < STEP_LIMIT])
