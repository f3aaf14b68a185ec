"""Noise observations to cells: one robust mean per ISO step and signal level, with its covariance.

Frames scatter around their body's noise, and so do tones and outings; outlying tones get less weight (Tukey's
bisquare). Tones without measurable noise say what it is at most (censored data): of each cell the median bound
is kept beside the mean of what was measured.

The law to which cells of few frames are drawn is physics: in linear light with 1 = white the variance at signal s and
ISO i is linear in four unknowns,

    var = a g s + b g^2 + c + d s^2,      g = i / 100,

a = 1 / W with W the electrons at white at ISO 100 (photon noise; EMVA 1288, photon transfer),
b = (read noise / W)^2 for noise before the amplifier, c the noise behind the amplifier, d what is
proportional to the signal: faint texture of the scenes taken for noise, and the pixels' unequal response.
Neither is random from frame to frame and the two cannot be told apart in ordinary pictures, so d is
fitted, to keep it out of a, and left out of what is said of the body.

A camera's noise reduction grows with ISO: all of it is multiplied by exp(e log2(i / 100)). The law is fitted without;
e is among what departs from it (`response`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls
from scipy.sparse import csr_array

from auditor.infer.bodies.observe import Tones
from auditor.robust import bisquare_weight, group_medians, scale_of

__all__ = ["PRIOR_SD", "PRIOR_WEIGHT", "ROUNDS", "Cells", "Physics", "fit_physics", "gather"]

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

ROUNDS: Final = 6
"""Rounds in which weights and what is fitted with them settle."""
RANDOM_LEAST: Final = 0.1
"""Least share of the variance seen that is random from frame to frame, so much as clean sensors leave
beside a texture of one per cent. One frame's few tones may follow the texture's law by chance."""
PRIOR_SD: Final = 0.1
"""Scatter of a body's tones in log noise before any was seen."""
PRIOR_WEIGHT: Final = 4.0
"""Frames that this prior is worth."""


@dataclass(frozen=True, slots=True)
class Physics:
    """The law var = a g s + b g^2 + c + d s^2 with g = ISO / 100 (module docstring), in linear light, 1 = white.

    Attributes
    ----------
    photon : float
        a, photon noise: one over the electrons at white at ISO 100.
    read : float
        b, read noise before the amplifier, squared, as a share of white at ISO 100.
    downstream : float
        c, variance of the noise behind the amplifier.
    proportional : float
        d, squared share of the signal: texture taken for noise, unequal response of pixels.
    """

    photon: float
    read: float
    downstream: float
    proportional: float

    def log_sigma(self, iso: ArrayLike, signal: ArrayLike, texture: bool = True) -> Floats:
        """Log noise by the law.

        Parameters
        ----------
        iso, signal : array_like
            ISO, and signal in linear light (1 = white); they broadcast.
        texture : bool
            With what is proportional to the signal, as frames show it, or without, as far as that leaves
            `RANDOM_LEAST` of the variance.

        Returns
        -------
        ndarray of float64
            Natural log of the standard deviation in linear light.
        """
        terms = self._terms(iso, signal)
        variance, total = terms[..., :3].sum(axis=-1), terms.sum(axis=-1)
        variance = total if texture else np.maximum(variance, RANDOM_LEAST * total)
        return np.asarray(0.5 * np.log(np.maximum(variance, 1e-18)))

    def jacobian(self, iso: Floats, signal: Floats) -> Floats:
        """Derivatives of log noise without texture by the law's own parameters.

        Parameters
        ----------
        iso, signal : ndarray of float64, shape (..., n)
            ISO, and signal in linear light.

        Returns
        -------
        ndarray of float64, shape (..., n, 3)
            By ln `photon`, ln `read`, and what development does per stop of ISO.
        """
        terms = self._terms(iso, signal)[..., :3]
        shares = terms / np.maximum(terms.sum(axis=-1, keepdims=True), 1e-18)
        return np.concatenate([0.5 * shares[..., :2], np.log2(iso / 100)[..., None]], axis=-1)

    def _terms(self, iso: ArrayLike, signal: ArrayLike) -> Floats:
        """The law's four variances, (..., 4)."""
        i, s = np.broadcast_arrays(np.asarray(iso, float), np.asarray(signal, float))
        return _basis(i, s) * [self.photon, self.read, self.downstream, self.proportional]


def _basis(iso: Floats, signal: Floats) -> Floats:
    g = iso / 100
    return np.stack([g * signal, g * g, np.ones(iso.shape), signal * signal], axis=-1)


def fit_physics(iso: Floats, signal: Floats, log_sigma: Floats, sd: Floats) -> Physics:
    """Weighted non-negative least squares of the variance law to cell means.

    Weights are relative to the fitted variance and found by `ROUNDS` rounds of reweighting.

    Parameters
    ----------
    iso, signal, log_sigma : ndarray of float64, shape (c,)
        ISO step, signal (linear, 1 = white) and natural log noise of each cell.
    sd : ndarray of float64, shape (c,)
        Standard deviation of each `log_sigma`.

    Returns
    -------
    Physics
        The fit.

    References
    ----------
    EMVA Standard 1288, photon transfer.
    """
    basis = _basis(iso, signal)
    observed = fitted = np.exp(2 * log_sigma)
    for _ in range(ROUNDS):
        weight = 1 / (2 * sd * fitted)
        design = basis * weight[:, None]
        scale = np.linalg.norm(design, axis=0)
        coefficients = nnls(design / scale, observed * weight)[0] / scale
        fitted = np.maximum(basis @ coefficients, 1e-18)
    return Physics(*coefficients.tolist())


@dataclass(frozen=True, slots=True)
class Cells:
    """Robust means and bounds of log noise by ISO step and signal, of one body and kind of file.

    Attributes
    ----------
    iso, signal : ndarray of float64, shape (c,)
        ISO step and signal (linear, 1 = white) of each cell.
    log_sigma : ndarray of float64, shape (c,)
        Mean natural log of the standard deviation of noise in linear light; NaN where no frame shows any.
    bound : ndarray of float64, shape (c,)
        Median of the upper limits of frames that show none; NaN where there is none.
    frames, unseen : ndarray of int64, shape (c,)
        Frames in each cell that show measurable noise, and those of which only an upper limit is known.
    covariance : ndarray of float64, shape (m, m)
        Covariance of the means of the m `measured` cells through sampling of frames, outings and tones.
    frame_count, unit_count : int
        Frames and outings of all observations.
    measured_frames, measured_units : int
        Those of them that show measurable noise.
    """

    iso: Floats
    signal: Floats
    log_sigma: Floats
    bound: Floats
    frames: NDArray[np.int64]
    unseen: NDArray[np.int64]
    covariance: Floats
    frame_count: int
    unit_count: int
    measured_frames: int
    measured_units: int

    @property
    def isos(self) -> Floats:
        """ISO steps in use."""
        return np.unique(self.iso)

    @property
    def measured(self) -> NDArray[np.intp]:
        """Numbers of the cells in which noise was measured."""
        return np.flatnonzero(self.frames)


def gather(tones: Tones) -> Cells:
    """Pool the tones of one body and kind of file into cells of equal ISO step and signal.

    ISO values as written are first brought to their step, the nearest third of a stop, by a fit of the physics
    (`fit_physics`) to the cells' medians. Weighted means and the scatter about them are then found in `ROUNDS`
    rounds; the scatter is shrunk to `PRIOR_SD` with the weight of `PRIOR_WEIGHT` frames, and taken to be shared by a frame, shared
    by an outing and each tone's own in equal parts.

    Parameters
    ----------
    tones : structured ndarray, shape (n,)
        Rows of one group of `Observations.groups`, at least one; fields `iso`, `step`, `signal`,
        `log_sigma`, `censored`, `frame`, `unit`.

    Returns
    -------
    Cells
        Every cell that holds a measured tone or a limit.
    """
    # As complex numbers, which sort by the real part first.
    place, cell = np.unique(tones["step"] + 1j * tones["signal"], return_inverse=True)
    iso, signal = place.real, place.imag
    censored, count = tones["censored"], len(place)
    seen = tones[~censored]
    frames, unseen = (np.bincount(cell[of], minlength=count) for of in (~censored, censored))
    measured = np.flatnonzero(frames)
    log_sigma, covariance = np.full(count, np.nan), np.empty((0, 0))
    if len(measured):
        own_cell = np.searchsorted(measured, cell[~censored])
        log_sigma[measured], covariance = _means(seen, own_cell, iso[measured], signal[measured])
    return Cells(
        iso=iso,
        signal=signal,
        log_sigma=log_sigma,
        bound=group_medians(np.where(censored, tones["log_sigma"], np.nan), cell),
        frames=frames,
        unseen=unseen,
        covariance=covariance,
        frame_count=len(np.unique(tones["frame"])),
        unit_count=len(np.unique(tones["unit"])),
        measured_frames=len(np.unique(seen["frame"])),
        measured_units=len(np.unique(seen["unit"])),
    )


def _means(tones: Tones, cell: Codes, iso: Floats, signal: Floats) -> tuple[Floats, Floats]:
    """Mean log noise of measured cells, and covariance of the means."""
    y, cells, count = tones["log_sigma"], len(iso), np.bincount(cell)
    law = fit_physics(iso, signal, group_medians(y, cell), PRIOR_SD / np.sqrt(count))
    residual = y - law.log_sigma(tones["iso"], tones["signal"])
    frame, unit = (np.unique(tones[name], return_inverse=True)[1] for name in ("frame", "unit"))
    frames = frame.max() + 1
    dof = max(frames - len(np.unique(iso)), 0) + PRIOR_WEIGHT
    mean = np.zeros(cells)
    for _ in range(ROUNDS):
        # The centre from which residuals are taken is shrunk to the physics where frames are few.
        off = residual - (mean * count / (count + 2))[cell]
        spread = frames * scale_of(off) ** 2
        scatter = float(np.sqrt((spread + PRIOR_WEIGHT * PRIOR_SD**2) / dof))
        weight = np.maximum(bisquare_weight(off, scatter), 1e-6)
        total = np.bincount(cell, weight)
        mean = np.bincount(cell, weight * residual) / total
    # A third of the variance each is a tone's own, of its frame and of its outing. A cell of nothing but outliers
    # weighs little, and so says little.
    covariance = np.diag(1 / total)
    for group in (frame, unit):
        # A frame has one ISO, and so a share in few cells.
        shares = csr_array((weight / total[cell], (cell, group)), (cells, group.max() + 1))
        covariance += (shares @ shares.T).toarray()
    return law.log_sigma(iso, signal) + mean, scatter**2 / 3 * covariance
