"""What may pass costs nothing for good: shares that come back, decoders that others ended, stopped machines."""

from __future__ import annotations

import ctypes
import errno
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import archive
import psutil
import pytest
from at_once import Here

from auditor.engine import Progress, ScanError, ScanOptions, decoder, queues, scan
from auditor.store import Store


def statuses(out: Path) -> dict[str, str]:
    return {name: status for name, (status, _) in archive.rows(out).items()}


def test_a_folder_that_is_away_for_a_moment_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queues, "WAIT_S", 1.5)
    names = [f"{n:02d}-slow.jpg" for n in range(8)] + [f"share/{n:02d}-slow.jpg" for n in range(20)]
    root = archive.make(tmp_path / "a", names)
    away = tmp_path / "away"

    def unplug(event: Progress) -> None:
        if (
            event.found == len(names)
            and not away.exists()
            and (root / "share").exists()
            and not gone
        ):
            gone.append(1)
            os.rename(root / "share", away)
            threading.Timer(1.0, lambda: os.rename(away, root / "share")).start()

    gone: list[int] = []
    options = ScanOptions(measure="planted:measure")
    summary = scan([root], Store(tmp_path / "out"), workers=2, options=options, progress=unplug)
    assert gone
    assert (summary.measured, summary.set_aside) == (28, 0)


def test_a_share_below_the_archive_that_stays_away_stops_the_scan_with_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an unmounted share leaves behind is an empty folder."""
    monkeypatch.setattr(queues, "WAIT_S", 0.5)
    names = ["1.jpg", *(f"share/x/{n:02d}-slow.jpg" for n in range(12))]
    root = archive.make(tmp_path / "a", names)

    def unplug(event: Progress) -> None:
        if event.found == len(names) and (root / "share" / "x").exists():
            os.rename(root / "share", tmp_path / "away")
            (root / "share").mkdir()

    options = ScanOptions(measure="planted:measure")
    with pytest.raises(ScanError, match=r"does not answer any more.*run again"):
        scan([root], Store(tmp_path / "out"), workers=1, options=options, progress=unplug)
    assert "set-aside" not in statuses(tmp_path / "out").values()
    (root / "share").rmdir()
    os.rename(tmp_path / "away", root / "share")
    assert archive.run(root, tmp_path / "out").measured == len(names)


def _rights_count() -> None:
    """For the superuser too: a program started after this may not pass over them (capabilities(7):
    PR_CAPBSET_DROP of CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH)."""
    libc = ctypes.CDLL(None)
    for capability in (1, 2):
        libc.prctl(24, capability, 0, 0, 0)


_SERVE = """if True:
    import contextlib, io, json, sys
    import archive, at_once
    import auditor.engine.scanning
    auditor.engine.scanning.OwnWorkers = at_once.Here
    for line in sys.stdin:
        code, *sys.argv[1:] = json.loads(line)
        said = io.StringIO()
        with contextlib.redirect_stdout(said):
            exec(code, {})
        print(json.dumps(said.getvalue().splitlines()), flush=True)
    at_once.Here.end()
"""
"""Runs code on paths, both given as a line of JSON, and answers with the lines that it printed."""


@pytest.fixture(scope="module")
def where_rights_count() -> Iterator[Callable[..., list[str]]]:
    """What code prints in a program to which the rights of files apply; one program for all tests."""
    here = Path(__file__).parent
    path = os.pathsep.join(map(str, [here, *here.parents[:2]]))
    with subprocess.Popen(
        [sys.executable, "-c", _SERVE], preexec_fn=_rights_count, text=True,
        env=os.environ | {"PYTHONPATH": path}, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    ) as program:  # fmt: skip

        def run(code: str, *paths: Path) -> list[str]:
            assert program.stdin is not None
            assert program.stdout is not None
            program.stdin.write(json.dumps([code, *map(str, paths)]) + "\n")
            program.stdin.flush()
            answer = program.stdout.readline()
            assert answer, "the program ended; its own words are on the error stream"
            lines: list[str] = json.loads(answer)
            return lines

        yield run


@pytest.mark.skipif(sys.platform != "linux", reason="rights are set aside for nobody but here")
def test_what_may_not_be_read_is_tried_again_once_it_may(
    tmp_path: Path, where_rights_count: Callable[..., list[str]]
) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"])
    (root / "2.xmp").write_bytes(b"1234")
    code = """if True:
        import sys, pathlib, archive
        from auditor.store import Store
        root, out = map(pathlib.Path, sys.argv[1:])
        for mode in (0, 0, 0o644):
            (root / "1.jpg").chmod(mode)
            (root / "2.xmp").chmod(mode)
            found = archive.run(root, out, workers=1)
            print(found.measured, found.set_aside, archive.rows(out)["1.jpg"][1], end="; ")
            print(Store(out).load(["rating"])["rating"].max())
        print(archive.run(root, out, workers=1).unchanged)
    """
    lines = where_rights_count(code, root, tmp_path / "out")
    closed = "1 1 the file may not be read (permission denied); <NA>"
    assert lines == [closed, closed, "2 0 ; 4", "2"]


@pytest.mark.skipif(sys.platform != "linux", reason="rights are set aside for nobody but here")
def test_a_sidecar_that_may_not_be_read_costs_a_later_run_nothing(
    tmp_path: Path, where_rights_count: Callable[..., list[str]]
) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg", "3.jpg"])
    (root / "1.xmp").write_bytes(b"1234")
    (root / "2.xmp").write_bytes(b"12345")
    code = """if True:
        import sys, pathlib, archive
        from auditor.store import Store
        root, out = map(pathlib.Path, sys.argv[1:])
        one, two = root / "1.xmp", root / "2.xmp"
        for change in (
            lambda: one.chmod(0),
            lambda: None,
            lambda: two.chmod(0),
            lambda: (one.chmod(0o644), two.chmod(0o644), two.write_bytes(b"123")),
            lambda: None,
        ):
            change()
            found = archive.run(root, out, workers=1)
            ratings = Store(out).load(["rating"])["rating"].dropna().tolist()
            print(found.unchanged, found.moved, found.new, ratings, found.notices)
    """
    told = "['measured without a sidecar that is over 16 MB or could not be read: 1']"
    assert where_rights_count(code, root, tmp_path / "out") == [
        f"0 0 3 [5] {told}",
        f"3 0 0 [5] {told}",
        f"3 0 0 [5] {told}",
        "1 0 2 [4, 3] []",
        "3 0 0 [4, 3] []",
    ]


@pytest.mark.skipif(sys.platform != "linux", reason="rights are set aside for nobody but here")
def test_a_sidecar_that_comes_unreadable_beside_a_moved_file_is_read_later(
    tmp_path: Path, where_rights_count: Callable[..., list[str]]
) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"])
    code = """if True:
        import sys, pathlib, archive
        from auditor.store import Store
        root, out = map(pathlib.Path, sys.argv[1:])
        sidecar = root / "3.xmp"
        for change in (
            lambda: None,
            lambda: ((root / "1.jpg").rename(root / "3.jpg"), sidecar.write_bytes(b"1234"), sidecar.chmod(0)),
            lambda: None,
            lambda: sidecar.chmod(0o644),
        ):
            change()
            found = archive.run(root, out, workers=1)
            print(Store(out).load(["rating"])["rating"].dropna().tolist(), found.unchanged, found.notices)
    """
    told = "['measured without a sidecar that is over 16 MB or could not be read: 1']"
    assert where_rights_count(code, root, tmp_path / "out") == [
        "[] 0 []",
        f"[] 1 {told}",
        f"[] 2 {told}",
        "[4] 1 []",
    ]


def test_a_measurement_ended_from_outside_is_tried_once_more_by_the_next_run(
    tmp_path: Path, at_once: None
) -> None:
    names = ["1.jpg", "2-killed.jpg", "3-spin.jpg", "4-odd.jpg", "5-huge.jpg"]
    root = archive.make(tmp_path / "a", names)
    fast = {"workers": 1, "seconds_per_file": 0.5, "memory_mb": 300}
    first = archive.run(root, tmp_path / "out", **fast)
    assert (first.measured, first.set_aside) == (1, 4)
    assert any(
        n.startswith("set aside, and tried again by the next run") and n.endswith(": 3")
        for n in first.notices
    )
    second = archive.run(root, tmp_path / "out", **fast)
    assert second.unchanged == 2, "the others are tried once more"
    third = archive.run(root, tmp_path / "out", **fast)
    assert third.unchanged == 5
    os.utime(root / "2-killed.jpg", (9, 9))
    assert archive.run(root, tmp_path / "out", **fast).unchanged == 4


def test_what_is_wrong_with_a_file_is_tried_again_when_asked_for_or_by_another_version(
    tmp_path: Path, at_once: None
) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg", "3-odd.jpg", "4-refused.jpg"])
    for more, unchanged in (({}, 0), ({}, 4), ({"retry": True}, 2), ({"version": "next"}, 2)):
        summary = archive.run(root, tmp_path / "out", workers=1, **more)
        assert (summary.found, summary.measured, summary.set_aside) == (4, 2, 2)
        assert summary.unchanged == unchanged, more
        told = any(
            n.startswith("measured by another version") and n.endswith(": 2")
            for n in summary.notices
        )
        assert told == ("version" in more)


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no such signal here")
def test_a_decoder_that_was_stopped_for_longer_than_the_limit_is_not_to_blame(
    tmp_path: Path,
) -> None:
    Here.end()
    root = archive.make(tmp_path / "a", [f"{n}-slow.jpg" for n in range(4)])
    stopped: list[int] = []

    def stop(event: Progress) -> None:
        decoders = [
            p
            for p in psutil.Process().children()
            if "engine.decoder_process" in " ".join(p.cmdline())
        ]
        if event.done >= 1 and decoders and not stopped:
            stopped.append(decoders[0].pid)
            decoders[0].suspend()
            threading.Timer(2.0, decoders[0].resume).start()

    options = ScanOptions(measure="planted:measure", seconds_per_file=1.0)
    summary = scan([root], Store(tmp_path / "out"), workers=1, options=options, progress=stop)
    assert stopped
    assert (summary.measured, summary.set_aside) == (4, 0)


def test_a_decoder_that_is_killed_while_it_starts_is_started_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(decoder, "_STARTS", (0.0, 0.0, 0.0))
    made: list[int] = []
    true = decoder.subprocess.Popen

    def popen(*args: object, **more: object) -> object:
        process = true(*args, **more)  # type: ignore[call-overload]
        made.append(process.pid)
        if len(made) < 3:
            process.kill()
        return process

    monkeypatch.setattr(decoder.subprocess, "Popen", popen)
    one = decoder.Decoder(ScanOptions(measure="planted:measure", identify="planted:measure"))
    one.start()
    assert len(made) == 3
    one.stop()
    made.clear()
    monkeypatch.setattr(decoder.Decoder, "_launch", lambda self: made.append(1))
    with pytest.raises(decoder.DecoderBroken, match="does not start"):
        one.start()
    assert len(made) == 3


def test_no_file_is_to_blame_where_no_process_can_be_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too many open files, too many processes: what a user's limits (getrlimit(2)) say is no fault of a file."""
    monkeypatch.setattr(decoder, "_STARTS", (0.0,))
    true, refused = decoder.subprocess.Popen, []

    def popen(*args: object, **more: object) -> object:
        if len(refused) < 2:  # the warming up, and the first batch
            refused.append(1)
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))
        return true(*args, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(decoder.subprocess, "Popen", popen)
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"])
    with pytest.raises(ScanError, match=r"Too many open files.*run again"):
        archive.run(root, tmp_path / "out", workers=1)
    assert len(refused) == 2
    assert len(Store(tmp_path / "out").load()) == 0
    refused.clear()
    monkeypatch.setattr(decoder, "_STARTS", (0.0,) * 5)
    summary = archive.run(root, tmp_path / "out", workers=1)
    assert len(refused) == 2
    assert (summary.measured, summary.set_aside) == (2, 0)


def test_decoders_share_the_memory_that_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    from auditor.engine import process

    monkeypatch.setattr(process, "_machine_mb", lambda: 8000.0)
    assert process.share_mb(4000, 1) == 4000
    assert process.share_mb(4000, 4) == 1600
    assert process.share_mb(4000, 64) == 600


def test_a_sidecar_that_is_too_large_is_told(tmp_path: Path, at_once: None) -> None:
    root = archive.make(tmp_path / "a", ["1.jpg", "2.jpg"])
    with open(root / "1.xmp", "wb") as file:
        file.truncate(17 * 2**20)
    told = "measured without a sidecar that is over 16 MB or could not be read: 1"
    for measured_anew in (2, 0):
        summary = archive.run(root, tmp_path / "out", workers=1)
        assert (summary.measured, summary.new) == (2, measured_anew)
        assert summary.notices == [told], "the second run says the same, lest the page be made anew"
    (root / "1.xmp").unlink()
    summary = archive.run(root, tmp_path / "out", workers=1)
    assert (summary.moved, summary.notices) == (1, [])


def test_names_that_print_alike_are_two_files(tmp_path: Path, at_once: None) -> None:
    raw = os.fsencode(tmp_path / "a")
    archive.make(tmp_path / "a", ["1.jpg"])
    for number, name in enumerate((b"x\xff.jpg", b"x\\xff.jpg", b"x\\x5cxff.jpg")):
        with open(raw + b"/" + name, "wb") as file:
            file.write(bytes([number]) * 3000)
    summary = archive.run(tmp_path / "a", tmp_path / "out", workers=1)
    assert (summary.found, summary.measured) == (4, 4)
    assert len(Store(tmp_path / "out").load(["path"])) == 4
    again = archive.run(tmp_path / "a", tmp_path / "out", workers=1)
    assert (again.unchanged, again.gone) == (4, 0)
