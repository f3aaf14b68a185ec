"""How the code is cut: short files and functions, and words on everything that is public."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

from sources import PACKAGE, in_modules, parsed

FILE_LINES = 400
"""Lines of a file at most."""
FUNCTION_LINES = 60
"""Lines of a function at most, without its docstring."""
SHOWN_AS_HELP = ("cli",)
"""Modules whose docstrings are the help that the command line prints."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


def long_functions(source: str) -> Iterator[tuple[str, int]]:
    """(name, lines without the docstring) of functions that are too long."""
    for node in ast.walk(parsed(source)):
        if isinstance(node, Function):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            first = node.body[0]
            if ast.get_docstring(node) is not None:
                lines -= (first.end_lineno or first.lineno) - first.lineno + 1
            if lines > FUNCTION_LINES:
                yield node.name, lines


def without_words(source: str) -> Iterator[str]:
    """Public modules, classes, functions and methods that have no docstring."""
    tree = parsed(source)
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


def crossing() -> set[tuple[str, str]]:
    """(room, name) of all that is imported from another room; a room is a folder of the package, a module
    beside the rooms is one of its own."""
    found = set()
    for path in PACKAGE.rglob("*.py"):
        own = room_of(path)
        for node in ast.walk(parsed(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and (source := imported(node, path)) is not None:
                room = room_of(source.with_suffix(".py") if not source.is_dir() else source / "a")
                if room != own:
                    found |= {(room, name.name) for name in node.names}
    return found


def imported(node: ast.ImportFrom, path: Path) -> Path | None:
    """Where what a module imports from lies, by an absolute or a relative name; None outside the package."""
    names = (node.module or "").split(".")
    if node.level:
        return path.parents[node.level - 1].joinpath(*names)
    return PACKAGE.parent.joinpath(*names) if names[0] == PACKAGE.name else None


def room_of(path: Path) -> str:
    """Folder of a module in the package; a module beside the folders is a room of its own."""
    inside = path.relative_to(PACKAGE)
    return inside.parent.as_posix() if len(inside.parts) > 1 else inside.stem


def handed_on(path: Path, crossing: set[tuple[str, str]]) -> Iterator[Function]:
    """Functions of a module that other rooms import, and public methods of such classes."""
    for node in parsed(path.read_text("utf-8")).body:
        if (room_of(path), getattr(node, "name", "")) not in crossing:
            continue
        if isinstance(node, Function):
            yield node
        elif isinstance(node, ast.ClassDef):
            yield from (f for f in node.body if isinstance(f, Function) and f.name[0] != "_")


def missing_sections(node: Function) -> Iterator[str]:
    """Parameters that the section `Parameters` of a docstring does not name, and 'Returns' where there is no
    section for what is given back (numpydoc); properties have words only."""
    if node.decorator_list and not any("method" in ast.unparse(d) for d in node.decorator_list):
        return
    lines = [line.strip() for line in (ast.get_docstring(node) or "").split("\n")]
    heads = {
        head: i
        for i, (head, rule) in enumerate(pairwise(lines))
        if rule and rule == "-" * len(head)
    }
    listed = " ".join(lines[heads["Parameters"] :]) if "Parameters" in heads else ""
    args = node.args
    for arg in (*args.posonlyargs, *args.args, *args.kwonlyargs):
        if arg.arg not in ("self", "cls") and not re.search(rf"\b{arg.arg}\b", listed):
            yield arg.arg
    gives = node.returns is not None and ast.unparse(node.returns) not in ("None", "NoReturn")
    if gives and not {"Returns", "Yields"} & set(heads):
        yield "Returns"


def test_files_and_functions_are_short() -> None:
    assert in_modules(long_functions) == []
    lines = in_modules(lambda s: iter([n for n in [len(s.splitlines())] if n > FILE_LINES]))
    assert lines == []


def test_everything_public_has_words() -> None:
    assert in_modules(without_words) == []


def test_what_rooms_hand_on_has_sections() -> None:
    names = crossing()
    found = [
        f"{path.relative_to(PACKAGE).as_posix()}: {node.name}: {missing}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if not path.relative_to(PACKAGE).as_posix().startswith(SHOWN_AS_HELP)
        for node in handed_on(path, names)
        for missing in missing_sections(node)
    ]
    assert found == []


def test_missing_sections_are_found() -> None:
    def missing(source: str) -> list[str]:
        node = ast.parse(source).body[0]
        assert isinstance(node, Function)
        return list(missing_sections(node))

    words = "A.\n\n    Parameters\n    ----------\n    a : int\n\n    Returns\n    -------\n    int"
    function = f'def f(a: int) -> int:\n    """{words}"""\n'
    assert missing(function) == []
    assert missing(function.replace("a: int", "a: int, b: int")) == ["b"]
    assert missing(function.replace("Returns", "Results")) == ["Returns"]
    assert missing('def f(a: int) -> None:\n    """A."""\n') == ["a"]
    assert missing('@property\ndef f(self) -> int:\n    """A."""\n') == []


def test_what_is_long_or_wordless_is_found() -> None:
    body = "    x = 1\n" * 60
    assert list(long_functions('def f():\n    """Words."""\n' + body)) == [("f", 61)]
    assert not list(long_functions("def f():\n" + body[:-10]))
    source = '"""A."""\nclass A:\n    def b(self): ...\n    def _c(self): ...\ndef _d(): ...\n'
    assert sorted(without_words(source)) == ["A", "b"]
