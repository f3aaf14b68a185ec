"""Nothing in the archive's folder runs, nothing listens, and a stranger on the machine gets nothing."""

from __future__ import annotations

import contextlib
import os
import pkgutil
import subprocess
import sys
from pathlib import Path

import archive
import psutil
import pytest

from auditor.engine import ScanOptions, scan
from auditor.store import Store

CALLS = (
    [sys.executable, "-m", "auditor", "run", ".", "--out", "../out", "--workers", "1"],
    [str(Path(sys.executable).with_name("auditor")), "measure", "1.jpg"],
)
"""The first has Python itself look in the current folder, and loads all that there is to load."""


@pytest.mark.parametrize("call", CALLS)
def test_files_named_like_modules_in_the_current_folder_do_not_run(
    tmp_path: Path, call: list[str]
) -> None:
    """Every module of Python and of all that is installed, planted beside the pictures."""
    root = archive.make(tmp_path / "downloads", ["1.jpg", "2.jpg"])
    mark = tmp_path / "ran"
    names = {*sys.stdlib_module_names, *(m.name for m in pkgutil.iter_modules() if m.ispkg)}
    for name in names - {"auditor", "tests"}:
        (root / f"{name}.py").write_text(
            f"open({str(mark)!r}, 'a').write({name!r} + ' ')\nraise SystemExit(9)"
        )
    if not Path(call[0]).exists():
        pytest.skip("the console script is not installed beside this Python")
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONSAFEPATH"}
    done = subprocess.run(call, cwd=root, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr  # random bytes are no pictures: set aside, and told
    assert not mark.exists(), mark.read_text()


def test_nothing_listens_and_a_stranger_finds_no_way_in(tmp_path: Path) -> None:
    """While a scan runs: no listening socket of any family in any of its processes; and another user of
    the machine can write nowhere that it uses."""
    root = archive.make(tmp_path / "a", [f"{n}-slow.jpg" for n in range(6)])
    listening: list[object] = []
    written: list[str] = []
    looks = 0

    def look(event: object) -> None:
        nonlocal looks
        looks += 1
        for process in (psutil.Process(), *psutil.Process().children(recursive=True)):
            with contextlib.suppress(psutil.Error):
                for c in process.net_connections(kind="all"):
                    if c.status == psutil.CONN_LISTEN or (
                        "SOCK_STREAM" in str(c.type) and isinstance(c.laddr, str) and c.laddr
                    ):
                        listening.append(c)
        if looks == 3 and os.name == "posix" and os.geteuid() == 0:
            written.extend(_as_stranger(tmp_path / "out"))

    options = ScanOptions(measure="planted:measure")
    scan([root], Store(tmp_path / "out"), workers=1, options=options, progress=look)
    assert looks > 3
    assert listening == []
    assert written == []


def _as_stranger(store: Path) -> list[str]:
    """Files of a store that user 65534 can change, tried in a process of that user."""
    probe = """if True:
        import os, sys
        os.setgid(65534); os.setuid(65534)
        for folder, _, files in os.walk(sys.argv[1]):
            for path in [folder, *(os.path.join(folder, f) for f in files)]:
                if os.access(path, os.W_OK):
                    print(path)
        for pid in sys.argv[2:]:
            for name in ("fd/0", "mem", "environ"):
                try:
                    open(f"/proc/{pid}/{name}", "rb").read(1)
                    print(pid, name)
                except OSError:
                    pass
    """
    pids = [str(p.pid) for p in psutil.Process().children(recursive=True)]
    call = [sys.executable, "-c", probe, str(store), *pids]
    done = subprocess.run(call, capture_output=True, text=True, cwd="/")
    assert done.returncode == 0, done.stderr
    return done.stdout.split("\n")[:-1]
