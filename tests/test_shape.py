"""How the code is cut: short files and functions, and words on everything that is public."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "auditor"

FILE_LINES = 400
"""Lines of a file at most."""
FUNCTION_LINES = 60
"""Lines of a function at most, without its docstring."""
NOT_YET = ("measure", "infer/bodies")
"""Rooms in which some public names have no docstring yet; a room whose last one is written is taken out."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


def long_functions(source: str) -> Iterator[tuple[str, int]]:
    """(name, lines without the docstring) of functions that are too long."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, Function):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            first = node.body[0]
            if ast.get_docstring(node) is not None:
                lines -= (first.end_lineno or first.lineno) - first.lineno + 1
            if lines > FUNCTION_LINES:
                yield node.name, lines


def without_words(source: str) -> Iterator[str]:
    """Public modules, classes, functions and methods that have no docstring."""
    tree = ast.parse(source)
    if ast.get_docstring(tree) is None:
        yield "the module"
    pending: list[ast.Module | ast.ClassDef] = [tree]
    while pending:
        for node in pending.pop().body:
            if not isinstance(node, Function | ast.ClassDef) or node.name.startswith("_"):
                continue
            if ast.get_docstring(node) is None:
                yield node.name
            if isinstance(node, ast.ClassDef):
                pending.append(node)


def in_modules(look: Callable[[str], Iterator[object]], but: tuple[str, ...] = ()) -> list[str]:
    """What `look` finds in the source of every module, with the module's name."""
    modules = ((p, p.relative_to(PACKAGE).as_posix()) for p in sorted(PACKAGE.rglob("*.py")))
    return [
        f"{name}: {found}"
        for path, name in modules
        if not name.startswith(but)
        for found in look(path.read_text("utf-8"))
    ]


def test_files_and_functions_are_short() -> None:
    assert in_modules(long_functions) == []
    lines = in_modules(lambda s: iter([n for n in [len(s.splitlines())] if n > FILE_LINES]))
    assert lines == []


def test_everything_public_has_words() -> None:
    assert in_modules(without_words, NOT_YET) == []


def test_what_is_long_or_wordless_is_found() -> None:
    body = "    x = 1\n" * 60
    assert list(long_functions('def f():\n    """Words."""\n' + body)) == [("f", 61)]
    assert not list(long_functions("def f():\n" + body[:-10]))
    source = '"""A."""\nclass A:\n    def b(self): ...\n    def _c(self): ...\ndef _d(): ...\n'
    assert sorted(without_words(source)) == ["A", "b"]
