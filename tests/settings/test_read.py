"""Whole files to settings."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from made import picture, settings_of
from other_readers import by_exifread, by_pillow, is_placeholder, number
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from auditor.artificial.camera import Mosaic
from auditor.artificial.files import FrameTags, jpeg_bytes, mosaic_bytes
from auditor.record import Settings
from auditor.settings import read_settings, read_tags
from auditor.settings.read import file_number
from auditor.settings.tags import MAX_TEXT

DATA = Path(__file__).parents[3] / "shared" / "data"
CAMERA_FILES = sorted((DATA / "camera-files").glob("*"))
MALFORMED = sorted((DATA / "malformed").glob("*"))
needs_data = pytest.mark.skipif(not CAMERA_FILES, reason="../shared/data is not there")

XMP = """<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF
 xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""
 xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"
 xmp:Rating="{rating}"><dc:subject><rdf:Bag>{words}</rdf:Bag></dc:subject>
</rdf:Description></rdf:RDF></x:xmpmeta>"""


def sidecar(rating: int, *words: str) -> bytes:
    return XMP.format(rating=rating, words="".join(f"<rdf:li>{w}</rdf:li>" for w in words)).encode()


def test_a_frame_as_a_camera_writes_it() -> None:
    tags = FrameTags(
        make="Northlight", model="NL-7", body_serial="123", lens="NL 24-70 mm f/2.8", lens_serial="77",
        focal_length_mm=35, f_number=8, exposure_time_s=1 / 250, iso=100,
        taken="2024-05-01T06:00:00.25", pixel_pitch_um=4.0, orientation=6, rating=4,
        keywords=("lake", "tripod"),
    )  # fmt: skip
    found = read_settings(jpeg_bytes(np.zeros((800, 1200, 3), np.uint8), tags), "a/DSC_0042.jpg")
    assert found == Settings(
        body="Northlight NL-7", body_serial="123", lens="NL 24-70 mm f/2.8", lens_serial="77",
        focal_length_mm=35.0, f_number=8.0, exposure_time_s=0.004, iso=100.0,
        ev100=13.966, taken="2024-05-01T06:00:00.25", pixel_pitch_um=4.0, width_px=1200, height_px=800,
        orientation=6, source="camera", file_number="0042", flash=False, rating=4,
        labels=("lake", "tripod"), pitch_basis="focal-plane", maker_note=False,
        file_kind="camera full size", kind_reason="nothing tells of a larger size",
        pitch_certainty="likely", sensor_share=1.0, sensor_pixel_um=4.0, file_source="camera",
        told_pitch_um=4.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("written", "read"),
    [
        # Exif 2.32, tag 0xA420: 'an ASCII string equivalent to hexadecimal notation and 128-bit fixed length'.
        ("F6CF316215B06591C1F51AB597986742", "f6cf316215b06591c1f51ab597986742"),
        ("f6cf316215b06591c1f51ab597986742", "f6cf316215b06591c1f51ab597986742"),
        ("0" * 32, None),
        ("F" * 32, None),
        ("F64ELNGR3SM", None),
        ("deadbeefdeadbeef", None),
        ("f6cf3162-15b0-6591-c1f5-1ab597986742", None),
        ("g6cf316215b06591c1f51ab597986742", None),
        ("f6cf316215b06591c1f51ab5979867421", None),
    ],
)
def test_an_image_unique_id_is_one_only_as_the_standard_has_it(
    written: str, read: str | None
) -> None:
    assert settings_of({"ImageUniqueID": written}).image_unique_id == read


def test_a_picture_without_tags_has_no_settings_but_its_size() -> None:
    found = read_settings(picture(plain=False), "x.jpg")
    reason = "nothing tells who wrote it"
    assert found == Settings(
        width_px=60, height_px=40, kind_reason=reason, file_source="unknown"
    )  # fmt: skip


@pytest.mark.parametrize(
    "data", [b"", b"\xff", b"not a picture", b"\xff\xd8\xff", b"II*\x00", b"\x00" * 5000]
)
def test_what_is_no_picture_gives_empty_settings_and_says_so(data: bytes) -> None:
    found = read_settings(data, "x.jpg")
    assert dataclasses.replace(found, notes=()) == Settings(file_source="unknown")
    assert len(found.notes) <= 1


def test_adapted_lenses_write_zero_for_what_they_do_not_know() -> None:
    found = settings_of(
        {"FNumber": "0/10", "FocalLength": "0/1", "LensModel": "----", "ISOSpeedRatings": "200"}
    )
    assert (found.f_number, found.focal_length_mm, found.lens, found.iso) == (None, None, None, 200)
    assert found.ev100 is None
    assert any("f/0" in note for note in found.notes)


# --- capture time


@pytest.mark.parametrize(
    ("tags", "taken"),
    [
        ({"DateTimeOriginal": "2024:05:01 06:00:00"}, "2024-05-01T06:00:00"),
        ({"DateTimeOriginal": "2024:05:01 下午06:00:00"}, "2024-05-01T18:00:00"),
        ({"DateTimeOriginal": "2024:05:01 오후 12:30:00"}, "2024-05-01T12:30:00"),
        ({"DateTimeOriginal": "2024:05:01 03:12:11PM"}, "2024-05-01T15:12:11"),
        ({"DateTimeOriginal": "2024:05:01 3:12 p.m."}, "2024-05-01T15:12:00"),
        ({"DateTimeOriginal": "2024:05:01 오전 12:30:00"}, "2024-05-01T00:30:00"),
        (
            {
                "DateTimeOriginal": "2024:05:01 06:00:00", "SubSecTimeOriginal": "089",
                "OffsetTimeOriginal": "-03:30",
            },
            "2024-05-01T06:00:00.089-03:30",
        ),
        ({"DateTimeOriginal": "2024-05-01T06:00:00Z"}, "2024-05-01T06:00:00+00:00"),
        ({"DateTimeOriginal": "    :  :     :  :  ", "DateTimeDigitized": "2001:02:03 04:05:06"}, "2001-02-03T04:05:06"),
        ({"DateTimeOriginal": "2024:02:30 06:00:00"}, None),
        ({"DateTimeOriginal": "0000:00:00 00:00:00"}, None),
        ({"DateTimeOriginal": "soon"}, None),
        ({"DateTimeOriginal": "2024:05:01 06:00:60"}, "2024-05-01T06:00:59"),
        ({"Exif.Image.DateTime": "2024:05:01 06:00:00"}, "2024-05-01T06:00:00"),
        ({"Xmp.exif.DateTimeOriginal": "2024-05-01T06:00:00.5+02:00"}, "2024-05-01T06:00:00.5+02:00"),
        ({"DateTimeOriginal": "2024:05:01 06:00:00", "OffsetTimeOriginal": "+99:99"}, "2024-05-01T06:00:00"),
    ],
)  # fmt: skip
def test_capture_time(tags: dict[str, str], taken: str | None) -> None:
    assert settings_of(tags).taken == taken


@pytest.mark.parametrize("year", ["1970", "2099", "1980"])
def test_clocks_that_were_wrong_are_kept(year: str) -> None:
    found = settings_of({"DateTimeOriginal": f"{year}:01:01 00:00:00"})
    assert found.taken == f"{year}-01-01T00:00:00"


# --- text


def test_control_characters_and_markup_in_a_lens_name_are_harmless() -> None:
    name = settings_of(
        {"LensModel": "NL\x1b[31m 50 mm\r\n<script>alert(1)</script>\u202e f/1.8\x07"}
    ).lens
    assert name == "NL [31m 50 mm <script>alert(1)</script> f/1.8"
    assert name.isprintable()


def test_long_text_is_cut_and_other_encodings_are_read() -> None:
    found = settings_of({"LensModel": "L" * 20_000, "Exif.Image.Software": "Größe 1.0"})
    assert found.lens == "L" * MAX_TEXT
    assert found.software == "Größe 1.0"
    # A text in Latin-1 must not cost the others, as it would when the whole table is decoded.
    data = picture({"Exif.Image.Artist": "Xyrger"}).replace(b"Xyrger", b"J\xf6rger")
    assert read_settings(data, "x.jpg").body == "Northlight NL-7"


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(
            ["Exif.Image.Make", "Exif.Image.Model", "Exif.Photo.LensModel", "Exif.Image.Software",
             "Exif.Photo.DateTimeOriginal", "Exif.Photo.SubSecTimeOriginal", "Exif.Photo.BodySerialNumber"]
        ),
        st.text(st.characters(exclude_categories=["Cs"]), max_size=60),
    )
)  # fmt: skip
def test_any_text_gives_one_printable_line_or_nothing(tags: dict[str, str]) -> None:
    found = read_settings(picture(tags, plain=False), "x.jpg")
    for value in (
        found.body,
        found.lens,
        found.software,
        found.body_serial,
        found.taken,
        *found.notes,
    ):
        assert value is None or (value.isprintable() and value == value.strip() and value)


# --- stars and keywords


def test_stars_and_keywords_inside_the_file() -> None:
    found = settings_of({"Xmp.xmp.Rating": "3", "Xmp.dc.subject": ["lake", "dawn", "lake"]})
    assert (found.rating, found.labels) == (3, ("lake", "dawn"))
    assert settings_of({"Exif.Image.Rating": "2"}).rating == 2
    assert settings_of({"Xmp.xmp.Rating": "-1"}).rating == -1
    assert settings_of({"Xmp.xmp.Rating": "900"}).rating is None
    assert settings_of({}).rating is None
    assert settings_of({"Iptc.Application2.Keywords": ["hut", "rain"]}).labels == ("hut", "rain")


def test_the_sidecar_has_the_later_word() -> None:
    found = settings_of(
        {"Xmp.xmp.Rating": "1", "Xmp.dc.subject": ["old"]}, sidecar=sidecar(5, "new", "tripod")
    )
    assert (found.rating, found.labels) == (5, ("new", "tripod"))


def test_a_broken_sidecar_is_said_and_the_file_is_read() -> None:
    found = settings_of({"FNumber": "8/1"}, sidecar=b"<x:xmpmeta")
    assert found.f_number == 8
    broken = settings_of({"FNumber": "8/1"}, sidecar=b"\x00\x01\x02\x03")
    assert any("sidecar" in note for note in broken.notes)


def test_developing_instructions_in_a_sidecar_do_not_make_the_jpeg_beside_it_edited() -> None:
    beside = sidecar(3).replace(
        b'xmp:Rating="3"',
        b'xmp:Rating="3" xmp:CreatorTool="Some Developer 7" '
        b'xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/" crs:AlreadyApplied="True"',
    )
    assert settings_of({}, sidecar=beside).source == "camera"


# --- scale and kind of file


@pytest.mark.parametrize(
    ("unit", "density", "pitch"),
    [
        ("2", "25400/4", 4.0),  # pixels per inch
        ("3", "10000/4", 4.0),  # per centimetre
        ("4", "1000/4", 4.0),  # per millimetre, as some makers have it
        ("3", "2500000/1000", 4.0),
        (None, "25400/4", 4.0),  # Exif: the unit is inches when it is not said
    ],
)
def test_pitch_from_the_focal_plane_resolution(
    unit: str | None, density: str, pitch: float
) -> None:
    tags = {"FocalPlaneXResolution": density}
    if unit:
        tags["FocalPlaneResolutionUnit"] = unit
    found = settings_of(tags, size=(600, 400))
    assert (found.pixel_pitch_um, found.pitch_basis) == (pytest.approx(pitch), "focal-plane")


def test_the_standards_own_example_of_focal_plane_resolution() -> None:
    # Exif 2.32, tag 41486: pixels per unit on the focal plane; 36 mm over 6000 px is 6 um.
    found = settings_of(
        {"FocalPlaneXResolution": "6000/36", "FocalPlaneResolutionUnit": "4"}, size=(600, 400)
    )
    assert found.pixel_pitch_um == pytest.approx(6.0)


def test_pitch_from_the_35_mm_equivalent() -> None:
    found = settings_of({"FocalLength": "50/1", "FocalLengthIn35mmFilm": "75"}, size=(600, 400))
    # A factor of 1.5: 24 mm over 600 px.
    assert (found.pixel_pitch_um, found.pitch_basis) == (
        pytest.approx(40.0, rel=1e-3),
        "equivalent",
    )


@pytest.mark.parametrize("density", ["0/1", "0/0", "1/0", "1/1000000", "999999999/1"])
def test_an_absurd_focal_plane_resolution_is_not_used(density: str) -> None:
    assert settings_of({"FocalPlaneXResolution": density}).pixel_pitch_um is None


def test_a_file_smaller_than_its_tags_say_was_resized_and_its_pixels_are_larger() -> None:
    tags = {
        "PixelXDimension": "1200", "PixelYDimension": "800", "FocalPlaneXResolution": "2500/1",
        "FocalPlaneResolutionUnit": "3",
    }  # fmt: skip
    small = settings_of(tags, size=(600, 400))
    assert (small.source, small.pixel_pitch_um) == ("resized", pytest.approx(8.0))
    assert settings_of(tags, size=(1200, 800)).source == "camera"
    assert settings_of(tags, size=(800, 1200)).source == "camera"


@pytest.mark.parametrize(
    ("first", "written", "kind"),
    [
        ("1200 800", (1200, 800), "edited reduced"),  # left by the program that changed the other
        ("600 400", (600, 400), "edited full size"),
        ("160 107", (600, 400), "edited full size"),  # of a preview
    ],
)
def test_a_size_left_in_the_first_directory_is_what_the_camera_wrote(
    first: str, written: tuple[int, int], kind: str
) -> None:
    wide, high = first.split()
    found = settings_of(
        {"PixelXDimension": "600", "PixelYDimension": "400", "Exif.Image.ImageWidth": wide,
         "Exif.Image.ImageLength": high, "Exif.Image.Software": "Darkling 4.2"},
        size=(600, 400),
    )  # fmt: skip
    assert (found.written_width_px, found.written_height_px) == written
    assert found.file_kind == kind


@pytest.mark.parametrize(
    ("tags", "f_number"),
    [
        # A lens that tells the body nothing, also where its focal length was set by hand.
        ({}, None),
        ({"FocalLength": "50/1"}, None),
        ({"FocalLength": "50/1", "LensSpecification": "50/1 50/1 0/0 0/0"}, None),
        ({"FocalLength": "28/1", "LensModel": "NL 28mm f/2.8"}, None),
        ({"FocalLength": "28/1", "MaxApertureValue": "400/100"}, None),
        # Lenses that open so wide, with the reducer that makes f/1.0 of f/1.4.
        ({"FocalLength": "50/1", "LensModel": "NL 50mm f/1.0", "MaxApertureValue": "0/1"}, 1.0),
        ({"FocalLength": "58/1", "LensModel": "NL 58mm f/0.95"}, 1.0),
        ({"FocalLength": "50/1", "LensSpecification": "50/1 50/1 10/10 10/10"}, 1.0),
        ({"FocalLength": "25/1", "LensModel": "NL 35mm f/1.4"}, 1.0),
        ({"LensModel": "NL Night"}, 1.0),
    ],
)  # fmt: skip
def test_f1_is_an_aperture_only_of_a_lens_that_has_it(
    tags: dict[str, str], f_number: float | None
) -> None:
    """ApertureValue and MaxApertureValue are 2 log2 of the f-number (Exif 2.32, annex C); 0 is f/1.0, or unset."""
    found = settings_of({"ApertureValue": "0/100", **tags, "FNumber": "100/100"})
    assert found.f_number == f_number


def test_the_time_of_the_last_change_stands_behind_that_of_the_making() -> None:
    changed = {"Exif.Image.DateTime": "2025:03:01 09:00:00", "SubSecTime": "12"}
    made = {"Xmp.xmp.CreateDate": "2001-05-01T10:00:00"}
    assert settings_of({**changed, **made}).taken == "2001-05-01T10:00:00"
    assert settings_of(changed).taken == "2025-03-01T09:00:00.12"
    original = {"DateTimeOriginal": "2000:01:02 03:04:05"}
    assert settings_of({**changed, **made, **original}).taken == "2000-01-02T03:04:05"


def test_a_compact_named_by_equivalents_has_no_converter() -> None:
    lens = {"LensModel": "28-100mm F1.8-4.9", "FocalLength": "22/1", "FNumber": "56/10"}
    assert settings_of({**lens, "FocalLengthIn35mmFilm": "60"}).converter is None


@pytest.mark.parametrize(("noted", "converter"), [("XC-14", "XC-14"), ("", None), ("None", None)])
def test_a_converter_that_only_the_maker_s_note_names(noted: str, converter: str | None) -> None:
    """At 100 mm a lens of 40-150 mm may stand before it or not."""
    lens = {"LensModel": "NL 40-150mm F2.8", "FocalLength": "100/1", "FNumber": "4/1"}
    note = {"Exif.OlympusEq.ExtenderModel": noted, "Exif.Image.Make": "OLYMPUS CORPORATION"}
    found = settings_of({**lens, **note} if noted else lens)
    assert (found.lens, found.converter) == ("NL 40-150mm F2.8", converter)


@pytest.mark.parametrize(
    ("tags", "lens"),
    [
        ({"Exif.Pentax.LensType": "4 24", "Exif.Image.Make": "PENTAX Corporation"}, "lens number 4 24"),
        ({"Exif.Pentax.LensType": "1 0", "Exif.Image.Make": "PENTAX Corporation"}, None),
        ({"Exif.Sony2.LensID": "128", "Exif.Image.Make": "SONY"}, "lens number 128"),
        ({"Exif.Sony2.LensID": "4294967295", "Exif.Image.Make": "SONY"}, None),
        ({"Exif.Sony2.LensID": "65535", "Exif.Image.Make": "SONY"}, None),
        ({"Exif.Sony2.LensID": "128", "Exif.Image.Make": "SONY", "LensModel": "NL 50mm F1.4"}, "NL 50mm F1.4"),
    ],
)  # fmt: skip
def test_a_lens_known_by_its_number_alone(tags: dict[str, str], lens: str | None) -> None:
    """Bodies from before Exif 2.3 name no lens; under one number its frames are at least together."""
    assert settings_of(tags).lens == lens


def test_a_lens_behind_an_extender_in_its_name_is_the_bare_one_at_every_focal_length() -> None:
    name = "NL100-500mm F4.5-7.1 + EXTENDER NL1.4x"
    for focal in (140, 420, 700):
        found = settings_of({"LensModel": name, "FocalLength": f"{focal}/1", "FNumber": "10/1"})
        assert (found.lens, found.converter) == ("NL100-500mm F4.5-7.1", "1.4x")


@pytest.mark.parametrize(
    ("software", "source"),
    [
        (None, "camera"),
        ("Ver.1.00 ", "camera"),
        ("v981-79", "camera"),
        ("17.1.A.2.55_9_f300", "camera"),
        ("Digital Camera NL-7 Ver1.01", "camera"),
        ("NL-7 Ver 1.10", "camera"),
        ("Northlight 10.1.0.46", "camera"),
        ("GENERIC1BA042 prg1205-9079", "camera"),
        ("firmware 1.2", "camera"),
        ("HDR+ 1.0.220943774z", "camera"),
        ("ChipTech Camera Application", "camera"),
        ("fern-user 9 PKQ1.180917.001 V10.0.9.0.PDHMIXM release-keys", "camera"),
        ("fern_eea-user 11 RP1A.200720.011 test-keys", "camera"),
        ("Camera-1.0", "camera"),
        ("Darkling-7.1.0", "edited"),
        ("darkling-v2.4 (linux)", "edited"),
        ("Photo Mill Camera Raw 9.1", "edited"),
        ("Darkling 4.2", "edited"),
        ("Photo Mill", "edited"),
        ("NorthlightViewer Ver.3.2", "edited"),
        ("Northlight Master", "edited"),
    ],
)
def test_software_is_firmware_or_a_program(software: str | None, source: str) -> None:
    assert settings_of({"Exif.Image.Software": software} if software else {}).source == source


def test_kinds_that_no_camera_writes() -> None:
    assert settings_of({}, kind="PNG", name="x.png").source == "edited"
    assert settings_of({}, kind="WEBP", name="x.webp").source == "edited"
    assert settings_of({}, plain=False).source == "unknown"
    # A JPEG that calls itself raw is what it is.
    assert settings_of({}, name="x.nef").source == "camera"


def test_a_mosaic_is_raw_and_a_developed_dng_is_not() -> None:
    tags = FrameTags(make="Northlight", model="NL-7", f_number=8, iso=100, pixel_pitch_um=4.0)
    raw = Mosaic(np.full((400, 600), 500, np.uint16), 64, 1023, (1.0, 1.0, 1.0), 1.0, 2.0)
    found = read_settings(mosaic_bytes(raw, tags), "x.dng")
    assert (found.source, found.body, found.f_number, found.iso) == (
        "raw",
        "Northlight NL-7",
        8,
        100,
    )
    assert (found.width_px, found.height_px, found.pixel_pitch_um) == (600, 400, 4.0)
    buffer = io.BytesIO()
    version = (50706, "B", 4, bytes((1, 4, 0, 0)), True)
    developed = np.zeros((400, 600, 3), np.uint16)
    tifffile.imwrite(buffer, developed, photometric="rgb", software="", extratags=[version])
    assert read_settings(buffer.getvalue(), "x.dng").source == "unknown"


def test_digital_zoom_is_enlarged() -> None:
    assert settings_of({"DigitalZoomRatio": "2/1"}).source == "resized"
    assert settings_of({"DigitalZoomRatio": "100/100"}).source == "camera"
    assert settings_of({"DigitalZoomRatio": "0/100"}).source == "camera"


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("DSC_0123.NEF", "0123"), ("_MG_4567-edit.jpg", "4567"), ("P5010012.ORF", "5010012"),
        ("IMG_20240501_060000.jpg", None), ("20240501-060000-3.jpg", None), ("2024-05-01 06.00.jpg", None),
        ("lake.jpg", None), ("a/100_2000/DSCF7001.RAF", "7001"), ("0042.jpg", "0042"),
        ("2019-Iceland-0456.jpg", "2019-0456"), ("NL850_1234.jpg", "850-1234"), ("100-0105_IMG.jpg", "100-0105"),
        ("20240501_DSC00123.jpg", "00123"), ("DJI_20240501120000_0001_D.jpg", "0001"),
        ("IMG_20240501_120000(1).jpg", None), ("PXL_20251117_235033644.jpg", None),
        ("IMG_20240501_120000_BURST001.jpg", "001"), ("IMG_0123-2.jpg", "0123"), ("IMG_0123 (1).jpg", "0123"),
        ("IMG_0123-1024x683.jpg", "0123"), ("IMG_0123-2048px.jpg", "0123"), ("P1050123.jpg", "1050123"),
        ("DSC_2019.jpg", "2019"), ("IMG_0123-0125 panorama.jpg", "0123-0125"),
    ],
)  # fmt: skip
def test_file_number_from_the_name(name: str, number: str | None) -> None:
    assert settings_of({}, name=name).file_number == number


@pytest.mark.parametrize(
    "pattern",
    [
        "DSC_{:04d}", "_DSC{:04d}", "DSC{:05d}", "P105{:04d}", "2019-Iceland-{:04d}", "2019-Iceland-{}",
        "NL850_{:04d}", "NL850_{}", "NL7200_{}", "100-{:04d}_IMG", "20240501_DSC{:05d}", "240501_{}",
        "2024-05-01 120000 IMG_{:04d}", "IMG_20240501_120000_BURST{:03d}", "DJI_20240501120000_{:04d}_D",
        "{:04d} Iceland 2019", "Rome 2019 ({})", "01.05.2024-{}", "2019-{:04d}", "2019-0412_{}", "0412_{}",
    ],
)  # fmt: skip
@given(st.sets(st.integers(1, 9999), min_size=2, max_size=2))
def test_two_frames_of_one_way_of_naming_never_share_a_number(
    pattern: str, counts: set[int]
) -> None:
    """Ways of cameras (DCF 2.0) and of people, whose names hold years, dates and bodies."""
    tags = {"Exif.Image.Model": "NL 7200"}
    one, other = (file_number(f"{pattern}.jpg".format(n), tags) for n in counts)
    assert one is not None
    assert one != other


def test_the_tone_curve_to_assume_follows_the_interoperability_tag() -> None:
    assert read_tags(picture(), "x.jpg").fallback_transfer == "srgb"
    wide = picture({"Exif.Iop.InteroperabilityIndex": "R03", "Exif.Photo.ColorSpace": "65535"})
    # Adobe RGB (1998), section 4.3.1.2: 563/256.
    assert read_tags(wide, "x.jpg").fallback_transfer == 2.19921875


def test_an_embedded_profile_is_handed_on() -> None:
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    buffer = io.BytesIO()
    Image.new("RGB", (60, 40)).save(buffer, "JPEG", icc_profile=profile)
    assert read_tags(buffer.getvalue(), "x.jpg").icc == profile
    assert read_tags(picture(), "x.jpg").icc is None


# --- other readers, other files


@needs_data
@pytest.mark.parametrize("reader", [by_exifread, by_pillow])
def test_settings_agree_with_another_reader_on_every_camera_file(reader: Any) -> None:
    compared = 0
    for path in CAMERA_FILES:
        data = path.read_bytes()
        ours = read_settings(data, path.name)
        theirs = reader(data)
        for key in ("f_number", "exposure_time_s", "iso", "focal_length_mm"):
            value = number(theirs.get(key))
            if value is None:
                continue
            if value == 0 or (key == "f_number" and value < 0.5):
                # Explained: zero is 'not known', and no lens reaches f/0.5; we say so.
                assert getattr(ours, key) is None or key != "f_number"
                if getattr(ours, key) is None:
                    assert ours.notes, path.name
                continue
            if is_placeholder(key, theirs):
                assert (ours.f_number, bool(ours.notes)) == (None, True), path.name
                continue
            assert getattr(ours, key) == pytest.approx(value, rel=1e-3), (path.name, key)
            compared += 1
        model = " ".join(str(theirs.get("model") or "").split("\0")[0].split())
        make = " ".join(str(theirs.get("make") or "").split("\0")[0].split())
        if model:
            # Explained: the model is whole; the maker's legal form is dropped.
            assert model in (ours.body or ""), path.name
            compared += 1
        if make:
            assert make.replace(",", " ").split()[0].casefold() in (
                ours.body or ""
            ).casefold() or set(make.casefold().split()) & set(
                (ours.body or "").casefold().split()
            ), path.name
    assert compared > 250


@needs_data
def test_damaged_files_of_others_never_raise() -> None:
    for path in MALFORMED:
        found = read_settings(path.read_bytes(), path.name)
        assert all(note.isprintable() for note in found.notes)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_flipped_bytes_never_raise(draw: st.DataObject) -> None:
    data = bytearray(picture({"Exif.Photo.FNumber": "8/1", "Exif.Photo.LensModel": "NL 50 mm"}))
    for _ in range(draw.draw(st.integers(1, 8))):
        data[draw.draw(st.integers(0, len(data) - 1))] = draw.draw(st.integers(0, 255))
    cut = draw.draw(st.integers(0, len(data)))
    found = read_settings(bytes(data[:cut]), "x.jpg")
    assert found.f_number is None or 0.5 <= found.f_number <= 512


def test_exposure_in_the_first_directory_of_a_tiff_is_read(tmp_path: Path) -> None:
    """TIFF/EP (ISO 12234-2) has these tags beside the picture's own; the other library writes them there."""
    path = tmp_path / "scan.tif"
    Image.new("RGB", (64, 48)).save(
        path,
        tiffinfo={
            33434: IFDRational(1, 125),
            33437: IFDRational(28, 10),
            34855: 400,
            36867: "2024:05:01 06:00:00",
            37386: IFDRational(35, 1),
        },
    )
    found = read_settings(path.read_bytes(), path.name)
    assert found.exposure_time_s == pytest.approx(1 / 125)
    assert (found.f_number, found.iso, found.focal_length_mm) == (2.8, 400, 35)
    assert (found.taken or "").startswith("2024-05-01T06:00:00")


def test_xmp_that_tells_of_work_on_the_pixels() -> None:
    history = "Xmp.xmpMM.History[1]/stEvt:"
    base = {"Xmp.xmpMM.History": "type=Seq", "Xmp.xmpMM.History[1]": "type=Struct"}
    agent = {f"{history}softwareAgent": "Photo Mill 9", f"{history}action": "saved"}
    assert settings_of({"Xmp.xmp.CreatorTool": "Photo Mill 9"}).source == "edited"
    assert settings_of({"Xmp.xmp.CreatorTool": "1.02"}).source == "camera"
    assert settings_of({"Xmp.xmp.Rating": "3"}).source == "camera"
    from auditor.settings.file_source import _worked_on

    assert _worked_on({**base, **agent, f"{history}changed": "/"}, None, None)
    assert _worked_on({**base, **agent}, None, None)
    assert not _worked_on({**base, **agent, f"{history}changed": "/metadata"}, None, None)
