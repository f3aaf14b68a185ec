"""Numbers of meaning have a name, and beside the name a reason or a source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from itertools import pairwise

from sources import in_modules, parsed

NOT_YET = ("artificial",)
"""Rooms in which some numbers have no name yet; a room whose last one gets its name is taken out."""

PLAIN = frozenset({0, 1, 2, 3, 4, 0.5, 100, 1000, 1e6, 1e9, 255, 256})
"""Numbers that need no name: counts and signs, squares and halves, percent, thousands, millions and billions
(nanoseconds in a second), the white of 8 bits and how many values a byte has."""
WIDTHS = frozenset({10, 20, 30, 16, 32, 63, 64})
"""Powers of two that need no name: kilobytes, megabytes and gigabytes, and the ranges of integers."""
TINY = 1e-6
"""Up to here a number only keeps logarithms and divisions from breaking."""
PLACES = frozenset({"axis", "decimals", "ndigits", "maxsize", "maxlen"})
"""Arguments that are no quantities."""
BASES = ("0x", "0o")
"""How code points, markers of file formats, masks of bits and rights of files are written: no quantities."""


def _is_width(node: ast.AST) -> bool:
    """Whether a node is a power of two among `WIDTHS`."""
    if not isinstance(node, ast.BinOp) or not isinstance(node.op, ast.Pow):
        return False
    base, power = node.left, node.right
    if not isinstance(base, ast.Constant) or not isinstance(power, ast.Constant):
        return False
    return base.value == 2 and power.value in WIDTHS


def _no_quantities(tree: ast.AST) -> set[int]:
    """Identities of nodes that are no quantities: indices, digits to round to, axes, bases of figures in
    text and of powers of ten, widths of integers; and of values of fields that have their own words below them."""
    out: set[int] = set()
    for node in ast.walk(tree):
        places: list[ast.AST] = []
        if isinstance(node, ast.Subscript):
            places = [node.slice]
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            places = [k.value for k in node.keywords if k.arg in PLACES]
            places += node.args[1:] if name in ("round", "int") else []
        elif _is_width(node):
            places = [node]
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
            places = [n for n in [node.left] if getattr(n, "value", None) == 10]
        elif isinstance(node, ast.ClassDef):
            places = [a for a, b in pairwise(node.body) if _named(a) and _words(b)]
        out |= {id(inner) for place in places for inner in ast.walk(place)}
    return out


def _named(part: ast.AST) -> bool:
    return isinstance(part, ast.AnnAssign) and isinstance(part.target, ast.Name)


def _words(part: ast.AST) -> bool:
    return isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant)


def _is_number(value: object) -> bool:
    """Whether a constant is a number that needs a name where it has a meaning."""
    return type(value) in (int, float) and value not in PLAIN and not 0 < value <= TINY


def bare_numbers(source: str) -> Iterator[tuple[int, float]]:
    """(line, number) of every number of meaning inside functions and classes."""
    lines = source.splitlines()
    for part in parsed(source).body:
        if not isinstance(part, ast.FunctionDef | ast.ClassDef):
            continue
        numbers = [n for n in ast.walk(part) if isinstance(n, ast.Constant) and _is_number(n.value)]
        passed = _no_quantities(part) if numbers else set()
        for node in numbers:
            text = lines[node.lineno - 1].encode()[node.col_offset :].decode()
            if id(node) not in passed and not text.startswith(BASES):
                yield node.lineno, node.value


def constants(source: str) -> Iterator[tuple[str, bool]]:
    """(name, whether its own words stand below it) of every numeric constant of a module."""
    body = parsed(source).body
    for part, below in pairwise([*body, ast.Pass()]):
        if not isinstance(part, ast.AnnAssign | ast.Assign) or part.value is None:
            continue
        target = part.target if isinstance(part, ast.AnnAssign) else part.targets[0]
        held = list(ast.walk(part.value))
        if isinstance(part, ast.Assign) and any(isinstance(n, ast.Name) for n in held):
            continue  # made of other names
        if any(isinstance(n, ast.Constant) and type(n.value) in (int, float) for n in held):
            yield ast.unparse(target), _words(below)


def test_every_number_of_meaning_has_a_name() -> None:
    assert in_modules(lambda s: (f"line {line}: {n}" for line, n in bare_numbers(s)), NOT_YET) == []


def test_every_constant_has_its_reason() -> None:
    assert in_modules(lambda s: (name for name, told in constants(s) if not told), NOT_YET) == []


def test_a_field_with_words_is_named_and_one_without_is_not() -> None:
    fields = "class A:\n    near: int = 7\n    'Words.'\n    far: int = 8\n"
    assert list(bare_numbers(fields)) == [(4, 8)]


def test_masks_widths_and_bases_are_no_quantities() -> None:
    for text in ("0xDC80", "2**20", "10**x", "int(x, 16)", "os.open(x, flags, 0o644)"):
        assert not list(bare_numbers(f"def f(x):\n    return {text}\n"))
    for text in ("0.18", "2**7", "3**20", "16"):
        assert list(bare_numbers(f"def f(x):\n    return {text}\n"))


def test_a_bare_number_is_found_and_an_index_is_none() -> None:
    source = "LIMIT: Final = 7.5\n\ndef f(x):\n    return x[16] * 7.5 + round(x, 5) + 2 / 1e-9\n"
    assert list(bare_numbers(source)) == [(4, 7.5)]
    assert list(constants(source)) == [("LIMIT", False)]
    assert list(constants("A, B = 5, 6\n")) == [("(A, B)", False)]
    assert list(constants('A: Final = 3\nB: Final = 4\n"""Why."""\n')) == [
        ("A", False),
        ("B", True),
    ]
