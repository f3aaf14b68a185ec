"""System MTF50 of a picture from its own edges."""

from auditor.measure.sharpness.edges import Edges
from auditor.measure.sharpness.frame_sharpness import measure_sharpness, sharpness_and_edges

__all__ = ["Edges", "measure_sharpness", "sharpness_and_edges"]
