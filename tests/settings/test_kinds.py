"""The rules by which one file's kind, scale and share of the sensor are told."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.measure.picture import Picture
from auditor.measure.resized import resampled, whole_side_px
from auditor.record import FrameRecord, Settings, to_row
from auditor.record.pools import pool_words, pools
from auditor.settings import sensors
from auditor.settings.agreement import reconcile_scale
from auditor.settings.body_sensor import Evidence, Sensor, known_sensor
from auditor.settings.kinds import judge, settle
from auditor.settings.names import body_key, lens_key, lens_name
from auditor.settings.sensors import native_size
from auditor.settings.tags import built_by_program

KNOWN = Sensor((6000, 4000), 4.0, math.hypot(24, 16), "told", True)


def kind(
    long: float, short: float, source: str = "edited", **more: Any
) -> tuple[str, float | None]:
    found = judge(Evidence(long, short, source, **more), KNOWN)  # type: ignore[arg-type]
    return found.kind, None if found.pitch_um is None else round(found.pitch_um, 2)


@pytest.mark.parametrize(
    ("size", "how", "expected"),
    [
        ((6000, 4000), {}, ("edited full size", 4.0)),
        ((6000, 4000), {"source": "camera"}, ("camera full size", 4.0)),
        ((6016, 4016), {"source": "raw"}, ("raw", 4.0)),
        ((4000, 2667), {"source": "raw"}, ("raw", 4.0)),
        ((4000, 2667), {"source": "raw", "view_mm": 19.4}, ("cropped", 4.0)),  # a crop mode
        ((3000, 2000), {"source": "raw", "view_mm": 28.6}, ("raw", 8.0)),  # pixels joined
        ((6000, 4000), {"source": "raw", "view_mm": 19.4}, ("raw", 4.0)),  # cut by developers alone
        ((3000, 2000), {"source": "camera", "recoded": False}, ("camera reduced", 8.0)),
        ((1600, 1067), {}, ("edited reduced", 15.0)),
        ((1600, 766), {}, ("edited reduced", 15.0)),  # the box of an export, another shape
        ((2311, 2287), {}, ("cropped", 4.0)),
        ((5713, 3809), {}, ("cropped", 4.0)),  # trimmed: nobody reduces by a twentieth
        ((3000, 2000), {"field_px": 6000.0}, ("cropped", 4.0)),  # half of the thumbnail's width
        ((3000, 2000), {"field_px": 3000.0}, ("edited reduced", 8.0)),  # all of it
        ((1500, 1000), {"field_px": 3000.0}, ("edited reduced", 8.0)),  # half, reduced by two
        ((9000, 6000), {}, ("enlarged", 2.67)),
        ((6000, 3376), {"source": "camera"}, ("camera full size", 4.0)),
        ((4000, 2667), {"source": "camera", "tagged_um": 4.0, "recoded": False}, ("cropped", 4.0)),
    ],
)
def test_a_file_against_a_sensor_of_6000_x_4000(
    size: tuple[int, int], how: dict[str, Any], expected: tuple[str, float]
) -> None:
    assert kind(*size, **how) == expected


def test_a_raw_file_of_a_crop_mode_covers_a_part_of_the_sensor() -> None:
    """Its corners are not the lens's."""
    found = judge(Evidence(4000, 2667, "raw", view_mm=19.4), KNOWN)
    assert found.share == pytest.approx((4000 / 6000) ** 2, rel=0.01)


@given(st.floats(0.03, 0.9), st.sampled_from([True, False]))
def test_a_reduced_copy_keeps_the_sensors_width(share: float, turned: bool) -> None:
    found = judge(Evidence(6000 * share, 4000 * share, "edited", field_px=6000 * share), KNOWN)
    assert found.kind == "edited reduced"
    assert found.pitch_um == pytest.approx(4.0 / share)
    assert found.share == pytest.approx(1.0)


def test_tags_left_over_tell_the_sensors_size() -> None:
    # 36 x 24 mm at 6 um are 6000 x 4000 px; the file has 1600.
    e = Evidence(1600, 1067, "edited", tagged_um=6.0, diagonal_mm=math.hypot(36, 24))
    alone = known_sensor([(e, 1)])
    assert alone.size == pytest.approx((6000, 4000), rel=0.01)
    found = judge(e, alone)
    assert (found.kind, found.pitch_um) == ("edited reduced", pytest.approx(22.5, rel=0.01))


def test_a_phones_wide_frame_spans_the_width_of_its_four_by_three_sensor() -> None:
    # 4.8 x 3.6 mm: a diagonal of 6 mm; 16:9 files are a part of its height.
    e = Evidence(4000, 2250, "camera", view_mm=6.0)
    assert judge(e, known_sensor([(e, 1)])).pitch_um == pytest.approx(1.2)


def test_a_lone_small_file_of_a_large_sensor_is_not_its_full_size() -> None:
    # 600 pixels over the 23.7 mm that the database has for this body are 39 um each.
    table = pd.DataFrame([{"path": "a.jpg", "body": "A", "width_px": 600, "height_px": 391,
                           "file_source": "camera", "source": "camera", "recoded": False,
                           "maker_note": True, "sensor_diagonal_mm": 28.4}])  # fmt: skip
    assert reconcile_scale(table)["source"][0] == "resized"


def test_without_the_database_sizes_come_from_tags(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "lensfunpy", None)
    sensors._crop_factors.cache_clear()
    sensors.sensor_diagonal.cache_clear()
    try:
        assert sensors.sensor_diagonal("NIKON D40") is None
    finally:
        monkeypatch.undo()
        sensors._crop_factors.cache_clear()
        sensors.sensor_diagonal.cache_clear()


def test_the_database_is_read_as_its_own_library_reads_it() -> None:
    lensfunpy = pytest.importorskip("lensfunpy")
    cameras = lensfunpy.Database().cameras
    read = sorted((c.maker, c.model, round(c.crop_factor, 5)) for c in cameras)
    assert sorted((m, n, round(f, 5)) for m, n, f in sensors._cameras()) == read
    found = 0
    for camera in cameras[::20]:
        name = sensors.body_name(camera.maker, camera.model)
        diagonal = sensors.sensor_diagonal(name)
        if diagonal is not None:
            assert diagonal == pytest.approx(math.hypot(36, 24) / camera.crop_factor, rel=0.02)
            found += 1
    assert found > 35


def test_native_sizes_of_makers_notes() -> None:
    info = "34 6384 4224 1 1 132 56 6371 4215 0 0 0 0 0 0 0 0"
    assert native_size({"Exif.Canon.SensorInfo": info}) == (6240, 4160)
    assert native_size({"Exif.CanonCs.ZoomSourceWidth": "2048"}) == (2048, 1536)
    assert native_size({"Exif.Nikon3.CropHiSpeed": "0 6080 4012 6080 4012 0 0"}) == (6080, 4012)
    olympus = {"Exif.OlympusIp.CropWidth": "4032", "Exif.OlympusIp.CropHeight": "3024"}
    assert native_size(olympus) == (4032, 3024)
    assert native_size({"Exif.Canon.SensorInfo": "34 0 0 1 1 0 0 0 0"}) is None
    assert native_size({}) is None


def test_marks_of_programs_in_a_jpeg() -> None:
    exif, jfif = b"\xff\xe1\x00\x08Exif\0\0", b"\xff\xe0\x00\x07JFIF\0"
    scan = b"\xff\xda\x00\x02"
    assert built_by_program(b"\xff\xd8" + exif + scan) is False
    assert built_by_program(b"\xff\xd8" + jfif + exif + scan) is True
    assert built_by_program(b"\xff\xd8" + exif + b"\xff\xc2\x00\x02" + scan) is True
    assert built_by_program(b"\xff\xd8" + jfif + scan) is None
    assert built_by_program(b"II*\0") is None


def _scene(seed: int = 5) -> np.ndarray:
    import cv2

    random = np.random.default_rng(seed)
    coarse = random.integers(0, 255, (24, 36, 3), dtype=np.uint8)
    fine = cv2.resize(coarse, (1440, 960), interpolation=cv2.INTER_CUBIC).astype(float)
    return np.clip(fine + random.normal(0, 4, fine.shape), 0, 255).astype(np.uint8)


def test_a_cut_out_is_found_in_the_thumbnail() -> None:
    import cv2

    scene = _scene()
    small = cv2.imencode(".jpg", cv2.resize(scene, (160, 107), interpolation=cv2.INTER_AREA))[1]
    whole = whole_side_px(Picture(scene, "srgb"), small.tobytes())
    part = whole_side_px(Picture(scene[200:680, 300:1020], "srgb"), small.tobytes())
    turned = np.ascontiguousarray(np.rot90(scene))
    assert whole == pytest.approx(1440, rel=0.02)
    assert part == pytest.approx(1440, rel=0.04)
    assert whole_side_px(Picture(turned, "srgb"), small.tobytes()) == pytest.approx(1440, rel=0.02)
    assert whole_side_px(Picture(_scene(6), "srgb"), small.tobytes()) is None
    assert whole_side_px(Picture(scene, "srgb"), b"no picture") is None


def test_enlarging_leaves_traces() -> None:
    import cv2

    scene = _scene()
    size = round(1440 * 1.37), round(960 * 1.37)
    large = cv2.resize(scene, size, interpolation=cv2.INTER_CUBIC)
    assert resampled(Picture(large, "srgb")) is True
    assert resampled(Picture(scene, "srgb")) is False


@pytest.mark.parametrize("text", ["Northlight 0mm F0.0", "NL 0.0 mm", "0mm F0", "00 mm f/0"])
def test_a_lens_of_no_focal_length_is_none(text: str) -> None:
    assert lens_name({"Exif.Photo.LensModel": text}) is None


def test_one_lens_has_one_name() -> None:
    def name(text: str) -> str | None:
        return lens_name({"Exif.Photo.LensModel": text})

    assert name("6.0-72.0 mm") == name("6-72 mm") == "6-72 mm"
    assert name("18.0-55.0 mm f/3.5-5.6") == "18-55 mm f/3.5-5.6"
    assert name("NL 70.0 mm") == "NL 70.0 mm"
    assert lens_key("NL 70.0-200.0 mm f/4.0") == lens_key("NL 70-200mm F4")
    assert lens_key("NL 10.5 mm") != lens_key("NL 105 mm")


def test_generations_stay_apart() -> None:
    names = ["Halden Compact V10", "Halden Compact V20", "Halden Compact V20 II", "Halden Compact"]
    assert len({body_key(n) for n in names}) == 4
    assert body_key("Halden Compact V1.02") == body_key("Halden Compact")


def test_pools_tell_exports_apart_by_their_size() -> None:
    import pandas as pd

    def row(**how: Any) -> dict[str, Any]:
        return to_row(FrameRecord("a.jpg", settings=Settings(**how)))

    small = {"source": "resized", "file_kind": "edited reduced", "pixel_pitch_um": 22.5}
    table = pd.DataFrame(
        [
            row(source="camera", width_px=6000, height_px=4000),
            row(**small, width_px=1600, height_px=1067),
            row(**small, width_px=766, height_px=1600),
            row(**small, width_px=1200, height_px=800),
            row(source="resized", file_kind="enlarged", width_px=9000, height_px=6000),
        ]
    )
    found = pools(table).tolist()
    assert found == ["camera", "resized 1600", "resized 1600", "resized 1200", ""]
    assert [pool_words(p) for p in found[:2]] == ["", "exports of 1600 px"]


# A telephone's cameras: focal length, 35 mm equivalent, the sensor's width in mm (4:3, so that its diagonal
# is 5/4 of it), the file's in pixels. Equivalents are the focal length times 43.27 over the diagonal (CIPA
# DCG-001), rounded to whole millimetres.
MAIN, WIDE, TELE = (6.9, 25, 9.6, 4000), (1.6, 14, 4.0, 3200), (9.0, 78, 4.0, 4000)


def _frames_of(
    cameras: list[tuple[float, int, float, int]], each: int, **more: Any
) -> list[Settings]:
    """Frames of every camera of one body, each settled by itself."""
    return [
        settle(
            Settings(body="Brenner P1", source="camera", file_source="camera", recoded=False,
                     focal_length_mm=focal, focal_35mm=equivalent,
                     width_px=px, height_px=px * 3 // 4, **more)
        )
        for focal, equivalent, _, px in cameras
        for _ in range(each)
    ]  # fmt: skip


def _reconciled(found: list[Settings]) -> pd.DataFrame:
    return reconcile_scale(pd.DataFrame([to_row(FrameRecord("a.jpg", settings=s)) for s in found]))


@pytest.mark.parametrize("cameras", [[MAIN, WIDE], [MAIN, TELE], [MAIN, WIDE, TELE]])
@pytest.mark.parametrize("database_mm", [None, 12.0])
@pytest.mark.parametrize("each", [1, 3])
def test_each_camera_of_a_telephone_has_its_own_pixel_pitch(
    cameras: list[tuple[float, int, float, int]], database_mm: float | None, each: int
) -> None:
    alone = _frames_of(cameras, each, sensor_diagonal_mm=database_mm)
    pitches = [width_mm / px * 1000 for _, _, width_mm, px in cameras for _ in range(each)]
    assert [s.pixel_pitch_um for s in alone] == pytest.approx(pitches, rel=0.02)
    table = _reconciled(alone)
    assert table["pixel_pitch_um"].tolist() == pytest.approx(pitches, rel=0.02)
    assert set(table["file_kind"]) == {"camera full size"}
    pd.testing.assert_frame_equal(reconcile_scale(table), table)


@pytest.mark.parametrize(
    ("lenses", "database_mm"),
    [
        # A zoom: 12 mm of diagonal at both focal lengths.
        ([(6.9, 25, 9.6, 4000), (13.8, 50, 9.6, 2000)], None),
        # A zoom again, of more focal lengths than telephones have; the last equivalent is a fifth too long.
        (
            [(f, round(f * 43.27 / 12), 9.6, 4000) for f in (7, 8, 9, 10, 11)]
            + [(13.8, 60, 9.6, 2000)],
            None,
        ),
        # Lenses too long for a telephone.
        ([(35.0, 63, 19.2, 6000), (50.0, 120, 19.2, 3000)], None),
        # 24 x 18 mm, as the database knows; the second lens's equivalent is half as long again as it should be.
        ([(12.0, 17, 24.0, 6000), (16.0, 35, 24.0, 3000)], 30.0),
    ],
)
def test_a_body_with_one_sensor_is_not_parted(
    lenses: list[tuple[float, int, float, int]], database_mm: float | None
) -> None:
    """The export at the last focal length is told from the full size of the files at the others: it is half."""
    originals = _frames_of(lenses[:-1], 3, sensor_diagonal_mm=database_mm)
    (export,) = _frames_of(lenses[-1:], 1, sensor_diagonal_mm=database_mm)
    export = dataclasses.replace(export, source="edited", file_source="edited", recoded=None)
    last = _reconciled([*originals, export]).iloc[-1]
    assert last["file_kind"] == "edited reduced"
    assert last["pixel_pitch_um"] == pytest.approx(2 * lenses[0][2] / lenses[0][3] * 1000, rel=0.02)


@pytest.mark.parametrize("stitched", [(15_000, 3500), (15_000, 4200), (5000, 5000)])
def test_tags_left_over_from_a_stitched_picture_say_nothing_of_the_sensor(
    stitched: tuple[int, int],
) -> None:
    """One reduced panorama must not turn a body's own files into reduced or enlarged ones."""
    originals = _frames_of([MAIN], 5)
    reduced = dataclasses.replace(
        originals[0], source="edited", file_source="edited", recoded=None,
        width_px=stitched[0] // 5, height_px=stitched[1] // 5,
        written_width_px=stitched[0], written_height_px=stitched[1],
    )  # fmt: skip
    table = _reconciled([*originals, reduced])
    assert table["file_kind"].tolist()[:5] == ["camera full size"] * 5
    assert table["pixel_pitch_um"].tolist()[:5] == pytest.approx([2.4] * 5, rel=0.02)
