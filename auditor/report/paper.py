"""What page and card share: templates with escaping, style sheets, packed data, set-off figures."""

from __future__ import annotations

import base64
import gzip
import json
import re
from functools import cache
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup, escape

from auditor.record import ZONES
from auditor.report import words
from auditor.report.summary import NAME_END, NAME_START

__all__ = ["environment", "figures", "pack", "static"]


def static(name: str) -> str:
    return resources.files("auditor.report").joinpath("static", name).read_text("utf-8")


def pack(value: Any) -> Markup:
    """JSON or text, compressed to base64: safe inside a script element whatever it holds."""
    text = value if isinstance(value, str) else json.dumps(value, separators=(",", ":"))
    data = gzip.compress(text.encode("utf-8", "replace"), 6, mtime=0)
    return Markup(base64.b64encode(data).decode("ascii"))


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


@cache
def environment() -> jinja2.Environment:
    env = jinja2.Environment(
        loader=jinja2.PackageLoader("auditor.report", "templates"),
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.ChainableUndefined,
    )  # fmt: skip
    env.filters |= {
        "figures": figures, "clean": words.clean, "shorten": words.shorten,
        "aperture": words.aperture, "focal": words.focal, "percent": words.percent,
        "iso": words.iso, "shutter": words.shutter, "number": words.number,
    }  # fmt: skip
    env.globals |= {"count": words.count, "aperture_range": words.aperture_range, "zones": ZONES}
    return env
