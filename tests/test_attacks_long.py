"""Attacks on whole runs: kills at any moment, mutated files, absurd metadata. Nothing lost, no traceback,
always a report. How many is told by AUDITOR_ATTACKS (1: what CI has time for)."""

from __future__ import annotations

import contextlib
import json
import os
import random
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import psutil
import pytest
from archive_of_attacks import OddTag, look_at, odd_tags, small_frame, write_tag

from auditor.store import Store

pytestmark = pytest.mark.long

SIZE = float(os.environ.get("AUDITOR_ATTACKS", "0.1"))
"""1: 200 kills, 1,600 mutated files, 300 odd values."""


def run(archive: Path, out: Path, *more: str) -> subprocess.CompletedProcess[str]:
    call = [
        sys.executable,
        "-m",
        "auditor",
        "run",
        str(archive),
        "--out",
        str(out),
        "--workers",
        "2",
    ]
    return subprocess.run([*call, *more], capture_output=True, text=True, timeout=3000)


def whole_report(out: Path, done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    assert done.returncode in (0, 3), done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert "Report: " in done.stdout
    profile: dict[str, Any] = json.loads((out / "profile.json").read_text())
    assert profile["faults"] == []
    counts = profile["frames"]
    assert counts["found"] == counts["measured"] + counts["set_aside"]
    assert (out / "report.html").stat().st_size > 10_000
    return profile


def test_runs_killed_at_any_moment_lose_nothing(tmp_path: Path) -> None:
    """After every kill all rows seen before are still there; in the end every frame is measured once."""
    archive, out = tmp_path / "a", tmp_path / "out"
    archive.mkdir()
    count = 60
    for n in range(count):
        cv2.imwrite(str(archive / f"{n:03d}.jpg"), small_frame(n))
    before = look_at(archive)
    temporary = tmp_path / "tmp"
    temporary.mkdir()
    chance = random.Random(1)
    known: set[str] = set()
    start = time.monotonic()
    whole_report(tmp_path / "first", run(archive, tmp_path / "first"))
    whole = time.monotonic() - start  # on this machine, under its present load
    call = [
        sys.executable,
        "-m",
        "auditor",
        "run",
        str(archive),
        "--out",
        str(out),
        "--workers",
        "2",
    ]
    for _ in range(round(200 * SIZE)):
        process = subprocess.Popen(
            call,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=os.environ | {"TMPDIR": str(temporary)},
        )
        time.sleep(chance.uniform(0.1, 0.9) * whole)
        children = psutil.Process(process.pid).children(recursive=True)
        victim = chance.choice([None, None, *children]) if children else None
        with contextlib.suppress(psutil.Error):
            (victim or psutil.Process(process.pid)).kill()
        if victim is not None:  # a decoder: the run goes on
            time.sleep(chance.uniform(0, 1))
        process.kill()
        _, said = process.communicate()
        assert b"Traceback" not in said
        with contextlib.suppress(FileNotFoundError):
            now = set(Store(out / "store").load(["path"])["path"])
            assert known <= now
            known = now
    assert known, "some kills came after the first frames were stored"
    assert not list(temporary.iterdir()), "nothing is left in the folder for temporary files"
    profile = whole_report(out, run(archive, out))
    assert profile["frames"] == {"found": count, "measured": count, "set_aside": 0, "copies": 0}
    assert Store(out / "store").verify() == []
    assert look_at(archive) == before


def test_mutated_files_of_every_kind_cost_themselves_alone(tmp_path: Path) -> None:
    archive, out = tmp_path / "a", tmp_path / "out"
    archive.mkdir()
    seeds = []
    for suffix in (".jpg", ".png", ".tif", ".webp", ".jp2"):
        for n in range(2):
            _, code = cv2.imencode(suffix, small_frame(n))
            seeds.append((suffix, code.tobytes()))
    seeds += _more_kinds()
    chance = random.Random(7)
    total = round(1600 * SIZE)
    for n in range(total):
        suffix, data = seeds[n % len(seeds)]
        (archive / f"m{n:04d}{suffix}").write_bytes(_mutated(data, chance))
    for n in range(10):
        cv2.imwrite(str(archive / f"good{n}.png"), small_frame(90 + n))
    before = look_at(archive)
    profile = whole_report(out, run(archive, out, "--seconds-per-file", "20"))
    assert profile["frames"]["found"] == total + 10
    frames = Store(out / "store").load(["path", "status"])
    good = frames["path"].str.contains("/good")
    assert (frames.loc[good, "status"] == "measured").all()
    assert look_at(archive) == before


def _more_kinds() -> list[tuple[str, bytes]]:
    import io

    from PIL import Image

    found = []
    with contextlib.suppress(ImportError):
        import pillow_heif
        import pillow_jxl  # noqa: F401

        pillow_heif.register_heif_opener()
        rgb = np.ascontiguousarray(small_frame(3)[..., ::-1])
        for suffix, kind in ((".heic", "HEIF"), (".jxl", "JXL"), (".avif", "AVIF")):
            with contextlib.suppress(Exception):
                out = io.BytesIO()
                Image.fromarray(rgb).save(out, kind)
                found.append((suffix, out.getvalue()))
    return found


def _mutated(data: bytes, chance: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(chance.choice([1, 3, 10, 100])):
        at = chance.randrange(len(out))
        kind = chance.randrange(4)
        if kind == 0:
            out[at] = chance.randrange(256)
        elif kind == 1:
            out[at : at + 4] = chance.choice([b"\xff" * 4, b"\0" * 4, b"\x7f\xff\xff\xff"])
        elif kind == 2:
            del out[at : at + chance.randrange(64)]
        else:
            out[at:at] = out[at : at + chance.randrange(64)]
        if len(out) < 8:
            break
    return bytes(out[: chance.randrange(1, len(out) + 1)] if chance.random() < 0.2 else out)


def test_the_extremes_of_every_number_in_the_metadata_never_deny_a_report(tmp_path: Path) -> None:
    """0, 1, negative, infinite and huge values of every numeric tag that is read; a lens and a body in
    order among them keep their figures."""
    archive, out = tmp_path / "a", tmp_path / "out"
    archive.mkdir()
    tags = odd_tags(round(300 * SIZE))
    for n, tag in enumerate(tags):
        path = archive / f"{n:03d}.jpg"
        cv2.imwrite(str(path), small_frame(n))
        write_tag(path, tag, body=f"Odd {n % 17}", lens=f"Odd lens {n % 13}")
    for n in range(12):
        path = archive / f"good{n:02d}.jpg"
        cv2.imwrite(str(path), small_frame(900 + n))
        write_tag(
            path, OddTag("Exif.Photo.FNumber", f"{4 + 4 * (n % 2)}/1"), "Alder One", "Tarn 35mm"
        )
    before = look_at(archive)
    profile = whole_report(out, run(archive, out))
    assert profile["frames"]["found"] == len(tags) + 12
    assert profile["frames"]["set_aside"] == 0
    assert "Tarn 35mm" in {e["lens"] for e in profile["lenses"]}
    assert look_at(archive) == before
