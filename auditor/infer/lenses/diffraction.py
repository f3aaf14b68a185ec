"""Where diffraction is the ruling blur at a pixel pitch, against what an archive shows."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from auditor.exposure import F_NUMBERS, nominal_f_number
from auditor.infer.lenses.intervals import Draws
from auditor.infer.lenses.physics import PARAMETERS, blur_px
from auditor.model import Diffraction
from auditor.optics import GREEN_UM, blur_sigma_for_mtf50

__all__ = ["describe_diffraction", "diffraction_blur_px"]

Floats = NDArray[np.float64]

_MTF50_DIFFRACTION: Final = 0.40397
"""x = wavelength N f at which the diffraction MTF is one half: solves acos x - x sqrt(1 - x^2) =
pi / 4 (from `optics.diffraction_mtf`)."""
_MTF50_PIXEL: Final = 0.60335
"""Where |sinc f| is one half, c/px."""


def diffraction_blur_px(f_number: Floats, pitch_um: float) -> Floats:
    """Gaussian blur of the same MTF50 as diffraction alone.

    Parameters
    ----------
    f_number : ndarray of float64
        Apertures.
    pitch_um : float
        Pixel pitch in micrometres.

    Returns
    -------
    ndarray of float64
        Standard deviation in px, for green light.
    """
    return blur_sigma_for_mtf50(_MTF50_DIFFRACTION * pitch_um / (GREEN_UM * f_number))


def describe_diffraction(
    draws: Draws, zone: int, supported: NDArray[np.bool_], pitch_known: bool
) -> Diffraction:
    """From which f-number diffraction blurs more than pixel and aberrations together.

    By the pitch alone (a perfect lens); and where two apertures or more have evidence in `zone`, with its
    aberrations as fitted, if that lies among these apertures. How the curve falls towards the smallest of these
    apertures is given where the intervals at both ends lie apart: optics let any curve fall there, frames or none.

    Parameters
    ----------
    draws : Draws
        Plausible curves about a fit.
    zone : int
        Index into `record.ZONES`.
    supported : ndarray of bool, shape (K,)
        Apertures at which that zone has evidence.
    pitch_known : bool
        Whether the pixel pitch is known; else `text` says that it is assumed.

    Returns
    -------
    Diffraction
        F-numbers, None where diffraction rules at no aperture of which there is evidence.
    """
    fit, grid = draws.fit, np.array(F_NUMBERS)
    diffraction = diffraction_blur_px(grid, fit.data.pitch_um)
    pixel = float(blur_sigma_for_mtf50(_MTF50_PIXEL))
    perfect = grid[np.argmax(diffraction > pixel)]
    out: Diffraction = {
        "ruling_from_f_number": None,
        "ruling_low": None,
        "ruling_high": None,
        "perfect_lens_from_f_number": float(perfect),
        "loss_at_smallest": None,
        "text": None,
    }
    text = (
        f"where a pixel of the files covers {fit.data.pitch_um:.2f} µm, diffraction would rule a perfect lens from "
        f"f/{perfect:g}"
    )
    if not pitch_known:
        text += " (pixel pitch assumed)"
    used = np.flatnonzero(supported)
    if len(used) > 1:
        parameters = slice(zone * PARAMETERS, (zone + 1) * PARAMETERS)
        theta = np.vstack([fit.state.theta[parameters], draws.theta[:, parameters]])
        other_blur = np.hypot(pixel, blur_px(theta, fit.model.optics.widest / grid))
        rules = diffraction > other_blur
        onset = np.where(rules.any(-1), grid[rules.argmax(-1)], np.inf)
        low, high = np.quantile(onset[1:], draws.ends, method="nearest")
        last_used = nominal_f_number(fit.data.f_numbers[used[-1]])
        high = high if high <= last_used else np.inf
        if onset[0] <= last_used:
            out["ruling_from_f_number"], out["ruling_low"] = float(onset[0]), float(low)
            out["ruling_high"] = float(high) if np.isfinite(high) else None
            last = f"to f/{high:g}" if np.isfinite(high) else "to past the apertures used"
            text += f"; with this lens's own blur from f/{onset[0]:g}"
            if low < high:
                text += f" (f/{low:g} {last})"
        curve, low, high = (ends[zone, used] for ends in draws.figures)
        best = int(curve.argmax())
        if high[-1] < low[best]:
            shown = float(1 - curve[-1] / curve[best])
            out["loss_at_smallest"] = round(shown, 3)
            smallest, peak = (nominal_f_number(fit.data.f_numbers[used[i]]) for i in (-1, best))
            text += (
                f"; the archive shows {100 * shown:.0f}% less at f/{smallest:g} than at f/{peak:g}"
            )
    out["text"] = text
    return out
