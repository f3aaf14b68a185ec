"""Damaged files of all kinds through the settings reader: its process may die, nothing else.

FUZZ_FILES in the environment makes the run longer than in CI.
"""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from auditor.engine.decoder import Decoder
from auditor.engine.options import ScanOptions

COUNT = int(os.environ.get("FUZZ_FILES", "400"))
DATA = Path(__file__).parents[3] / "shared" / "data"
LARGEST = 3_000_000


def files() -> list[Path]:
    found = [p for folder in ("camera-files", "malformed") for p in (DATA / folder).rglob("*.*")]
    return sorted(p for p in found if p.is_file() and 0 < p.stat().st_size <= LARGEST)


def damage(content: bytes, other: bytes, draw: Any) -> bytes:
    """Bits flipped, bytes put in and taken out, ends cut, a piece of another file: mostly at the
    beginning, where tags are."""
    data = bytearray(content)
    for _ in range(draw(st.integers(1, 12))):
        reach = min(len(data), draw(st.sampled_from([64, 1024, 16_384, 2**31])))
        if not reach:
            break
        at = draw(st.integers(0, reach - 1))
        kind = draw(st.integers(0, 5))
        if kind == 0:
            data[at] ^= 1 << draw(st.integers(0, 7))
        elif kind == 1:
            word = draw(st.sampled_from([b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff"]))
            data[at : at + len(word)] = word
        elif kind == 2:
            data[at:at] = draw(st.binary(max_size=16))
        elif kind == 3:
            del data[at : at + draw(st.integers(1, 4096))]
        elif kind == 4:
            del data[at + 1 :]
        else:
            start = draw(st.integers(0, len(other) - 1))
            piece = other[start : start + draw(st.integers(1, 2048))]
            data[at : at + len(piece)] = piece
    return bytes(data)


@pytest.mark.long
def test_no_damage_gets_past_the_settings_reader(tmp_path: Path) -> None:
    paths = files()
    if not paths:
        pytest.skip("no real files beside the repository")
    decoder = Decoder(ScanOptions())
    seen: Counter[str] = Counter()

    @settings(
        max_examples=COUNT, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(st.data())
    def one(data: st.DataObject) -> None:
        source, other = (data.draw(st.sampled_from(paths)) for _ in range(2))
        path = tmp_path / f"fuzzed{source.suffix}"
        path.write_bytes(damage(source.read_bytes(), other.read_bytes(), data.draw))
        info = path.stat()
        job = {"path": str(path), "root": str(tmp_path), "sidecar": None, "do": "identify"}
        times = {"mtime_ns": info.st_mtime_ns, "size_bytes": info.st_size, "same": []}
        outcome = decoder.measure(job | times)
        seen[outcome[0] if outcome[0] != "failed" else outcome[1]] += 1
        if outcome[0] == "failed":
            (tmp_path / f"{len(seen)}-{outcome[1][:20]}".replace("/", "")).write_bytes(
                path.read_bytes()
            )
            ended = outcome[1].startswith(("crashed the decoder", "took longer", "wanted more"))
            assert ended, f"{source.name}: {outcome[1]}: {outcome[3]}"
        elif outcome[0] == "tags":
            text = outcome[1]["body"]
            assert text is None or text.isprintable()
        else:
            assert outcome[0] == "unreadable", outcome

    try:
        one()
    finally:
        decoder.stop()
        print(f"{sum(seen.values())} damaged files: {dict(seen)}")
    assert seen["tags"] > COUNT / 4, "most damage leaves something to read"
