"""Numbers of meaning have a name, and beside the name a reason or a source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "auditor"

NAMED = ("infer/comparisons", "infer/keepers", "infer/lenses", "infer/next_shots")
"""Rooms in which every number of meaning is named. A room whose last bare number gets its name is added."""

PLAIN = frozenset({0, 1, 2, 3, 4, 0.5, 100, 1000, 1e6, 255})
"""Numbers that need no name: counts and signs, squares and halves, percent, thousands and millions, and the
white of 8 bits."""
TINY = 1e-6
"""Up to here a number only keeps logarithms and divisions from breaking."""
PLACES = frozenset({"axis", "decimals", "ndigits", "maxsize"})
"""Arguments that are no quantities."""


def files() -> list[Path]:
    return [path for room in NAMED for path in sorted((PACKAGE / room).rglob("*.py"))]


def _no_quantities(tree: ast.AST) -> set[int]:
    """Identities of nodes that count places: indices, digits to round to, axes."""
    out: set[int] = set()
    for node in ast.walk(tree):
        places: list[ast.AST] = []
        if isinstance(node, ast.Subscript):
            places = [node.slice]
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            places = [k.value for k in node.keywords if k.arg in PLACES]
            places += node.args[1:] if name == "round" else []
        out |= {id(inner) for place in places for inner in ast.walk(place)}
    return out


def bare_numbers(source: str) -> Iterator[tuple[int, float]]:
    """(line, number) of every number of meaning inside functions and classes."""
    tree = ast.parse(source)
    passed = _no_quantities(tree)
    for part in tree.body:
        if not isinstance(part, ast.FunctionDef | ast.ClassDef):
            continue
        for node in ast.walk(part):
            if not isinstance(node, ast.Constant) or id(node) in passed:
                continue
            value = node.value
            if type(value) in (int, float) and value not in PLAIN and not 0 < value <= TINY:
                yield node.lineno, value


def constants(source: str) -> Iterator[tuple[str, bool]]:
    """(name, whether its own words stand below it) of every numeric constant of a module."""
    body = ast.parse(source).body
    for part, below in pairwise([*body, ast.Pass()]):
        if not isinstance(part, ast.AnnAssign) or not isinstance(part.target, ast.Name):
            continue
        held = ast.walk(part.value) if part.value is not None else ()
        if any(isinstance(n, ast.Constant) and type(n.value) in (int, float) for n in held):
            told = isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant)
            yield part.target.id, told


@pytest.mark.parametrize("path", files(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_number_of_meaning_has_a_name(path: Path) -> None:
    found = [f"line {line}: {value}" for line, value in bare_numbers(path.read_text("utf-8"))]
    assert not found, "; ".join(found)


@pytest.mark.parametrize("path", files(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_constant_has_its_reason(path: Path) -> None:
    found = [name for name, told in constants(path.read_text("utf-8")) if not told]
    assert not found, "; ".join(found)


def test_a_bare_number_is_found_and_an_index_is_none() -> None:
    source = "LIMIT: Final = 7.5\n\ndef f(x):\n    return x[16] * 7.5 + round(x, 5) + 2 / 1e-9\n"
    assert list(bare_numbers(source)) == [(4, 7.5)]
    assert list(constants(source)) == [("LIMIT", False)]
    assert list(constants('A: Final = 3\nB: Final = 4\n"""Why."""\n')) == [
        ("A", False),
        ("B", True),
    ]
