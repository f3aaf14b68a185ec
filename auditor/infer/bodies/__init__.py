"""How far ISO can go, by body and by light, and what one body's ISO is worth on another."""

from __future__ import annotations

from auditor.infer.bodies.bodies_model import BodiesModel, fit_bodies
from auditor.infer.bodies.body_profile import BodyFigures, infer_bodies
from auditor.infer.bodies.matches import AcceptError, accept_table, parse_accept

__all__ = [
    "AcceptError",
    "BodiesModel",
    "BodyFigures",
    "accept_table",
    "fit_bodies",
    "infer_bodies",
    "parse_accept",
]
