"""The profile's types and the JSON Schema that is made from them.

Expected schemas are written by hand after JSON Schema, draft 2020-12 (Validation, sections 6.1 to 6.5).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, NotRequired, TypedDict, is_typeddict

import jsonschema
import pytest

from auditor import model
from auditor.model.schema import Bound, Positive, Share, schema_of


class Leaf(TypedDict):
    """A leaf."""

    mm: Annotated[Positive, "length"]


class Tree(TypedDict):
    """A tree."""

    name: str | None
    leaves: list[Leaf]
    best: NotRequired[Leaf | None]
    share: Share | None
    ends: Annotated[list[float], Bound("minItems", 2), Bound("maxItems", 2)]
    kind: Literal["fir", "oak"] | None
    counts: dict[str, int]
    more: NotRequired[list[Any]]


class Odd(TypedDict):
    """A key that JSON has no type for."""

    when: complex


def test_a_schema_follows_the_types() -> None:
    made = schema_of(Tree, "Trees")
    leaf = {"$ref": "#/$defs/leaf"}
    assert made == {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Trees",
        "type": "object",
        "description": "A tree.",
        "required": ["name", "leaves", "share", "ends", "kind", "counts"],
        "properties": {
            "name": {"type": ["string", "null"]},
            "leaves": {"type": "array", "items": leaf},
            "best": {"anyOf": [{"type": "null"}, leaf]},
            "share": {"type": ["number", "null"], "minimum": 0, "maximum": 1},
            "ends": {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
            "kind": {"enum": [None, "fir", "oak"]},
            "counts": {"type": "object", "additionalProperties": {"type": "integer"}},
            "more": {"type": "array"},
        },
        "$defs": {
            "leaf": {
                "type": "object",
                "description": "A leaf.",
                "required": ["mm"],
                "properties": {
                    "mm": {"type": "number", "exclusiveMinimum": 0, "description": "length"}
                },
            }
        },
    }


def test_what_does_not_fit_is_refused_by_another_library() -> None:
    """The schema, read by jsonschema, takes a fitting tree and refuses each that is wrong in one thing."""
    judge = jsonschema.Draft202012Validator(schema_of(Tree, "Trees"))
    tree: dict[str, Any] = {
        "name": None, "leaves": [{"mm": 3.0}], "best": None, "share": 0.5, "ends": [1, 2],
        "kind": "fir", "counts": {"rings": 3}, "unforeseen": True,
    }  # fmt: skip
    assert judge.is_valid(tree)
    wrong: list[dict[str, Any]] = [
        {"name": 3}, {"leaves": [{"mm": 0}]}, {"leaves": [{}]}, {"best": {"mm": "3"}}, {"share": 1.5},
        {"ends": [1]}, {"kind": "elm"}, {"counts": {"rings": "three"}},
    ]  # fmt: skip
    for change in wrong:
        assert not judge.is_valid(tree | change), change
    assert not judge.is_valid({k: v for k, v in tree.items() if k != "kind"})


def test_a_type_that_json_lacks_is_an_error() -> None:
    with pytest.raises(TypeError, match="no JSON type"):
        schema_of(Odd, "Odd")


OBJECTS = [kind for kind in vars(model).values() if is_typeddict(kind)]


@pytest.mark.parametrize("kind", OBJECTS, ids=[kind.__name__ for kind in OBJECTS])
def test_every_object_says_what_it_is(kind: type) -> None:
    assert (kind.__doc__ or "").endswith(".")
