"""Workers of others, and shares that stop answering."""

from __future__ import annotations

from pathlib import Path

import archive
import psutil
import pytest

from auditor.engine import ScanError, ScanOptions, scan
from auditor.store import Store


@pytest.mark.long
def test_a_share_that_stalls_costs_one_file_and_a_dead_one_stops_the_scan(tmp_path: Path) -> None:
    options = {"measure": "planted_share:measure", "workers": 1}
    root = archive.make(tmp_path / "a", ["1.jpg", "2-stall.jpg", "3.jpg"])
    summary = archive.run(root, tmp_path / "out", stall_seconds=6.0, **options)
    assert (summary.measured, summary.set_aside) == (2, 1)
    assert archive.rows(tmp_path / "out")["2-stall.jpg"] == (
        "set-aside",
        "could not be read: no data came for 6 s",
    )
    root = archive.make(tmp_path / "b", [f"{n}-stall.jpg" for n in range(9)])
    with pytest.raises(ScanError, match=r"stopped answering.*run again"):
        archive.run(root, tmp_path / "out2", stall_seconds=4.0, **options)
    assert archive.started_here() == []


def test_workers_of_a_cluster_that_is_there_already(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("auditor.engine.cluster._CONNECT_S", 2.0)
    from distributed import LocalCluster

    archive.Here.end()
    names = [f"{n}.jpg" for n in range(12)] + ["5-abort.jpg"]
    root = archive.make(tmp_path / "a", names)
    options = ScanOptions(measure="planted:measure")
    with LocalCluster(
        n_workers=1, threads_per_worker=2, dashboard_address=None, host="127.0.0.1", memory_limit=0
    ) as cluster:
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
