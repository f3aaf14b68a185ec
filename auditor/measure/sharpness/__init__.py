"""System MTF50 of a picture from its own edges and textures."""

from auditor.measure.sharpness.whole import measure_sharpness

__all__ = ["measure_sharpness"]
