"""What kinds of file a body's frames are, and what a pixel of each covers on the sensor, in words."""

from __future__ import annotations

from typing import Any, Final

from auditor.report import words

__all__ = ["lens_scale_sentence", "scale_sentence"]

_KINDS: Final = {
    "raw": "raw",
    "camera full size": "the camera's own size",
    "camera reduced": "a smaller size of the camera's",
    "edited full size": "edited at full size",
    "edited reduced": "reduced",
    "cropped": "cropped",
    "enlarged": "enlarged",
    "unknown": "of unknown kind",
}
_SAME: Final = 0.03
"""Relative difference within which a file's pixel is the sensor's, as for kinds of file."""
_ONE_FIGURE_UM: Final = 0.005
"""Pixels that differ by less are given as one figure of two digits."""


def scale_sentence(scales: Any, pixel_um: Any) -> str | None:
    """Files by kind and scale; None where all are of the sensor's own pixels and nobody changed them."""
    own = words.number(pixel_um)
    told = [s for s in scales or [] if words.number(s.get("pixel_pitch_um"))]
    if not told or all(_plain(s, own) for s in told):
        return None
    counts: dict[str, tuple[int, set[float]]] = {}
    for s in told:
        kind = _KINDS.get(str(s.get("file_kind")), _KINDS["unknown"])
        n, found = counts.get(kind, (0, set()))
        counts[kind] = n + int(s["frames"]), found | {float(s["pixel_pitch_um"])}
    parts = []
    for kind, (n, found) in counts.items():
        covers = f" ({_span(found)} µm a pixel)" if not _all_near(found, own) else ""
        parts.append(f"{n} {kind}{covers}")
    return f"Files: {words.join(parts)}."


def lens_scale_sentence(pitch_um: Any, pixel_um: Any) -> str | None:
    """What a pixel of the files covers from which a lens was judged, beside the sensor's own."""
    pitch, own = words.number(pitch_um), words.number(pixel_um)
    if pitch is None:
        return None
    if own is None or _all_near({pitch}, own):
        return f"Pixel pitch {pitch:.2f} µm."
    return f"A pixel of these files covers {pitch:.2f} µm of the sensor, whose own pixel is {own:.2f} µm."


def _plain(scale: Any, own: float | None) -> bool:
    kept = scale.get("file_kind") in ("raw", "camera full size")
    return kept and _all_near({float(scale["pixel_pitch_um"])}, own)


def _all_near(found: set[float], own: float | None) -> bool:
    return own is not None and all(abs(one / own - 1) <= _SAME for one in found)


def _span(found: set[float]) -> str:
    low, high = min(found), max(found)
    return f"{low:.2f}" if high - low < _ONE_FIGURE_UM else f"{low:.2f} to {high:.2f}"
