"""One file's content in, one record out: everything that is measured of a frame."""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import cv2

from auditor.measure.content import MAX_PIXELS
from auditor.measure.decode import Undecodable, decode
from auditor.measure.dust_shadows import measure_dust
from auditor.measure.fringing import measure_optics
from auditor.measure.noise import measure_noise, measure_photon_transfer
from auditor.measure.picture import Picture
from auditor.measure.resized import resampled, whole_side_px
from auditor.measure.small_copies import crop_jpeg, small_copies
from auditor.optics import mtf50
from auditor.record import FrameRecord, Settings, pack_dust
from auditor.settings import read_tags, settle

__all__ = ["measure_file", "with_pixel_evidence"]

# Parallelism is one process per core; a second layer of threads inside would only get in the way.
cv2.setNumThreads(1)


def measure_file(
    data: bytes, path: str, sidecar: bytes | None = None, *, max_pixels: int = MAX_PIXELS
) -> FrameRecord:
    """Measure one file from its content.

    Parameters
    ----------
    data : bytes
        The whole file.
    path : str
        Where it lies; its name tells the kind of raw file and stands in the record.
    sidecar : bytes or None
        Content of its XMP sidecar, when there is one.
    max_pixels : int
        Larger pictures are set aside from their header.

    Returns
    -------
    FrameRecord
        With status 'measured', or 'set-aside' and the reason. Settings are kept in both.
    """
    tags = read_tags(data, path, sidecar)
    settings = tags.settings
    try:
        picture = decode(
            data,
            path,
            icc=tags.icc,
            fallback_transfer=tags.fallback_transfer,
            max_pixels=max_pixels,
        )
    except Undecodable as error:
        reason = str(error)
        if error.unknown_kind and settings.body:
            reason = f"a file of the {settings.body} in a format that the decoder does not know"
        return FrameRecord(path, "set-aside", reason, settings=settings)
    height, width = picture.shape
    source = settings.file_source
    if picture.lossy and source == "raw":
        # Only an embedded preview could be read: like is compared with like.
        source = "camera"
    notes = settings.notes if picture.note is None else (*settings.notes, picture.note)
    settings = settle(
        dataclasses.replace(
            settings,
            width_px=width,
            height_px=height,
            orientation=picture.orientation or settings.orientation,
            file_source=source,
            notes=notes,
        )
    )
    settings = with_pixel_evidence(settings, picture, tags.thumbnail)
    sharpness, fringing = measure_optics(picture, _perfect_lens(settings))
    copies = small_copies(picture, settings.orientation)
    dust = measure_dust(picture, settings.f_number, settings.pixel_pitch_um)
    return FrameRecord(
        path,
        settings=settings,
        sharpness=sharpness,
        noise=measure_noise(picture),
        photon_transfer=measure_photon_transfer(picture),
        fringing=fringing,
        signature=copies.signature,
        thumb_jpeg=copies.thumb_jpeg,
        sharpest_jpeg=crop_jpeg(picture, sharpness.sharpest, settings.orientation),
        weakest_jpeg=crop_jpeg(picture, sharpness.weakest, settings.orientation),
        colour_grid=copies.colour_grid,
        dust_map=None if dust is None else pack_dust(dust),
    )


def with_pixel_evidence(settings: Settings, picture: Picture, thumbnail: bytes | None) -> Settings:
    """Settings of a file that a program wrote, with what its pixels tell of cutting and enlarging.

    Parameters
    ----------
    settings : Settings
        As its tags tell them.
    picture : Picture
        The decoded file.
    thumbnail : bytes or None
        Embedded thumbnail, a JPEG.

    Returns
    -------
    Settings
        Settled again where pixels were looked at; else the same.
    """
    if settings.file_source != "edited" or settings.pitch_certainty == "sure":
        return settings
    if thumbnail:
        whole = whole_side_px(picture, thumbnail)
        settings = settle(dataclasses.replace(settings, whole_side_px=whole))
    if settings.file_kind == "edited full size" and settings.sensor_pixel_um is None:
        settings = settle(dataclasses.replace(settings, resampled=resampled(picture)))
    return settings


def _perfect_lens(settings: Settings) -> float | None:
    """MTF50 (c/px) that diffraction and the pixel alone leave at the frame's settings, if known."""
    if not settings.f_number or not settings.pixel_pitch_um:
        return None
    return _diffraction_mtf50(settings.f_number, settings.pixel_pitch_um)


@lru_cache(maxsize=1024)
def _diffraction_mtf50(f_number: float, pitch_um: float) -> float:
    """`optics.mtf50`, which takes 2 ms; an archive has few apertures and bodies."""
    return float(mtf50(f_number, pitch_um))
