"""How far ISO can go, by body and by light, and what one body's ISO is worth on another."""

from __future__ import annotations

from auditor.infer.bodies.accept import AcceptError, accept_table, parse_accept
from auditor.infer.bodies.body_profile import BodiesModel, BodyFigures, fit_bodies, infer_bodies

__all__ = [
    "AcceptError",
    "BodiesModel",
    "BodyFigures",
    "accept_table",
    "fit_bodies",
    "infer_bodies",
    "parse_accept",
]
