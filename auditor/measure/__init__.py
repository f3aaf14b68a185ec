"""Pixels to numbers: decode, sharpness, noise, fringing, and all of them for one frame."""
