"""Noise of a frame: how much, at which tones, how coarse, and what it says about the sensor."""

from auditor.measure.noise.developed import measure_noise
from auditor.measure.noise.transfer import measure_photon_transfer

__all__ = ["measure_noise", "measure_photon_transfer"]
