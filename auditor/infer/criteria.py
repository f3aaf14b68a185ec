"""What the photographer asks of a frame: the thresholds behind every verdict of the profile."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from typing import Final, cast

from auditor import model

__all__ = ["DRAWS", "Criteria"]

DRAWS: Final = 400
"""Equally likely archives, or curves, behind an interval: its 5% ends are good to a tenth of the half width."""
_PRINT_LIMITS_CM: Final = (5, 1000)
"""From a contact print to a wall: other figures are mistaken units (common practice, no source)."""
_VIEWING_LIMITS_CM: Final = (10, 2000)
"""From the nearest that an eye can see to across a hall: the same."""
_SHAPE: Final = 1.5
"""Long over short side of the output picture: that of a 24 x 36 mm frame."""


@dataclass(frozen=True, slots=True)
class Criteria:
    """Thresholds, all of which the user can set. Shares are between 0 and 1.

    Raises ValueError, in plain words, when a value makes no sense.
    """

    pin_sharp: float = 0.75
    """Share of the sharpest aperture's MTF50 (weaker of centre and corner) kept when pin-sharp."""
    acceptable: float = 0.60
    """The same share for an acceptable aperture; not above `pin_sharp`."""
    snr_excellent: float = 40.0
    """Signal to noise of excellent quality (ISO 12232, noise-based speed)."""
    snr_acceptable: float = 10.0
    """Signal to noise of acceptable quality (ISO 12232, noise-based speed)."""
    output_megapixels: float = 8.0
    """Output size at which bodies of different pixel counts are compared."""
    interval: float = 0.90
    """Share of the truth that intervals are meant to hold."""
    fringe_px: float = 1.0
    """Displacement of red or blue against green (px) from which colour seams count as visible."""
    coc_pixels: float = 2.0
    """Blur circle in pixels that hyperfocal distance and depth of field allow."""
    print_cm: tuple[float, ...] = (30.0, 60.0, 90.0)
    """Long sides (cm) of the prints for which differences count as visible or not."""
    viewing_cm: float = 50.0
    """Distance (cm) from which prints are looked at: about arm's length (common practice, no source)."""
    seed: int = 0
    """Seed of the resampling behind intervals: the same store gives the same profile."""

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if not all(math.isfinite(v) for v in (value if isinstance(value, tuple) else (value,))):
                raise ValueError(f"criteria: {f.name} must be a number")
        if not 0 < self.acceptable <= self.pin_sharp <= 1:
            raise ValueError(
                "criteria: need 0 < acceptable <= pin_sharp <= 1, "
                f"got acceptable {self.acceptable} and pin_sharp {self.pin_sharp}"
            )
        if not 0 < self.snr_acceptable <= self.snr_excellent:
            raise ValueError(
                "criteria: need 0 < snr_acceptable <= snr_excellent, "
                f"got {self.snr_acceptable} and {self.snr_excellent}"
            )
        if not 0.5 <= self.interval < 1:
            raise ValueError(f"criteria: interval must be in [0.5, 1), got {self.interval}")
        if not all(_PRINT_LIMITS_CM[0] <= w <= _PRINT_LIMITS_CM[1] for w in self.print_cm):
            raise ValueError(
                "criteria: print widths must be between {} and {} cm".format(*_PRINT_LIMITS_CM)
            )
        if not _VIEWING_LIMITS_CM[0] <= self.viewing_cm <= _VIEWING_LIMITS_CM[1]:
            low, high = _VIEWING_LIMITS_CM
            raise ValueError(f"criteria: the viewing distance must be between {low} and {high} cm")
        for name in ("output_megapixels", "fringe_px", "coc_pixels"):
            if getattr(self, name) <= 0:
                raise ValueError(f"criteria: {name} must be positive, got {getattr(self, name)}")

    def as_dict(self) -> model.Criteria:
        """The `criteria` object of the profile.

        Returns
        -------
        model.Criteria
            All fields.
        """
        return cast("model.Criteria", {**asdict(self), "print_cm": list(self.print_cm)})

    @property
    def output_width_px(self) -> int:
        """Long side in px of a 3:2 picture of `output_megapixels`."""
        return round(math.sqrt(self.output_megapixels * 1e6 * _SHAPE))
