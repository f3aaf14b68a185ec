"""Exposure arithmetic: APEX values, EV100, and the nominal third-of-a-stop scales.

APEX after Exif 2.32, annex C: Av = 2 log2 N, Tv = -log2 t, Sv = log2(ISO / 3.125), Ev = Av + Tv.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ABOUT_THE_RULE",
    "F_NUMBERS",
    "ISOS",
    "SAME_F_NUMBER",
    "STEPS_PER_DOUBLING",
    "aperture_from_apex",
    "aperture_text",
    "ev100",
    "f_number_at",
    "f_number_index",
    "f_number_place",
    "nominal_f_number",
    "nominal_iso",
    "shutter_text",
    "slower_text",
    "time_from_apex",
]

STEPS_PER_DOUBLING: Final = {"f_number": 6, "exposure_time_s": 3, "iso": 3}
"""Thirds of a stop from a value to its double: twice the f-number lets a quarter of the light through."""
_AT_F1: Final = 6
"""Place of f/1.0 in `F_NUMBERS`."""
_AT_ISO_100: Final = 12
"""Place of ISO 100 in `ISOS`."""
_TENTHS_FROM: Final = 1.3
"""f-numbers below this are engraved to a hundredth (f/0.95, f/1.25; common practice, no source)."""
SAME_F_NUMBER: Final = 0.05
"""f-numbers that differ by less than half of their last engraved figure are one."""
ABOUT_THE_RULE: Final = 0.25
"""Stops within which a shutter time is that of a rule of thumb: shutter times are set in thirds."""
_UNIT_FRACTION_S: Final = 0.26
"""Times up to a quarter of a second are engraved as 1/n."""

F_NUMBERS: Final[tuple[float, ...]] = (
    *(0.5, 0.56, 0.63, 0.7, 0.8, 0.9),
    *(1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1),
    *(8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0, 36.0, 40.0, 45.0),
    *(51.0, 57.0, 64.0, 72.0, 81.0, 90.0),
)
"""Engraved apertures, one third of a stop apart; entry i stands for 2 ** ((i - 6) / 6)."""

ISOS: Final[tuple[int, ...]] = (
    *(6, 8, 10, 12, 16, 20, 25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640),
    *(800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000),
    *(25600, 32000, 40000, 51200, 64000, 80000, 102400, 128000, 160000, 204800, 256000, 320000),
    *(409600,),
)
"""Engraved ISO values, one third of a stop apart; entry i stands for 100 * 2 ** ((i - 12) / 3)."""


def aperture_from_apex(av: float) -> float:
    """f-number of an APEX aperture value.

    Parameters
    ----------
    av : float
        Aperture value Av, in stops.

    Returns
    -------
    float
        N = 2 ** (Av / 2), dimensionless (Exif 2.32, annex C).
    """
    return 2.0 ** (av / 2)


def time_from_apex(tv: float) -> float:
    """Exposure time of an APEX time value.

    Parameters
    ----------
    tv : float
        Time value Tv, in stops.

    Returns
    -------
    float
        t = 2 ** -Tv in seconds (Exif 2.32, annex C).
    """
    return 2.0**-tv


def ev100(f_number: ArrayLike, exposure_time_s: ArrayLike, iso: ArrayLike) -> NDArray[np.float64]:
    """Scene brightness as the exposure value at ISO 100.

    Parameters
    ----------
    f_number, exposure_time_s, iso : array_like
        Aperture N, exposure time t in seconds and ISO speed S; they broadcast against each other.

    Returns
    -------
    ndarray of float64
        log2(N^2 / t) - log2(S / 100), in stops; NaN where an argument is NaN.

    References
    ----------
    Exif 2.32, annex C (APEX), with the speed taken off so that a scene has one value at every ISO.
    """
    n, t, s = (np.asarray(v, float) for v in (f_number, exposure_time_s, iso))
    return np.asarray(np.log2(n * n / t) - np.log2(s / 100))


def f_number_place(f_number: ArrayLike) -> NDArray[np.float64]:
    """Position of f-numbers on the scale of thirds of a stop.

    Parameters
    ----------
    f_number : array_like
        f-numbers, above 0.

    Returns
    -------
    ndarray of float64
        Fractional index into `F_NUMBERS`, whole at the exact thirds 2 ** ((i - 6) / 6).
    """
    return np.asarray(
        STEPS_PER_DOUBLING["f_number"] * np.log2(np.asarray(f_number, float)) + _AT_F1
    )


def f_number_at(place: ArrayLike) -> NDArray[np.float64]:
    """Exact f-number at a position on the scale of thirds of a stop: the inverse of `f_number_place`.

    Parameters
    ----------
    place : array_like
        Fractional indices into `F_NUMBERS`; they may lie beyond its ends.

    Returns
    -------
    ndarray of float64
        f-numbers 2 ** ((place - 6) / 6).
    """
    return np.asarray(2.0 ** ((np.asarray(place, float) - _AT_F1) / STEPS_PER_DOUBLING["f_number"]))


def f_number_index(f_number: float) -> int:
    """Index in `F_NUMBERS` of the nearest third of a stop.

    Parameters
    ----------
    f_number : float
        f-number, above 0.

    Returns
    -------
    int
        The index; negative or beyond the end for f-numbers outside the scale.
    """
    return round(float(f_number_place(f_number)))


def nominal_f_number(f_number: float) -> float:
    """Engraved f-number nearest to a measured one (f/3.5 and f/3.6 become f/3.5).

    Parameters
    ----------
    f_number : float
        f-number, above 0.

    Returns
    -------
    float
        The entry of `F_NUMBERS`; outside the scale the exact third of a stop.
    """
    index = f_number_index(f_number)
    return F_NUMBERS[index] if 0 <= index < len(F_NUMBERS) else float(f_number_at(index))


def nominal_iso(iso: float) -> int:
    """Engraved ISO value nearest to a given one (ISO 1148 becomes 1250).

    Parameters
    ----------
    iso : float
        ISO speed, above 0.

    Returns
    -------
    int
        The entry of `ISOS`; outside the scale the exact third of a stop, rounded.
    """
    steps = STEPS_PER_DOUBLING["iso"]
    thirds = round(steps * math.log2(iso / 100))
    index = thirds + _AT_ISO_100
    return ISOS[index] if 0 <= index < len(ISOS) else round(100 * 2 ** (thirds / steps))


def aperture_text(f_number: float) -> str:
    """An aperture in words.

    Parameters
    ----------
    f_number : float
        f-number.

    Returns
    -------
    str
        'f/8', 'f/5.6'; 'f/0.95', 'f/1.25', as fast lenses are engraved.
    """
    decimals = 1 if f_number >= _TENTHS_FROM else 2
    return "f/" + f"{f_number:.{decimals}f}".rstrip("0").rstrip(".")


def shutter_text(seconds: float) -> str:
    """A shutter time in words.

    Parameters
    ----------
    seconds : float
        Time, above 0.

    Returns
    -------
    str
        '1/250 s', '0.5 s', '2 s'.
    """
    if seconds <= _UNIT_FRACTION_S:
        return f"1/{round(1 / seconds)} s"
    return f"{seconds:.1f}".removesuffix(".0") + " s"


def slower_text(stops: float) -> str:
    """How a shutter time lies to another one, in words.

    Parameters
    ----------
    stops : float
        How much slower, in stops.

    Returns
    -------
    str
        '1.0 stop slower', '2.3 stops faster'.
    """
    size = f"{abs(stops):.1f}"
    return f"{size} stop{'s' * (size != '1.0')} {'slower' if stops > 0 else 'faster'}"
