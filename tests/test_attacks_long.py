"""Attacks on whole runs: kills at any moment, mutated files, absurd metadata. Nothing lost, no traceback,
always a report.

AUDITOR_ATTACKS=1 attacks at full size (200 kills, 1,600 mutated files, 300 odd values); without it a share
of that, for which CI has time. AUDITOR_SEED draws others.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import subprocess
import time
from pathlib import Path

import cv2
import numpy as np
import psutil
import pytest
from archive_of_attacks import (
    audit_call,
    audited,
    look_at,
    mutated,
    odd_tags,
    small_frame,
    with_tags,
    write_frames,
)

from auditor.store import Store

pytestmark = pytest.mark.long

SIZE = float(os.environ.get("AUDITOR_ATTACKS", "0.05"))
KILLS, MUTATED, ODD = round(200 * SIZE), round(1600 * SIZE), round(300 * SIZE)
SEED = int(os.environ.get("AUDITOR_SEED", "1"))
FRAMES = 160
"""More than two commits of 64 rows: a kill can find some frames stored and others not."""
DECODERS_KILLED = (0, 0, 2, 6, 12)
"""So many decoders of one run are killed before the run itself is."""


def commits(out: Path) -> set[Path]:
    """Parts of the frame table, each of which commits a batch; pictures come before their commit."""
    return set(out.glob("store/frames/part-*.parquet"))


class Killer:
    """Starts runs and kills them and their decoders at random moments of the time that a run takes."""

    def __init__(self, archive: Path, whole_s: float, temporary: Path) -> None:
        self.archive, self.whole_s, self.temporary = archive, whole_s, temporary
        self.chance = random.Random(SEED)
        self.kills = self.lives = 0

    def one_life(self, out: Path) -> bool:
        """One run and its death; whether it came to its end before that."""
        before = commits(out)
        process = subprocess.Popen(
            audit_call(self.archive, out),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=os.environ | {"TMPDIR": str(self.temporary)},
        )
        victims = self.chance.choice(DECODERS_KILLED)
        moments = sorted(self.chance.uniform(0.05, 1.0) for _ in range(victims + 1))
        start = time.monotonic()
        if self.lives % 3 == 0:  # never left to chance: a kill just after a commit of this life
            victims, moments = 0, [0.0]
            while process.poll() is None and commits(out) <= before:
                time.sleep(0.01)
        self.lives += 1
        for number, moment in enumerate(moments):
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(max(0.0, moment * self.whole_s - (time.monotonic() - start)))
            if process.poll() is not None:
                break
            self.kills += self._decoder(process) if number < victims else 1
        ended = process.poll() == 0
        if ended:  # the machine has become quicker since
            self.whole_s = min(self.whole_s, time.monotonic() - start)
        process.kill()
        _, said = process.communicate()
        assert b"Traceback" not in said, said.decode()
        return ended

    def _decoder(self, process: subprocess.Popen[bytes]) -> bool:
        """Kill one of its decoders, if there is any."""
        with contextlib.suppress(psutil.Error):
            children = psutil.Process(process.pid).children(recursive=True)
            if children:
                self.chance.choice(children).kill()
                return True
        return False


def test_runs_killed_at_any_moment_lose_nothing(tmp_path: Path) -> None:
    """After every kill all rows seen before are still there; in the end every frame is measured once."""
    archive, temporary = tmp_path / "a", tmp_path / "tmp"
    write_frames(archive, FRAMES)
    temporary.mkdir()
    before = look_at(archive)
    start = time.monotonic()
    audited(archive, tmp_path / "first")
    # The time that a run takes on this machine, under its present load.
    killer = Killer(archive, time.monotonic() - start, temporary)
    rounds = stored = 0
    while killer.kills < KILLS:
        out, known = tmp_path / f"out{rounds}", set[str]()
        rounds += 1
        while killer.kills < KILLS and not killer.one_life(out):
            with contextlib.suppress(FileNotFoundError):
                now = set(Store(out / "store").load(["path"])["path"])
                assert known <= now
                stored += bool(now)
                known = now
        profile = audited(archive, out)
        if profile["frames"]["set_aside"]:  # decoders killed twice over one frame: once more
            profile = audited(archive, out)
        assert profile["frames"] == {
            "found": FRAMES,
            "measured": FRAMES,
            "set_aside": 0,
            "copies": 0,
        }
        assert Store(out / "store").verify() == []
    print(f"{killer.kills} kills, {rounds} archives audited to their end, {stored} kills after")
    assert stored, "some kills came after the first frames were stored"
    assert not list(temporary.iterdir()), "nothing is left in the folder for temporary files"
    assert look_at(archive) == before


def test_mutated_files_of_every_kind_cost_themselves_alone(tmp_path: Path) -> None:
    archive, out = tmp_path / "a", tmp_path / "out"
    archive.mkdir()
    seeds = _seeds()
    chance = random.Random(SEED)
    for n in range(MUTATED):
        suffix, data = seeds[n % len(seeds)]
        (archive / f"m{n:04d}{suffix}").write_bytes(mutated(data, chance))
    for n in range(10):
        cv2.imwrite(str(archive / f"good{n}.png"), small_frame(90 + n))
    before = look_at(archive)
    profile = audited(archive, out, "--seconds-per-file", "20")
    assert profile["frames"]["found"] == MUTATED + 10
    frames = Store(out / "store").load(["path", "status", "reason"])
    good = frames["path"].str.contains("/good")
    assert (frames.loc[good, "status"] == "measured").all()
    assert frames.loc[frames["status"] == "set-aside", "reason"].str.len().gt(0).all()
    assert look_at(archive) == before
    print(frames["status"].value_counts().to_dict())
    print(frames["reason"].value_counts().to_dict())


def _seeds() -> list[tuple[str, bytes]]:
    """(ending, content) of good files of every kind, those with tags included."""
    import pillow_jxl  # noqa: F401
    from PIL import Image
    from pillow_heif import register_heif_opener

    Image.init()  # before that they hold nothing to be put back
    known = dict(Image.OPEN), list(Image.ID)
    register_heif_opener()
    found = []
    for suffix in (".jpg", ".png", ".tif", ".webp", ".jp2"):
        for n in range(2):
            _, code = cv2.imencode(suffix, small_frame(n, 240, 160))
            found.append((suffix, code.tobytes()))
    found.append((".jpg", with_tags(found[0][1], "Alder One", "Tarn 35mm")))
    rgb = np.ascontiguousarray(small_frame(3, 240, 160)[..., ::-1])
    for suffix, kind in ((".heic", "HEIF"), (".jxl", "JXL"), (".avif", "AVIF")):
        out = io.BytesIO()
        Image.fromarray(rgb).save(out, kind)
        found.append((suffix, out.getvalue()))
    Image.OPEN, Image.ID = known  # other tests read with what Pillow itself knows
    return found


def test_the_extremes_of_every_number_in_the_metadata_never_deny_a_report(tmp_path: Path) -> None:
    """0, 1, negative, infinite and huge values of every numeric tag that is read; a lens and a body in
    order among them keep their figures."""
    archive, out = tmp_path / "a", tmp_path / "out"
    archive.mkdir()
    tags = odd_tags(ODD, SEED)
    for n, tag in enumerate(tags):
        _, code = cv2.imencode(".jpg", small_frame(n))
        data = with_tags(code.tobytes(), f"Odd {n % 17}", f"Odd lens {n % 13}", tag)
        (archive / f"{n:03d}.jpg").write_bytes(data)
    for n in range(12):
        _, code = cv2.imencode(".jpg", small_frame(900 + n))
        data = with_tags(code.tobytes(), "Alder One", "Tarn 35mm")
        (archive / f"good{n:02d}.jpg").write_bytes(data)
    before = look_at(archive)
    profile = audited(archive, out)
    assert profile["frames"]["found"] == len(tags) + 12
    assert profile["frames"]["set_aside"] == 0
    assert "Tarn 35mm" in {e["lens"] for e in profile["lenses"]}
    assert {f"Alder Odd {n % 17}" for n in range(len(tags))} <= {
        b["body"] for b in profile["bodies"]
    }
    assert look_at(archive) == before
