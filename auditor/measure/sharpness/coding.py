"""What JPEG took of an edge, and a frame's edges with value and error once all of them are known.

JPEG (ISO/IEC 10918-1) writes the cosine coefficients of 8 x 8 pixels as whole multiples of a step.
The fine ones of a weak edge are smaller than half a step and vanish, most of all where the edge runs
aslant and its detail is spread over many of them; noise that is wide beside the step carries them
through. So a darker picture of one scene reads softer, unless what was lost is given back: each edge
is drawn where it lies in the file's own grid of blocks and coded with the file's own steps, and what
that does to a fit of its blur is what was taken.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache, cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.measure.cosine import EIGHT, JPEG_BLOCK
from auditor.measure.picture import Picture
from auditor.measure.sharpness.edge_records import pool_shares
from auditor.measure.sharpness.edges import CLEAN_MISFIT, Edges
from auditor.measure.sharpness.family import (
    BIN_PX,
    HALF_PX,
    MIDDLE,
    OFFSETS,
    edge_family,
    half_width,
)
from auditor.measure.sharpness.light import Light
from auditor.measure.sharpness.lines import BINS

__all__ = ["Coding", "coding_of", "pooled_edges"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_BLOCKS: Final = 3
"""Blocks down and across that are drawn about each edge."""
_SIDE: Final = JPEG_BLOCK * _BLOCKS
_MATRIX: Final = np.kron(np.eye(_BLOCKS, dtype=np.float32), EIGHT.matrix)
_ALONG_PX: Final = 8.0
"""Half length along the edge of the pixels that a fit would use."""
_PART: Final = 0.85
"""How much of what a lone edge would lose is lost: what else lies in its blocks carries it through in
part. From 19,000 clean edges of rendered scenes before and after coding at qualities 90 and 95, f/2.8 to
f/22: with it the mean is right within 1% wherever up to 8% is lost."""
_LIMIT: Final = (0.24, 0.31), (0.04, 3.0)
"""At these c/px the loss given back is held below this much of ln MTF50, gently: what a soft edge loses
passes for another shape of blur in part."""
_SHORT: Final = 3.0
"""Error of what is given back, over MTF50^2 and the middle step of the table in heights of the edge: edges as short
and bent as leaves' lose 2 to 5 times that more than straight ones, houses' -2 to 2 times (quality 40 to 92), and
nothing tells which an edge is."""
_LEAST_NOISE: Final = 0.12
"""Noise of a coefficient, in steps, that is always there: no edge is as straight as its drawing."""
_DITHERED: Final = 0.5
"""Noise beside the widest step from which on nothing is lost; beside the middle one, not to be told from nothing."""


@cache
def _profiles() -> tuple[Singles, Singles, Floats]:
    """Of the family's levels, diffraction and Gaussian in equal parts: profiles (levels, bins), the
    terms of a fit (levels, bins, 5), of which the last is the change with ln MTF50, and ln MTF50."""
    family = edge_family()
    edge, line = family.edge[:, MIDDLE], family.line[:, MIDDLE]
    level = np.log(family.mtf50_cpp)
    slope = np.broadcast_to(OFFSETS / HALF_PX, edge.shape)
    terms = (np.ones_like(edge), edge, line, slope, np.gradient(edge, level, axis=0))
    return edge.astype(np.float32), np.stack(terms, 2).astype(np.float32), level


class Coding:
    """Quantisation steps of a JPEG's luma, with the way from light back to code values."""

    def __init__(self, steps: Floats, picture: Picture) -> None:
        self._steps = np.maximum(steps, 1).astype(np.float32)
        self._picture = picture

    @cached_property
    def _light(self) -> Floats:
        return self._picture.linear(np.arange(256, dtype=np.uint8)).astype(float)

    def _codes(self, light: Floats) -> Floats:
        return np.interp(light, self._light, np.arange(256.0))

    def loss(self, log_mtf50: Floats, edges: Edges) -> Floats:
        """How much of ln MTF50 the coding took of each edge.

        Each edge is drawn from its fitted profile where it lies on the grid of blocks, the mean effect of rounding
        its noisy cosine coefficients is computed in closed form, and the fit of blur is linearised to see what
        that does to it.

        Parameters
        ----------
        log_mtf50 : (n,) ndarray of float64
            ln MTF50 (c/px) as fitted.
        edges : Edges
            The same edges; position, angle, step, base and noise are used.

        Returns
        -------
        (n,) ndarray of float64
            What is to be added to `log_mtf50`, less than `_LIMIT` at its own either way; 0 where noise carries the edge
            through.
        """
        out = np.zeros(len(log_mtf50))
        noise_codes = self._noise(edges)
        affected = noise_codes < _DITHERED * self._steps.max()
        if affected.any():
            lost = _PART * self._change(
                log_mtf50[affected], edges.take(affected), noise_codes[affected]
            )
            limit = np.exp(np.interp(np.exp(log_mtf50[affected]), _LIMIT[0], np.log(_LIMIT[1])))
            out[affected] = lost / (1 + np.abs(lost) / limit)
        return out

    def shared_error(self, log_mtf50: Floats, edges: Edges) -> Floats:
        """Error of `loss` that edges of one kind have in common.

        Parameters
        ----------
        log_mtf50 : (n,) ndarray of float64
            ln MTF50 (c/px) as fitted.
        edges : Edges
            The same edges.

        Returns
        -------
        (n,) ndarray of float64
            Standard deviation; 0 where noise carries the edge through.
        """
        step = float(np.median(self._steps))
        affected = self._noise(edges) < _DITHERED * step
        ratio = step / np.maximum(self._height(edges), 1.0)
        return np.asarray(_SHORT * np.exp(2 * log_mtf50) * ratio * affected)

    def _height(self, edges: Edges) -> Floats:
        """Codes from the dark side of each edge to its light one."""
        return self._codes(edges.base + edges.step) - self._codes(edges.base)

    def _noise(self, edges: Edges) -> Floats:
        """Noise beside each edge, in codes."""
        return edges.noise * self._height(edges) / np.maximum(edges.step, 1e-9)

    def _change(self, log_mtf50: Floats, edges: Edges, noise_codes: Floats) -> Floats:
        """What a fit of blur to lone edges loses of ln MTF50, with noise of `grain` code values."""
        profile, terms, levels = _profiles()
        at = np.round((log_mtf50 - levels[0]) / (levels[1] - levels[0])).astype(int)
        at = np.clip(at, 0, len(levels) - 1)
        light = edges.base[:, None] + edges.step[:, None] * profile[at]
        code = self._codes(light).astype(np.float32)
        noise = np.maximum(noise_codes[:, None, None] / self._steps, _LEAST_NOISE).astype(
            np.float32
        )
        bins, inside = _drawn(edges, half_width(log_mtf50))
        lost = self._loss_of(np.take(code, bins), noise)
        used = np.flatnonzero(inside)
        flat = bins.take(used)
        count = np.bincount(flat, minlength=code.size).reshape(code.shape)
        mean = np.bincount(flat, weights=lost.take(used), minlength=code.size).reshape(code.shape)
        # From code values to shares of the step, by the slope of the transfer curve at each bin.
        slope = np.gradient(self._light)[np.round(code).astype(int)]
        mean *= slope / np.maximum(edges.step, 1e-9)[:, None]
        x = terms[at]
        normal = (x * count[:, :, None]).transpose(0, 2, 1) @ x + 1e-6 * np.eye(x.shape[2])
        rhs = x.transpose(0, 2, 1) @ mean[:, :, None]
        return np.asarray(np.linalg.solve(normal, rhs)[:, -1, 0])

    def _loss_of(self, drawn: Singles, noise: Singles) -> Singles:
        """What coding takes of drawn edges, in the mean over their noise.

        Parameters
        ----------
        drawn : (n, side, side) ndarray of float32
            Code values of blocks about each edge.
        noise : (n, 8, 8) ndarray of float32
            Standard deviation of each coefficient as a share of its step.

        Returns
        -------
        (n, side, side) ndarray of float32
            Code values lost.
        """
        coefficients = _MATRIX @ drawn @ _MATRIX.T
        steps = np.tile(self._steps, (_BLOCKS, _BLOCKS))
        coefficients /= steps
        damped = np.exp(np.float32(-2 * np.pi**2) * noise * noise)
        lost = _rounding(coefficients, np.tile(damped, (1, _BLOCKS, _BLOCKS)))
        lost *= -steps
        lost[:, ::8, ::8] = 0
        return np.asarray(_MATRIX.T @ lost @ _MATRIX)


def _drawn(edges: Edges, half_px: Floats) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Bins of an edge's profile to which the pixels of the blocks about it belong.

    Parameters
    ----------
    edges : Edges
        The edges, n of them.
    half_px : (n,) ndarray of float64
        Half width in pixels of the window that a fit would use.

    Returns
    -------
    bins : (n, side, side) ndarray of int32
        Bin of each pixel, numbered through all edges.
    inside : (n, side, side) ndarray of bool
        Whether a fit would use the pixel.
    """
    first = [JPEG_BLOCK * np.round((p + 0.5 - _SIDE / 2) / JPEG_BLOCK) for p in (edges.y, edges.x)]
    axis = np.arange(_SIDE)
    dy, dx = (
        (f[:, None] + axis - p[:, None]).astype(np.float32)
        for f, p in zip(first, (edges.y, edges.x), strict=True)
    )
    c, s = (f(edges.angle).astype(np.float32)[:, None] for f in (np.cos, np.sin))
    u = (dx * c)[:, None, :] + (dy * s)[:, :, None]
    t = (dy * c)[:, :, None] - (dx * s)[:, None, :]
    half_px = half_px.astype(np.float32)
    inside = (np.abs(u) <= half_px[:, None, None]) & (np.abs(t) <= _ALONG_PX)
    u += np.float32(HALF_PX)
    u *= np.float32(1 / BIN_PX)
    np.clip(u, 0, BINS - 1, out=u)
    bins = u.astype(np.int32)
    bins += (np.arange(len(bins), dtype=np.int32) * BINS)[:, None, None]
    return bins, inside


def _rounding(x: Singles, damped: Singles) -> Singles:
    """Mean of round(x + noise) - x: the Fourier series of a sawtooth whose first wave the noise damps
    to `damped` (dither; Gray & Neuhoff, IEEE Trans. Inf. Theory 44, 1998, from memory)."""
    phase = x - np.round(x)
    phase *= np.float32(2 * np.pi)
    cosine = np.cos(phase)
    # sin 2p / 2 is sin p cos p; the third wave adds nothing beside the least noise.
    total = damped * damped
    total *= total
    total *= cosine
    total -= damped
    total *= np.sin(phase, out=phase)
    total *= np.float32(1 / np.pi)
    return total


def coding_of(light: Light) -> Coding | None:
    """Coding behind the picture that sharpness is measured on.

    Parameters
    ----------
    light : Light
        The frame.

    Returns
    -------
    Coding or None
        None for what is no JPEG, or was measured on a mosaic.
    """
    steps, code = light.picture.luma_steps, light.picture.code
    if steps is None or light.green is not None or code is None or code.dtype != np.uint8:
        return None
    return Coding(steps, light.picture)


_MISFIT_ERROR: Final = 2.0
"""Error of ln MTF50 per unit of misfit above half of a clean edge's."""
_LOSS_ERROR: Final = 0.2
"""Error of what JPEG took, over the square root of it: scatter of 19,000 edges about their state before
coding."""
_MAX_STDERR: Final = 0.5
"""Error of ln MTF50 from which on nothing is known of an edge."""


def pooled_edges(edges: Edges, coding: Coding | None = None) -> Edges:
    """All edges of a frame with value and error under the frame's own share of diffraction.

    Parameters
    ----------
    edges : Edges
        From `measure_edges`.
    coding : Coding or None
        Gives back what JPEG took.

    Returns
    -------
    Edges
        With `log_mtf50` and `stderr`; edges with an error above `_MAX_STDERR` are left out.
    """
    mean, stderr = pool_shares(edges.by_share, edges.clean)
    stderr = np.hypot(stderr, _MISFIT_ERROR * np.maximum(edges.misfit - CLEAN_MISFIT / 2, 0))
    shared = np.zeros(len(edges))
    if coding is not None:
        # Only to clean ones: the texture about the others carries them through.
        coding_loss, clean = np.zeros(len(edges)), edges.take(edges.clean)
        coding_loss[edges.clean] = coding.loss(mean[edges.clean], clean)
        shared[edges.clean] = coding.shared_error(mean[edges.clean], clean)
        mean, stderr = (
            mean + coding_loss,
            np.hypot(stderr, _LOSS_ERROR * np.sqrt(np.abs(coding_loss))),
        )
    pooled = replace(edges, log_mtf50=mean, stderr=stderr, coding_error=shared)
    return pooled.take(stderr < _MAX_STDERR)
