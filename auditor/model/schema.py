"""Typed dictionaries to a JSON Schema (draft 2020-12): the types are written once, the schema follows.

`Annotated` adds bounds and, as a text, the description. Further keys are allowed everywhere.
"""

from __future__ import annotations

import inspect
import re
from types import NoneType, UnionType
from typing import (
    Annotated,
    Any,
    Literal,
    NamedTuple,
    NotRequired,
    Required,
    TypedDict,
    Union,
    get_args,
    get_origin,
    get_type_hints,
    is_typeddict,
)

__all__ = [
    "Bound",
    "Count",
    "Ends",
    "Interval",
    "NotNegative",
    "OfLens",
    "OpenInterval",
    "Positive",
    "PositiveCount",
    "PositiveShare",
    "Schema",
    "Share",
    "schema_of",
]

Schema = dict[str, Any]


class Bound(NamedTuple):
    """What a value may be at least or at most, by its keyword in JSON Schema."""

    keyword: str
    value: float


_PLAIN = {str: "string", bool: "boolean", int: "integer", float: "number", NoneType: "null"}


def schema_of(top: type, title: str) -> Schema:
    """JSON Schema of a typed dictionary; those that it holds stand under `$defs`.

    Parameters
    ----------
    top : type
        A `TypedDict`. Its keys, and those of the ones it holds, may be of str, bool, int, float, None, list,
        dict with str keys, Literal, Any, typed dictionaries, and unions of these.
    title : str
        Title of the schema.

    Returns
    -------
    dict
        Draft 2020-12.

    Raises
    ------
    TypeError
        Where a key has another type.
    """
    definitions: dict[str, Schema] = {}
    whole = _object(top, definitions)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title}
    return head | whole | {"$defs": dict(sorted(definitions.items()))}


def _object(kind: type, definitions: dict[str, Schema]) -> Schema:
    hints = get_type_hints(kind, include_extras=True)
    return {
        "type": "object",
        "description": inspect.getdoc(kind) or "",
        "required": [name for name, hint in hints.items() if _is_required(kind, name, hint)],
        "properties": {name: _value(hint, definitions) for name, hint in hints.items()},
    }


def _is_required(kind: Any, name: str, hint: Any) -> bool:
    """Whether a key must be there: by its own mark, else by that of the class which has it."""
    marks = {Required: True, NotRequired: False}
    return marks.get(get_origin(hint), name in kind.__required_keys__)


def _value(kind: Any, definitions: dict[str, Schema]) -> Schema:
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Required, NotRequired):
        return _value(args[0], definitions)
    if origin is Annotated:
        return _annotated(args[0], args[1:], definitions)
    if origin in (Union, UnionType):
        return _union([_value(a, definitions) for a in args])
    if origin is Literal:
        return {"enum": list(args)}
    if origin is list:
        return {"type": "array"} | (
            {} if args[0] is Any else {"items": _value(args[0], definitions)}
        )
    if origin is dict:
        values = {} if args[1] is Any else {"additionalProperties": _value(args[1], definitions)}
        return {"type": "object"} | values
    if is_typeddict(kind):
        name = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", kind.__name__).lower()
        if name not in definitions:
            definitions[name] = {}  # its place, should it hold itself
            definitions[name] = _object(kind, definitions)
        return {"$ref": f"#/$defs/{name}"}
    if kind is Any:
        return {}
    if kind not in _PLAIN:
        raise TypeError(f"no JSON type for {kind}")
    return {"type": _PLAIN[kind]}


def _annotated(kind: Any, notes: tuple[Any, ...], definitions: dict[str, Schema]) -> Schema:
    out = _value(kind, definitions)
    for note in notes:
        out |= {"description": note} if isinstance(note, str) else {note.keyword: note.value}
    return out


def _union(parts: list[Schema]) -> Schema:
    """One list of types where bounds can stand beside it: they say nothing of null. Else `anyOf`."""
    null = {"type": "null"}
    others = [p for p in parts if p != null]
    if len(others) == len(parts) or len(others) > 1:
        return {"anyOf": parts}
    if "enum" in others[0]:
        return others[0] | {"enum": [None, *others[0]["enum"]]}
    if "type" in others[0]:
        return others[0] | {"type": [others[0]["type"], "null"]}
    return {"anyOf": [null, *others]}


Positive = Annotated[float, Bound("exclusiveMinimum", 0)]
NotNegative = Annotated[float, Bound("minimum", 0)]
Share = Annotated[float, Bound("minimum", 0), Bound("maximum", 1)]
PositiveShare = Annotated[float, Bound("exclusiveMinimum", 0), Bound("maximum", 1)]
Count = Annotated[int, Bound("minimum", 0)]
PositiveCount = Annotated[int, Bound("minimum", 1)]
Ends = Annotated[list[float | None], Bound("minItems", 2), Bound("maxItems", 2)]
"""Lowest and highest."""


class Interval(TypedDict):
    """A 90% interval."""

    low: Annotated[float, "lower end of the 90% interval"]
    high: Annotated[float, "upper end"]


class OpenInterval(TypedDict):
    """A 90% interval of which an end may not be known."""

    low: Annotated[float | None, "lower end of the 90% interval"]
    high: Annotated[float | None, "upper end"]


class OfLens(TypedDict, total=False):
    """Which lens, on which body."""

    lens: Required[str | None]
    body: str | None
    converter: str | None
    lens_serial: Annotated[str | None, "serial where one name has several copies"]
