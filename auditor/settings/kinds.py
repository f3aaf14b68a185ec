"""What became of the sensor's pixels in one file: kind, scale, share of the sensor.

The same rules judge a file alone and among the other files of its body; the difference is how much is
known of the body's sensor. Sizes are compared with the sensor's own: whole, smaller, larger. A smaller
file is either a part of the sensor at its own pixels or the whole of it at larger ones.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any, Final

from auditor.record import Certainty, Settings
from auditor.settings.body_sensor import (
    LARGEST_PITCH_UM,
    PANORAMA,
    SAME_SIZE,
    Evidence,
    Sensor,
    Verdict,
    evidence_of,
    known_sensor,
)
from auditor.settings.sensors import FULL_FRAME_DIAGONAL_MM

__all__ = ["SHORT_SIDES", "figures", "judge", "settle"]

SHORT_SIDES: Final = (0.9, 1.1)
"""Short side over that which was written between which only border was cut."""
SMALLEST_OF_LARGE_PX: Final = 1_000_000
"""Fewer pixels no camera with such large pixels writes (common practice, no source)."""
SMALLEST_SENSOR_MM: Final = 3.9
"""No camera for photographs has a smaller diagonal (common practice, no source)."""
NEARLY_WHOLE: Final = 0.9
"""Share of the thumbnail's or the sensor's width from which a file holds all of it, or was straightened or trimmed:
nobody reduces by so little (common practice, no source)."""
CROP_MODES: Final = (1.2, 1.75)
"""How much smaller the part of the sensor is that cameras use in a crop mode of its own shape, by its side
(common practice, no source)."""
# fmt: off
LEAST_PX: Final = ((2010, 2_900_000), (2005, 1_900_000))
"""From a year on, pixels below which hardly a camera's or telephone's full size is (common practice, no
source)."""
BLOCK_PX: Final = 4
"""See `FREE_SIDE_PX`."""
FREE_SIDE_PX: Final = 3000
"""Cameras write sides that divide by four; larger files that do not have such a one were rather
trimmed than reduced (common practice, no source)."""

EXPORT_SIDES: Final = frozenset([
    500, 600, 640, 700, 720, 750, 768, 800, 850, 900, 960, 1000, 1024, 1080, 1100, 1200, 1250, 1280,
    1300, 1350, 1366, 1400, 1440, 1500, 1600, 1680, 1800, 1900, 1920, 2000, 2048, 2160, 2200, 2400,
    2500, 2560, 2880, 3000, 3072, 3200, 3500, 3600, 3840, 4000, 4096, 5000, 5120,
])
# fmt: on
"""Longest sides in pixels that people ask of an export (common practice, no source): a cut-out hits
one by chance once in fifty times."""

USUAL_SHAPES: Final = (1.0, 5 / 4, 4 / 3, 7 / 5, 3 / 2, 8 / 5, 16 / 9, 65 / 24)
"""Long over short side of formats that cameras offer (common practice, no source)."""
_SHAPE_TOLERANCE: Final = 0.012
"""Difference of logarithms within which a file has one of them."""


def _close(one: float, other: float, tolerance: float) -> bool:
    return abs(math.log(one / other)) <= tolerance


def _whole_field_um(sides: tuple[float, float], long: float, short: float) -> float:
    """Micrometres per pixel of a file that spans the sensor in at least one direction."""
    return min(sides[0] / long, sides[1] / short) * 1000


def judge(e: Evidence, sensor: Sensor) -> Verdict:
    """Kind, scale and share of one file against its sensor."""
    if e.source == "raw":
        return _raw(e, sensor)
    if sensor.size is None:
        return _zoomed(e) if e.source == "resized" else _size_unknown(e, sensor)
    across, down = e.long / sensor.size[0], e.short / sensor.size[1]
    spans = across if _close(across, down, SAME_SIZE) else max(across, down)
    if e.source == "resized" and spans > 1 - SAME_SIZE:
        return _zoomed(e)
    if abs(spans - 1) <= SAME_SIZE:
        return _whole(e, sensor, min(1.0, across) * min(1.0, down))
    if spans > 1:
        return _larger(e, sensor, spans)
    return _smaller(e, sensor, spans, across / down)


def _raw(e: Evidence, sensor: Sensor) -> Verdict:
    """All of the sensor, unless 35 mm equivalents tell that a smaller file is a part of it, or of joined pixels."""
    pitch = sensor.pixel_um
    certainty: Certainty = "sure" if sensor.confirmed else "likely"
    if sensor.size is not None and sensor.diagonal_mm and e.view_mm:
        spans = max(e.long / sensor.size[0], e.short / sensor.size[1])
        view = math.log(e.view_mm / sensor.diagonal_mm)
        if spans < 1 - SAME_SIZE and abs(view - math.log(spans)) < abs(view):
            covered = round(e.long * e.short / (sensor.size[0] * sensor.size[1]), 3)
            reason = f"sensor data, {e.long:.0f} of {_size(sensor)}: a crop mode"
            return Verdict("raw", "cropped", reason, pitch, covered, certainty)
        if spans < 1 - SAME_SIZE and pitch:
            pitch /= spans
    pitch = pitch or _tagged_or_spanned(e, sensor)
    return Verdict("raw", "raw", "sensor data", pitch, 1.0, certainty)


def _tagged_or_spanned(e: Evidence, sensor: Sensor) -> float | None:
    sides = sensor.sides_mm(e.long, e.short)
    return _whole_field_um(sides, e.long, e.short) if sides else e.tagged_um


def _zoomed(e: Evidence) -> Verdict:
    pitch = None
    if e.view_mm:
        pitch = e.view_mm / math.hypot(e.long, e.short) * 1000
    return Verdict("resized", "enlarged", "digital zoom", pitch, None, "likely" if pitch else None)


def _certainty(sensor: Sensor) -> Certainty:
    return "sure" if sensor.confirmed else "likely"


_NOTHING_LARGER: Final = "nothing tells of a larger size"


def _whole(e: Evidence, sensor: Sensor, share: float) -> Verdict:
    """A file of the sensor's own size, in one direction at least."""
    share = round(share, 3)
    if e.source == "unknown":
        reason = "the sensor's own size; who wrote it can't be told"
        return Verdict("unknown", "unknown", reason, sensor.pixel_um, share, _certainty(sensor))
    if e.source == "camera":
        if share <= NEARLY_WHOLE:
            reason = "a part of the sensor, by the camera"
        else:
            reason = "the camera's own size" if sensor.confirmed else _NOTHING_LARGER
        return Verdict(
            "camera", "camera full size", reason, sensor.pixel_um, share, _certainty(sensor)
        )
    if share < NEARLY_WHOLE:
        reason = f"covers {share:.0%} of the sensor at its own pixels"
        return Verdict("edited", "cropped", reason, sensor.pixel_um, share, _certainty(sensor))
    reason = "the sensor's own size, written by a program"
    return Verdict("edited", "edited full size", reason, sensor.pixel_um, share, _certainty(sensor))


def _larger(e: Evidence, sensor: Sensor, spans: float) -> Verdict:
    assert sensor.size is not None
    if e.long > e.short * PANORAMA and e.short <= sensor.size[1] * (1 + SAME_SIZE):
        return Verdict("resized", "unknown", "longer than the sensor: stitched")
    pitch = sensor.pixel_um / spans if sensor.pixel_um else None
    reason = f"{spans:.2f} times the sensor's own size of {_size(sensor)}"
    return Verdict("resized", "enlarged", reason, pitch, None, _certainty(sensor))


def _size(sensor: Sensor) -> str:
    assert sensor.size is not None
    return f"{sensor.size[0]:.0f} x {sensor.size[1]:.0f} px"


def _smaller(e: Evidence, sensor: Sensor, spans: float, shape: float) -> Verdict:
    """Fewer pixels than the sensor has: a part of it, or all of it reduced."""
    if e.source == "camera":
        return _smaller_by_camera(e, sensor, spans, shape)
    if e.cameras_size and (e.shown is None or e.shown >= NEARLY_WHOLE):
        pitch = sensor.pixel_um / spans if sensor.pixel_um else e.tagged_um
        covered = round(1 / max(shape, 1 / shape), 3)
        reason = f"{e.long:.0f} of {_size(sensor)}, as the camera writes it; saved again"
        return Verdict("edited", "camera reduced", reason, pitch, covered, _certainty(sensor))
    certainty: Certainty = "assumed"
    crop, confirmed = not _close(shape, 1, SAME_SIZE), sensor.confirmed
    scale, reason_part = spans, "the sensor's own shape"
    if e.shown is not None:
        crop, certainty = e.shown < NEARLY_WHOLE, "sure" if confirmed else "likely"
        reason_part = f"shows {'all' if not crop else f'{e.shown:.0%}'} of the thumbnail's width"
        if crop:
            assert sensor.size is not None
            assert e.field_px is not None
            if e.field_px < NEARLY_WHOLE * sensor.size[0]:
                crop, scale = False, e.field_px / sensor.size[0]
                reason_part += " with fewer pixels: cropped and reduced"
    elif spans > NEARLY_WHOLE and e.long not in EXPORT_SIDES:
        crop, reason_part = True, "too little less for a reduced one"
    elif crop and e.long in EXPORT_SIDES:
        crop, reason_part = False, "its longest side is one that exports are given"
    elif crop:
        reason_part = "not the sensor's shape"
    if crop:
        covered = spans * spans / max(shape, 1 / shape)
        reason = f"{e.long:.0f} of {_size(sensor)}, {reason_part}: a cut-out"
        return Verdict("edited", "cropped", reason, sensor.pixel_um, round(covered, 3), certainty)
    if certainty == "assumed" and _close(shape, 1, SAME_SIZE):
        certainty = "likely"
    pitch = sensor.pixel_um / scale if sensor.pixel_um else None
    covered = (spans / scale) ** 2 / max(shape, 1 / shape)
    reason = f"{e.long:.0f} of {_size(sensor)}, {reason_part}: reduced"
    return Verdict(
        "resized", "edited reduced", reason, pitch, round(min(1.0, covered), 3), certainty
    )


def _smaller_by_camera(e: Evidence, sensor: Sensor, spans: float, shape: float) -> Verdict:
    """Crop modes keep the pixel; small sizes keep the field."""
    pixel, tagged = sensor.pixel_um, e.tagged_um
    same_shape = _close(shape, 1, SAME_SIZE)
    if e.view_mm and sensor.diagonal_mm and same_shape:
        view = math.log(e.view_mm / sensor.diagonal_mm)
        crop = abs(view - math.log(spans)) < abs(view)
    else:
        # Cameras may leave the tags of the full size in smaller files.
        kept = bool(tagged and pixel and _close(tagged, pixel, SAME_SIZE))
        usual = not same_shape or CROP_MODES[0] <= 1 / spans <= CROP_MODES[1]
        crop = kept and usual
    covered = round(spans * spans / max(shape, 1 / shape), 3)
    if crop:
        reason = f"{e.long:.0f} of {_size(sensor)} at the sensor's own pixels: a crop mode"
        return Verdict("camera", "cropped", reason, pixel, covered, _certainty(sensor))
    pitch = pixel / spans if pixel else tagged
    covered = round(1 / max(shape, 1 / shape), 3)
    reason = f"{e.long:.0f} of {_size(sensor)}"
    if e.recoded is False:
        reason += ": a smaller size that the camera was set to"
        return Verdict("camera", "camera reduced", reason, pitch, covered, _certainty(sensor))
    reason += ": reduced, and nothing says by the camera"
    return Verdict("resized", "edited reduced", reason, pitch, covered, "assumed")


def _size_unknown(e: Evidence, sensor: Sensor) -> Verdict:
    """A file of a body whose pixel count nothing tells: taken as whole unless that is absurd."""
    pitch = _tagged_or_spanned(e, sensor)
    if e.source == "unknown":
        return Verdict("unknown", "unknown", "nothing tells who wrote it", pitch)
    shape = e.long / e.short
    certainty: Certainty = "likely" if sensor.basis in ("database", "tagged") else "assumed"
    share = None
    sides = sensor.sides_mm(e.long, e.short)
    if sides and pitch:
        share = round(min(1.0, e.long * e.short * pitch**2 / 1e6 / (sides[0] * sides[1])), 3)
    big = pitch is not None and pitch > LARGEST_PITCH_UM
    tiny = big and e.long * e.short < SMALLEST_OF_LARGE_PX
    if e.source == "camera":
        if big and (tiny or e.recoded is not False):
            reason = f"one pixel covers {pitch:.3g} um of the sensor"
            return Verdict("resized", "edited reduced", reason, pitch, share, certainty)
        if big:
            reason = f"one pixel covers {pitch:.3g} um of the sensor: a smaller size"
            return Verdict("camera", "camera reduced", reason, pitch, share, certainty)
        reason = _NOTHING_LARGER
        return Verdict("camera", "camera full size", reason, pitch, share, certainty)
    if e.shown is not None and e.shown < NEARLY_WHOLE:
        reason = f"shows {e.shown:.0%} of the thumbnail's width: a cut-out"
        assert e.field_px is not None
        pitch = pitch * e.long / e.field_px if pitch else None
        return Verdict("edited", "cropped", reason, pitch, round(e.shown**2, 3), "likely")
    if big:
        reason = f"one pixel covers {pitch:.3g} um of the sensor"
        return Verdict("resized", "edited reduced", reason, pitch, share, certainty)
    if not e.body:
        return Verdict(e.source, "unknown", "no camera is named in it")
    if e.tagged_um and math.hypot(e.long, e.short) * e.tagged_um / 1000 < SMALLEST_SENSOR_MM:
        reason = f"pixels of {e.tagged_um:.3g} um, which its tags tell, leave no sensor so small"
        return Verdict("resized", "edited reduced", reason, None, None, "assumed")
    if e.resampled:
        reason = "its pixels bear the traces of enlarging"
        return Verdict("resized", "enlarged", reason, pitch, share, "likely")
    usual = any(_close(shape, one, _SHAPE_TOLERANCE) for one in USUAL_SHAPES)
    if not usual and e.long not in EXPORT_SIDES:
        return Verdict(
            "edited", "cropped", "no sensor has this shape", e.tagged_um, None, "assumed"
        )
    since, least = next(((y, px) for y, px in LEAST_PX if e.year and e.year >= y), (0, 0))
    if e.long * e.short < least:
        reason = f"a program wrote {e.long * e.short / 1e6:.1f} million pixels, too few for a camera of {since} or later"
        return Verdict("resized", "edited reduced", reason, pitch, share, "assumed")
    if e.long % BLOCK_PX and e.long < FREE_SIDE_PX:
        reason = f"a longer side of {e.long:.0f} px is no camera's"
        return Verdict("resized", "edited reduced", reason, pitch, share, "assumed")
    reason = _NOTHING_LARGER
    return Verdict("edited", "edited full size", reason, pitch, share, "assumed")


PITCH_LIMITS_UM: Final = (0.3, 1000.0)
"""Scales outside of these are no scales: fewer pixels than a thumbnail, or damage."""


def settle(s: Settings) -> Settings:
    """Settle `source`, `file_kind`, `pixel_pitch_um` and what belongs to them by one file alone.

    Doing it twice changes nothing more.

    Parameters
    ----------
    s : Settings
        As read from tags, header and pixels.

    Returns
    -------
    Settings
        The same where the size of the file is not known.
    """
    focal, equivalent = s.focal_length_mm, s.focal_35mm
    view_mm = FULL_FRAME_DIAGONAL_MM * focal / equivalent if focal and equivalent else None
    year = int(s.taken[:4]) if s.taken and s.taken[:4].isdigit() else None
    e = evidence_of(s, view_mm, year)
    if e is None:
        return s
    sensor = known_sensor([(e, 1)])
    basis = sensor.basis
    if basis == "tagged":
        basis = s.pitch_basis if s.pitch_basis in ("focal-plane", "maker") else "focal-plane"
    return dataclasses.replace(s, **figures(judge(e, sensor), sensor, basis))


def figures(verdict: Verdict, sensor: Sensor, basis: str | None) -> dict[str, Any]:
    """What is settled of one file, by the names of the fields of `Settings`. `basis`: of the pixel pitch."""
    pitch = verdict.pitch_um
    known = pitch is not None and PITCH_LIMITS_UM[0] <= pitch <= PITCH_LIMITS_UM[1]
    return {
        "source": verdict.source,
        "file_kind": verdict.kind,
        "kind_reason": verdict.reason,
        "pixel_pitch_um": round(pitch, 4) if known and pitch else None,
        "pitch_basis": basis if known else None,
        "pitch_certainty": verdict.certainty if known else None,
        "sensor_share": verdict.share,
        "sensor_pixel_um": round(sensor.pixel_um, 4) if sensor.pixel_um else None,
    }
