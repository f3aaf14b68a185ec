"""The parts of the engine that need no worker: reading, batching, messages, the log, sleep."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor import open_files
from auditor.engine import ScanSummary, file_bytes
from auditor.engine import batch as batch_module
from auditor.engine.decoder import _HANGS
from auditor.engine.messages import receive, send
from auditor.engine.options import ScanOptions
from auditor.engine.queues import BATCH_FILES, LIGHT_FILES, Queues
from auditor.engine.workers import silence_s
from auditor.open_files import RunLog

MB = 2**20


def test_a_file_that_is_still_being_written_is_read_once_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"x" * 100)
    real, writes = file_bytes._regular, [1]

    def written_meanwhile(fd: int, limit_bytes: int) -> os.stat_result:
        info = real(fd, limit_bytes)
        if writes[0]:
            writes[0] -= 1
            with open(path, "ab") as out:
                out.write(b"more")
        return info

    monkeypatch.setattr(file_bytes, "_regular", written_meanwhile)
    monkeypatch.setattr(file_bytes.time, "sleep", lambda s: None)
    content = file_bytes.read(str(path), MB)
    assert content.data == b"x" * 100 + b"more"
    assert content.size_bytes == 104
    writes[0] = 99
    with pytest.raises(file_bytes.Unreadable, match="being written"):
        file_bytes.read(str(path), MB)


def test_reading_leaves_the_time_of_last_access(tmp_path: Path) -> None:
    if not hasattr(os, "O_NOATIME"):
        pytest.skip("this system cannot read without a trace")
    path = tmp_path / "a.jpg"
    path.write_bytes(b"x")
    os.utime(path, (1e9, 1.5e9))  # long ago: even a lazy system would renew it on reading
    file_bytes.read(str(path), MB)
    assert path.stat().st_atime == 1e9


def test_what_is_no_file_is_refused_without_blocking(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    for name in ("pipe.jpg", ""):
        with pytest.raises(file_bytes.Unreadable, match="not an ordinary file"):
            file_bytes.read(str(tmp_path / name), MB)
    with pytest.raises(file_bytes.Unreadable, match="disappeared"):
        file_bytes.read(str(tmp_path / "absent"), MB)


@given(
    kinds=st.lists(st.sampled_from(["measure", "identify"]), max_size=300),
    workers=st.integers(1, 8),
    done=st.integers(1, 100),
)
def test_every_job_is_done_once_and_in_order_of_its_kind(
    kinds: list[str], workers: int, done: int
) -> None:
    """Workers bring back batches of which they have done so many files."""
    queues = Queues()
    jobs: list[dict[str, Any]] = [{"n": n, "do": kind} for n, kind in enumerate(kinds)]
    queues.add(jobs)
    out = []
    while queues:
        batch = queues.next(workers)
        assert 0 < len(batch) <= LIGHT_FILES
        assert len(batch) <= BATCH_FILES or batch[0]["do"] == "identify"
        out += batch[:done]
        queues.put_back(batch[done:])
    assert queues.next(workers) == []
    assert out == [j for kind in ("identify", "measure") for j in jobs if j["do"] == kind]


def test_files_of_a_lost_batch_are_tried_alone_and_at_last_blamed() -> None:
    queues = Queues()
    jobs: list[dict[str, Any]] = [{"n": n, "do": "measure"} for n in range(3)]
    assert queues.worker_lost(jobs) == []
    for _ in range(2):
        (alone,) = queues.next(1)
        assert queues.worker_lost([alone]) == []
    (kept,) = queues.next(1)
    assert kept["n"] == 2
    (again,) = queues.next(1)
    assert [job["n"] for job in queues.worker_lost([again])] == [0]


def test_files_that_are_with_a_worker_that_another_ends_are_not_blamed() -> None:
    """Dask blames all that a worker had."""
    queues = Queues()
    queues.add([{"n": n, "do": "measure"} for n in range(9)])
    blamed, done, tickets = [], [], 0
    while queues:
        while batch := queues.next(2):
            tickets += 1
            queues.running[tickets] = batch
        together, queues.running = queues.running, {}
        ends = any(job["n"] == 5 for batch in together.values() for job in batch)
        for batch in together.values():
            if ends:
                blamed += queues.worker_lost(batch)
            else:
                done += batch
    assert [job["n"] for job in blamed] == [5]
    assert len(done) == 8


@pytest.mark.parametrize("seconds", [1.0, 60.0, 300.0])
def test_a_cluster_may_be_silent_while_one_file_is_read_and_measured(seconds: float) -> None:
    limits = ScanOptions(seconds_per_file=seconds)
    reading, silent = limits.stall_seconds, max(limits.stall_seconds, _HANGS * seconds)
    assert silence_s(limits) >= reading + silent


def test_a_batch_begins_no_file_after_some_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]

    class Slow:
        def measure(self, job: Any) -> list[Any]:
            clock[0] += 1.5
            return ["same", job]

        def stop(self, for_good: bool = False) -> None:
            pass

    monkeypatch.setattr(batch_module, "Decoder", lambda options: Slow())
    monkeypatch.setattr(batch_module.time, "monotonic", lambda: clock[0])
    options = ScanOptions()
    assert len(batch_module.run_batch([1, 2, 3, 4], options, "slow")) == 2
    clock[0] = 0.0
    assert batch_module.run_batch([1], options, "slow") == [["same", 1]]
    batch_module.wind_down("slow")
    assert batch_module.run_batch([1], options, "slow") == []
    batch_module.close_decoders("slow")


def _sent(message: Any) -> Any:
    stream = io.BytesIO()
    send(stream, message)
    stream.seek(0)
    return receive(stream)


@settings(max_examples=40)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.binary() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=10,
    )
)
def test_messages_arrive_as_sent(message: Any) -> None:
    assert _sent(message) == message


def test_names_that_are_no_text_survive_a_message() -> None:
    assert _sent({"path": "/a/\udcff.jpg"}) == {"path": "/a/\udcff.jpg"}


def test_the_log_stays_short_and_never_stops_a_scan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(open_files, "LIMIT_BYTES", 1000)
    log = RunLog(tmp_path / "log.txt")
    for number in range(200):
        log.line(f"line {number}\nsecond")
    files = sorted(tmp_path.iterdir())
    assert [f.name for f in files] == ["log.txt", "log.txt.1"]
    assert all(f.stat().st_size < 1100 for f in files)
    assert files[0].read_text().splitlines()[-1].endswith("line 199 second")
    RunLog(tmp_path / "nowhere" / "log.txt").line("dropped")


def test_many_files_set_aside_are_told_by_reason() -> None:
    summary = ScanSummary(aside=[(f"/{n}.jpg", "empty" if n % 3 else "torn") for n in range(90)])
    assert summary.set_aside_lines() == [
        "set aside: 60 x empty (such as /1.jpg)",
        "set aside: 30 x torn (such as /0.jpg)",
    ]
    assert len(ScanSummary(aside=[("/a", "x"), ("/b", "x")]).set_aside_lines()) == 2
    # Small pictures come in every size: reasons that differ in their figures alone are told once.
    small = ScanSummary(aside=[(f"/{n}.png", f"only {n} x {n} pixels") for n in range(1, 50)])
    assert small.set_aside_lines() == [
        "set aside: 49 x only 1 x 1 pixels, and the like (such as /1.png)"
    ]
