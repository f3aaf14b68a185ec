"""Pixels to numbers: decode, sharpness, noise, fringing, and all of them for one frame."""

from typing import Any

__all__ = ["measure_file"]


def __getattr__(name: str) -> Any:
    # Inference reads a constant or two from this package and must not load decoders for it.
    if name == "measure_file":
        from auditor.measure.frame import measure_file

        return measure_file
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
