"""Archives on other machines, workers of others, and shares that stop answering."""

from __future__ import annotations

import contextlib
import functools
import http.server
import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import archive
import pandas as pd
import psutil
import pytest
from at_once import Here
from test_exposures import jpeg, put, raw, run, sums

from auditor.engine import ScanError, ScanOptions, scan
from auditor.store import Store


class _Handler(http.server.SimpleHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def log_message(self, *args: object) -> None:
        pass

    def do_GET(self) -> None:
        if "stall" in self.path:
            time.sleep(30)
        super().do_GET()


@contextlib.contextmanager
def served(folder: Path) -> Iterator[str]:
    """The folder's address on a real web server on this machine."""
    handler = functools.partial(_Handler, directory=str(folder))
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


def test_an_archive_on_a_server_is_read_like_one_on_disk(tmp_path: Path, at_once: None) -> None:
    pytest.importorskip("aiohttp", reason="archives on web servers need aiohttp")
    names = ["1.jpg", "sub/2.jpg", "sub/3-refused.jpg", "with space.jpg"]
    root = archive.make(tmp_path / "a", names)
    (root / "1.xmp").write_bytes(b"1234")
    archive.run(root, tmp_path / "disk", workers=1)
    with served(root) as address:
        summary = archive.run(address, tmp_path / "out", workers=1)
        again = archive.run(address, tmp_path / "out", workers=1)
        (root / "1.xmp").write_bytes(b"12345")
        edited = archive.run(address, tmp_path / "out", workers=1)
        (root / "1.xmp").write_bytes(b"1234")
        archive.run(address, tmp_path / "out", workers=1)
        (root / "sub" / "2.jpg").unlink()
        third = archive.run(address, tmp_path / "out", workers=1)
    assert (summary.found, summary.measured, summary.set_aside) == (4, 3, 1)
    assert again.unchanged == 4
    assert (edited.unchanged, edited.new) == (3, 1), "of a sidecar a server tells the size"
    assert (third.found, third.gone) == (3, 1)
    ours = Store(tmp_path / "out").load(
        ["path", "file_id", "rating", "iso", "status", "size_bytes"]
    )
    disk = Store(tmp_path / "disk").load(
        ["path", "file_id", "rating", "iso", "status", "size_bytes"]
    )
    disk = disk[~disk["path"].str.endswith("2.jpg")]
    assert ours["path"].str.startswith(address).all()
    pd.testing.assert_frame_equal(
        ours.drop(columns="path"), disk.drop(columns="path").reset_index(drop=True)
    )


def test_a_folder_of_a_server_that_cannot_be_listed_keeps_its_frames(
    tmp_path: Path, at_once: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("aiohttp", reason="archives on web servers need aiohttp")
    root = archive.make(tmp_path / "a", ["1.jpg", "sub/2.jpg", "sub/3.jpg"])
    with served(root) as address:
        archive.run(address, tmp_path / "out", workers=1)
        answer = _Handler.list_directory
        monkeypatch.setattr(
            _Handler,
            "list_directory",
            lambda self, path: (
                self.send_error(500) if path.rstrip("/").endswith("sub") else answer(self, path)
            ),
        )
        summary = archive.run(address, tmp_path / "out", workers=1)
    assert (summary.found, summary.unchanged, summary.gone) == (1, 1, 0)
    assert len(summary.unread) == 1
    assert len(archive.rows(tmp_path / "out")) == 3


def test_a_sidecar_that_a_server_does_not_give_changes_nothing_until_it_does(
    tmp_path: Path, at_once: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("aiohttp", reason="archives on web servers need aiohttp")
    root, out = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"]), tmp_path / "out"
    (root / "1.xmp").write_bytes(b"1234")
    give = _Handler.do_GET
    with served(root) as address, monkeypatch.context() as refusing:
        refusing.setattr(
            _Handler,
            "do_GET",
            lambda self: self.send_error(500) if "xmp" in self.path else give(self),
        )
        archive.run(address, out, workers=1)
        rows = sorted((out / "frames").iterdir())
        again = archive.run(address, out, workers=1)
        assert (again.unchanged, again.moved, again.measured) == (2, 0, 2)
        assert sorted((out / "frames").iterdir()) == rows
        refusing.undo()
        assert archive.run(address, out, workers=1).new == 1
    assert Store(out).load(["rating"])["rating"].max() == 4


@pytest.mark.long
def test_a_share_that_stalls_costs_one_file_and_a_dead_one_stops_the_scan(tmp_path: Path) -> None:
    pytest.importorskip("aiohttp", reason="archives on web servers need aiohttp")
    root = archive.make(tmp_path / "a", ["1.jpg", "2-stall.jpg", "3.jpg"])
    with served(root) as address:
        summary = archive.run(address, tmp_path / "out", workers=1, stall_seconds=6.0)
    assert (summary.measured, summary.set_aside) == (2, 1)
    assert archive.rows(tmp_path / "out")["2-stall.jpg"] == (
        "set-aside",
        "could not be read: no data came for 6 s",
    )
    root = archive.make(tmp_path / "b", [f"{n}-stall.jpg" for n in range(9)])
    with served(root) as address, pytest.raises(ScanError, match=r"stopped answering.*run again"):
        archive.run(address, tmp_path / "out2", workers=1, stall_seconds=4.0)
    assert archive.started_here() == []


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """One worker process of two threads, under Dask's own nanny."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=1, threads_per_worker=2, dashboard_address=None, host="127.0.0.1", memory_limit=0
    ) as local:
        yield local


def test_workers_of_a_cluster_that_is_there_already(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cluster: Any
) -> None:
    monkeypatch.setattr("auditor.engine.workers._CONNECT_S", 2.0)
    Here.end()
    names = [f"{n}.jpg" for n in range(12)] + ["5-abort.jpg"]
    root = archive.make(tmp_path / "a", names)
    options = ScanOptions(measure="planted:measure")
    address = cluster.scheduler_address
    summary = scan([root], Store(tmp_path / "out"), cluster=address, options=options)
    again = scan([root], Store(tmp_path / "out"), cluster=address, options=options)
    assert len(cluster.scheduler.workers) == 1, "left as it was found"
    running = [" ".join(p.cmdline()) for p in psutil.Process().children(recursive=True)]
    assert not any("auditor.engine" in command for command in running)
    assert (summary.found, summary.measured, summary.set_aside) == (13, 12, 1)
    assert again.unchanged == 13
    with pytest.raises(ScanError, match=r"the cluster at tcp://127\.0\.0\.1:9 cannot be used"):
        scan([root], Store(tmp_path / "o2"), cluster="tcp://127.0.0.1:9", options=options)


def test_one_exposure_is_measured_once_by_several_workers_and_by_a_cluster_too(
    tmp_path: Path, cluster: Any
) -> None:
    root = tmp_path / "a"
    archive.CALLS.write_text("")
    for n in range(12):
        one = raw(root / f"IMG_{n:04d}.dng", n)
        jpeg(root / f"IMG_{n:04d}.jpg", n)
        shutil.copy(one, put(root / "backup" / f"IMG_{n:04d}.dng", b""))
    names = [f"IMG_{n:04d}.dng" for n in range(12)]
    assert sums(run(root, tmp_path / "out1", workers=2)) == (36, 36, 0, 24)
    assert archive.measured_now() == names
    options = ScanOptions(measure="planted:measure_by_tags")
    address = cluster.scheduler_address
    summary = scan([root], Store(tmp_path / "out2"), cluster=address, options=options)
    assert sums(summary) == (36, 36, 0, 24)
    assert archive.measured_now() == names
