"""What page and card share: templates with escaping, style sheets, packed data, set-off figures."""

from __future__ import annotations

import base64
import contextlib
import gzip
import json
import os
import re
from collections.abc import Callable, Mapping
from functools import cache
from importlib import resources
from inspect import isfunction
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import jinja2
from markupsafe import Markup, escape

from auditor.crawl.names import on_disk
from auditor.model import Handheld
from auditor.record import ZONES
from auditor.report import charts, first_screen, iso_words, scales, sentences, summary, words
from auditor.report.listing import evidence, fault
from auditor.report.words import NAME_END, NAME_START

__all__ = ["between", "environment", "figures", "link", "pack", "sentence", "shown", "static"]


def static(name: str) -> str:
    """Text of a file that goes into the page as it is: a style sheet or a script."""
    return resources.files("auditor.report").joinpath("static", name).read_text("utf-8")


def pack(value: Any) -> Markup:
    """JSON or text, compressed to base64: safe inside a script element whatever it holds."""
    text = value if isinstance(value, str) else json.dumps(value, separators=(",", ":"))
    data = gzip.compress(text.encode("utf-8", "replace"), _PACKING, mtime=0)
    return Markup(base64.b64encode(data).decode("ascii"))


_PACKING: Final = 6
"""Level of gzip (RFC 1952): beyond it packing takes longer and gains a percent."""
_FIGURE = re.compile(r"f/\d+(?:\.\d+)?|ISO \d+|\d+(?:\.\d+)?(?: to \d+(?:\.\d+)?)? mm|1/\d+ s")
_NAMED = re.compile(f"{NAME_START}([^{NAME_END}]*){NAME_END}")


def figures(text: Any) -> Markup:
    """Escaped text with apertures, ISO values and focal lengths set off for the eye.

    Names between the marks of `summary` are kept whole and apart from the direction of the text
    around them.
    """
    pieces = _NAMED.split(str(text if text is not None else ""))
    out = []
    for i, piece in enumerate(pieces):
        safe = str(escape(words.clean(piece, strip=False)))
        if i % 2:
            out.append(f'<bdi class="called">{safe}</bdi>')
        else:
            out.append(_FIGURE.sub(lambda m: f'<span class="fig">{m[0]}</span>', safe))
    return Markup("".join(out))


def sentence(text: Any) -> str:
    """Text as a sentence: a capital first letter and a full stop at the end."""
    out = words.clean(text)
    first = out[:1] if out.startswith("f/") else out[:1].upper()  # an aperture is never F/8
    return out and first + out[1:] + ("" if out[-1] in ".!?…" else ".")


def shown(value: Any, form: str) -> str:
    """A figure in a format of Python's; '' where there is none."""
    known = words.number(value)
    return "" if known is None else format(known, form)


def between(block: Any, form: str, keys: tuple[str, str] = ("low", "high")) -> str:
    """'(0.24 to 0.26)' from the interval in a block; '' where an end is missing. `form` as in
    `shown`, or '%' for shares."""
    if not isinstance(block, Mapping):
        return ""
    low, high = (
        words.percent(v) if form == "%" and words.number(v) is not None else shown(v, form)
        for v in (block.get(k) for k in keys)
    )
    return f"({low} to {high})" if low and high else ""


def stops_between(block: Handheld) -> str:
    """The interval of a handheld limit in words; '' where an end is missing."""
    low, high = block.get("low"), block.get("high")
    return "" if low is None or high is None else f"({words.stops_between(low, high)})"


def link(path: Any) -> str:
    """Address of a file as a page from disk can open it; '' for what is no absolute path."""
    text = str(path if path is not None else "")
    if text.startswith(("http://", "https://")):
        return text
    # There a backslash is part of a name, or begins an escape of the store.
    if text.startswith("/"):
        return "file://" + quote(os.fsencode(on_disk(text)), safe="/:")
    if not re.match(r"[A-Za-z]:[\\/]", text):
        return ""
    data = text.replace("\\", "/").encode("utf-8", "surrogateescape")
    return "file:///" + quote(data, safe="/:")


def capitalised(text: Any) -> str:
    """Clean text with a capital first letter."""
    out = words.clean(text)
    return out[:1].upper() + out[1:]


def _known(function: Callable[..., Any]) -> Callable[..., Any]:
    """The function, given None where the profile has nothing."""

    def filtered(*values: Any) -> Any:
        return function(*(None if isinstance(v, jinja2.Undefined) else v for v in values))

    return filtered


class _TemplateCache(jinja2.FileSystemBytecodeCache):
    """Compiled templates in a folder; a full disk costs nothing but the time to compile them again."""

    def dump_bytecode(self, bucket: Any) -> None:
        """Write one, where that can be done."""
        with contextlib.suppress(OSError):
            super().dump_bytecode(bucket)


def _compiled() -> jinja2.BytecodeCache | None:
    """Where compiled templates are kept, as Python keeps its modules: beside them, where that may be
    written. Compiling them takes a fifth of a second."""
    kept = Path(__file__).parent / "templates" / "__pycache__"
    try:
        kept.mkdir(exist_ok=True)
    except OSError:
        return None
    return _TemplateCache(str(kept)) if os.access(kept, os.W_OK) else None


_OWN: Final[tuple[Callable[..., Any], ...]] = (
    *(between, capitalised, evidence, fault),
    *(figures, link, sentence, shown, stops_between),
)
_ROOMS: Final = (charts, first_screen, iso_words, scales, sentences, summary, words)
"""Modules whose public functions templates call by name beside `_OWN`, as filters or as functions."""


class _Templates(jinja2.Environment):
    """Templates that look for `entry.key` among a dict's keys first, where nearly all of them are."""

    def getattr(self, obj: Any, attribute: str) -> Any:
        """What `entry.key` stands for."""
        if isinstance(obj, dict) and attribute in obj:
            return obj[attribute]
        return super().getattr(obj, attribute)


@cache
def environment() -> jinja2.Environment:
    """The templates, with escaping and the functions that they use."""
    env = _Templates(
        loader=jinja2.PackageLoader("auditor.report", "templates"),
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.ChainableUndefined,
        bytecode_cache=_compiled(),
    )  # fmt: skip
    public = {name: getattr(room, name) for room in _ROOMS for name in room.__all__}
    found = public | {function.__name__: function for function in _OWN}
    functions = {name: _known(f) for name, f in found.items() if isfunction(f)}
    # The templates' own `join` stays what it is.
    env.filters |= {name: f for name, f in functions.items() if name != "join"}
    env.globals |= functions | {"zones": ZONES, "nameless_body": summary.NAMELESS_BODY}
    return env
