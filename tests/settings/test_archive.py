"""A small archive from the disk to settled rows: crawl, read, reconcile, relate."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pyexiv2
import pytest
from made import picture

import auditor
from auditor.artificial.camera import Mosaic
from auditor.artificial.files import FrameTags, jpeg_bytes, mosaic_bytes
from auditor.crawl import FileEntry, find_files, relate
from auditor.record import FrameRecord, to_row
from auditor.settings import read_settings, reconcile

WIDE, HIGH = 600, 400


def tags(number: int, **more: object) -> FrameTags:
    return FrameTags(
        **{
            "make": "Northlight", "model": "NL-7", "body_serial": "11", "lens": "NL 24-70 mm f/2.8",
            "focal_length_mm": 35, "f_number": 8, "exposure_time_s": 1 / 250, "iso": 100,
            "taken": f"2024-05-01T06:{number:02d}:00", "pixel_pitch_um": 4.0, **more,
        }  # type: ignore[arg-type]
    )  # fmt: skip


def scene(seed: int, size: tuple[int, int] = (WIDE, HIGH)) -> np.ndarray:
    coarse = np.random.default_rng(seed).integers(0, 255, (8, 12, 3), dtype=np.uint8)
    return cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC)


def look(data: bytes) -> str | None:
    """The signature that measuring would give, by its definition."""
    grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        return None
    small = cv2.resize(grey, (12, 8), interpolation=cv2.INTER_AREA).astype(float)
    even = (small - small.mean()) / max(small.std(), 1e-6) * 48 + 128
    return np.clip(even, 0, 255).astype(np.uint8).tobytes().hex()


def resaved_smaller(data: bytes, size: tuple[int, int]) -> bytes:
    """What a plain resizer does: fewer pixels, every tag as it was."""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    small = cv2.imencode(".jpg", cv2.resize(picture, size, interpolation=cv2.INTER_AREA))[
        1
    ].tobytes()
    with pyexiv2.ImageData(data) as source, pyexiv2.ImageData(small) as target:
        source.copy_to_another_image(target, icc=False)
        return bytes(target.get_bytes())


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    root = tmp_path_factory.mktemp("archive")

    def put(name: str, data: bytes) -> Path:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        return path

    originals = [jpeg_bytes(scene(i), tags(i)) for i in range(6)]
    for i, data in enumerate(originals):
        put(f"2024/DSC_{i:04d}.JPG", data)
    raw = Mosaic(
        np.full((HIGH + 8, WIDE + 12), 500, np.uint16), 64, 1023, (1.0, 1.0, 1.0), 1.0, 2.0
    )
    put("2024/DSC_0001.DNG", mosaic_bytes(raw, tags(1)))
    put("backup/DSC_0002.JPG", originals[2])
    put("web/lake.jpg", resaved_smaller(originals[3], (300, 200)))
    put("2024/DSC_0004.xmp", b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf='
        b'"http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" xmlns:xmp='
        b'"http://ns.adobe.com/xap/1.0/" xmp:Rating="4"/></rdf:RDF></x:xmpmeta>')  # fmt: skip
    put(
        "2024/DSC_0010.JPG",
        jpeg_bytes(scene(10), tags(10, model="NL-7 Ver.1.1", make="NORTHLIGHT")),
    )
    put("2024/DSC_0011.JPG", jpeg_bytes(scene(11), tags(11, pixel_pitch_um=9.0)))
    put("2024/DSC_0012.JPG", jpeg_bytes(scene(12), tags(12, focal_length_mm=98)))
    put("2024/DSC_0013.JPG", jpeg_bytes(scene(13, (400, 266)), tags(13)))
    put("2024/DSC_0014.JPG", jpeg_bytes(scene(14), tags(14, software="Darkling 4.2")))
    put("2024/notes.txt", b"x")

    made = []
    for entry in find_files([root]):
        assert isinstance(entry, FileEntry)
        data = Path(entry.path).read_bytes()
        beside = Path(entry.sidecar).read_bytes() if entry.sidecar else None
        name = str(Path(entry.path).relative_to(root))
        made.append(
            to_row(
                FrameRecord(
                    name,
                    file_id=hashlib.sha256(data).hexdigest(),
                    settings=read_settings(data, name, beside),
                    signature=look(data),
                )
            )
        )
    return relate(reconcile(pd.DataFrame(made))).set_index("path")


def test_everything_is_there_and_nothing_else(rows: pd.DataFrame) -> None:
    assert len(rows) == 14
    assert rows["body"].unique().tolist() == ["Northlight NL-7"]
    assert rows["lens"].unique().tolist() == ["NL 24-70 mm f/2.8"]


def test_kinds_of_file(rows: pd.DataFrame) -> None:
    kinds = rows["source"].to_dict()
    assert kinds.pop("2024/DSC_0001.DNG") == "raw"
    assert kinds.pop("web/lake.jpg") == "resized"
    assert kinds.pop("2024/DSC_0014.JPG") == "edited"
    assert set(kinds.values()) == {"camera"}


def test_one_scale_but_for_the_reduced_copy(rows: pd.DataFrame) -> None:
    pitches = rows["pixel_pitch_um"].to_dict()
    assert pitches.pop("web/lake.jpg") == pytest.approx(8.0)
    assert set(pitches.values()) == {4.0}


def test_captures(rows: pd.DataFrame) -> None:
    shared = rows.groupby("capture").filter(lambda g: len(g) > 1)
    groups = {tuple(sorted(g.index)) for _, g in shared.groupby("capture")}
    assert groups == {
        ("2024/DSC_0001.DNG", "2024/DSC_0001.JPG"),
        ("2024/DSC_0002.JPG", "backup/DSC_0002.JPG"),
        ("2024/DSC_0003.JPG", "web/lake.jpg"),
    }
    assert rows.loc["2024/DSC_0001.DNG", "best"]
    assert not rows.loc["2024/DSC_0001.JPG", "best"]


def test_stars_and_converter(rows: pd.DataFrame) -> None:
    assert rows["rating"].dropna().to_dict() == {"2024/DSC_0004.JPG": 4}
    assert rows["converter"].dropna().to_dict() == {"2024/DSC_0012.JPG": "1.4x"}


def test_a_file_alone_in_its_archive_is_judged_as_by_itself(at_once: None, tmp_path: Path) -> None:
    lone = {
        # Half the size that the camera wrote, whose pixel the tags tell: 2500 a centimetre are 4 um each.
        "a": ({"Exif.Photo.PixelXDimension": "1200", "Exif.Photo.PixelYDimension": "800"}, 8.0),
        "b": (
            {"Exif.Image.ImageWidth": "1200", "Exif.Image.ImageLength": "800",
             "Exif.Photo.PixelXDimension": "600", "Exif.Photo.PixelYDimension": "400"},
            8.0,
        ),
        # The smallest sensor of a camera has a diagonal of about 4 mm; this one would have 2.9.
        "c": ({}, None),
    }  # fmt: skip
    tagged = {
        "Exif.Image.Software": "Darkling 4.2", "Exif.Photo.FocalPlaneXResolution": "2500/1",
        "Exif.Photo.FocalPlaneResolutionUnit": "3",
    }  # fmt: skip
    files = [tmp_path / name / "lone.jpg" for name in lone]
    for file, (left, _) in zip(files, lone.values(), strict=True):
        file.parent.mkdir()
        file.write_bytes(picture(tagged | left, size=(600, 400)))
    measured = auditor.measure(files, workers=1).itertuples()
    for file, alone, (_, pitch_um) in zip(files, measured, lone.values(), strict=True):
        out = tmp_path / "out" / file.parent.name
        auditor.scan(file.parent, out, workers=1)
        (among,) = auditor.load(out).itertuples()
        assert (among.file_kind, among.source) == (alone.file_kind, alone.source)
        assert (among.file_kind, among.source) == ("edited reduced", "resized")
        assert among.kind_reason == alone.kind_reason
        for found in (among.pixel_pitch_um, alone.pixel_pitch_um):
            assert (found == pytest.approx(pitch_um)) if pitch_um else pd.isna(found)
