"""What was made of unchanged input is not made again.

A key is taken of all that a profile and its report follow from: the store's parts (whose names carry
the checksum of what they hold), what was asked for, and the program. It is kept beside the store with
the size and time of every file written; while all of that is as it was, the profile on disk stands.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any, Final

_NOTE: Final = "profiled.json"
_NO_INPUT: Final = frozenset({_NOTE, "log.txt", "lock"})
"""Files of the store that no profile is made from."""
_LIBRARIES: Final = ("numpy", "scipy", "pandas", "pyarrow", "lensfunpy")
"""Libraries that figures come from; the last one's database gives sensor sizes."""


def unless_unchanged(
    out: Path, asked: Sequence[Any], contents: Iterable[Path], make: Callable[[], Mapping[str, Any]]
) -> Mapping[str, Any]:
    """Profile in `out` if making it again would give the same, else a new one.

    Parameters
    ----------
    out : pathlib.Path
        The output folder, with `store` in it.
    asked : sequence
        What was asked for; its `repr` identifies it.
    contents : iterable of pathlib.Path
        Files named in it whose content counts.
    make : callable
        Makes the profile and writes it and all that belongs to it into `out`.

    Returns
    -------
    mapping
        The keys of `profile.json`.
    """
    try:
        key = _key(out / "store", asked, contents)
    except OSError:  # whoever makes the profile says what can't be read
        return make()
    note = out / "store" / _NOTE
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        before = json.loads(note.read_text(encoding="utf-8"))
        if before["key"] == key and before["written"] == _written(out):
            made = json.loads((out / "profile.json").read_text(encoding="utf-8"))
            if isinstance(made, dict):
                return made
    with contextlib.suppress(OSError):
        note.unlink(missing_ok=True)
    profile = make()
    if not profile.get("faults"):  # what broke once may not break again
        with contextlib.suppress(OSError):  # then it is made again the next time, no more
            kept = {"key": key, "written": _written(out)}
            note.write_text(json.dumps(kept), encoding="utf-8")
    return profile


def _key(store: Path, asked: Sequence[Any], contents: Iterable[Path]) -> str:
    """One text for everything that a profile follows from. Raises OSError."""
    digest = hashlib.sha256(repr((sys.version, *asked)).encode())
    for path in contents:
        digest.update(path.read_bytes())
    for library in _LIBRARIES:
        with contextlib.suppress(metadata.PackageNotFoundError):
            digest.update(f"{library} {metadata.version(library)}\n".encode())
    # Parts are identified by name, size and time; the few small files are written anew by every run.
    for path in sorted(p for p in store.glob("*") if p.is_file() and p.name not in _NO_INPUT):
        digest.update(path.name.encode() + path.read_bytes())
    # What a first run compiles of the program is no other program.
    program = [f for f in _files(Path(__file__).parent.rglob("*")) if "__pycache__" not in f[0]]
    digest.update(repr((_files(store.glob("*/*.parquet")), program)).encode())
    return digest.hexdigest()


def _written(out: Path) -> list[list[Any]]:
    """What lies where a report is written: pages and profile, and the tables."""
    return [[*file] for pattern in ("*.*", "tables/*") for file in _files(out.glob(pattern))]


def _files(paths: Iterable[Path]) -> list[tuple[str, int, int]]:
    """(path, bytes, time of change in ns) of those that are files, sorted by path. Raises OSError."""
    found = []
    for path in paths:
        if path.is_file():
            stat = path.stat()
            found.append((str(path), stat.st_size, stat.st_mtime_ns))
    return sorted(found)
