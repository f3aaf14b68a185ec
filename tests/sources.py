"""The program's own source, for tests that look at how it is written."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "auditor"


@cache
def parsed(source: str) -> ast.Module:
    """The tree of a source, at which several tests look and which none changes."""
    return ast.parse(source)


def in_modules(
    look: Callable[[str], Iterable[object]], leave_out: tuple[str, ...] = ()
) -> list[str]:
    """What `look` finds in the source of every module, with the module's name; but for rooms to `leave_out`."""
    modules = ((p, p.relative_to(PACKAGE).as_posix()) for p in sorted(PACKAGE.rglob("*.py")))
    return [
        f"{name}: {found}"
        for path, name in modules
        if not name.startswith(leave_out)
        for found in look(path.read_text("utf-8"))
    ]
