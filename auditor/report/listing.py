"""Keepers in the terminal, one line each, made to be piped."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from auditor.report import words

__all__ = ["HEADER", "keeper_lines", "pipe_path"]

HEADER = "path\tfault\tcause\tmeasured_cpp\texpected_cpp\tevidence"


_UNSAFE = re.compile("[\\x00-\\x1f\\\\\\x7f-\\x9f\\u2028-\\u202e\\u2066-\\u2069\\ud800-\\udfff]")
"""What a terminal or a pipe would not take as part of a name."""
_SHORT = {"\t": "\\t", "\n": "\\n", "\r": "\\r", "\\": "\\\\"}


def pipe_path(path: Any) -> str:
    """A path on one line: backslash, control characters and undecodable bytes as escapes.

    `printf '%b'` turns the escapes back into the very bytes of the path.
    """

    def escape(match: re.Match[str]) -> str:
        data = match[0].encode(
            "utf-8", "surrogateescape" if "\udc80" <= match[0] <= "\udcff" else "replace"
        )
        return _SHORT.get(match[0]) or "".join(f"\\0{byte:03o}" for byte in data)

    return _UNSAFE.sub(escape, str(path if path is not None else ""))


def fault(keeper: Mapping[str, Any]) -> str:
    """'soft', 'noisy', 'soft and noisy'; 'none' when neither."""
    return words.join([k for k in ("soft", "noisy") if keeper.get(k)]) or "none"


def evidence(keeper: Mapping[str, Any]) -> str:
    """The evidence for a cause as one sentence, whatever its form in the profile."""
    found = keeper.get("evidence")
    if isinstance(found, Mapping):
        found = [f"{k.replace('_', ' ')}: {v}" for k, v in found.items() if v is not None]
    if isinstance(found, list | tuple):
        return "; ".join(words.clean(f) for f in found if f)
    return words.clean(found)


def keeper_lines(profile: Mapping[str, Any]) -> list[str]:
    """A header and one tab-separated line per keeper: path, fault, cause, c/px, evidence."""
    lines = [HEADER]
    for keeper in profile.get("keepers") or ():
        figures = [
            "" if (v := words.number(keeper.get(k))) is None else f"{v:.4f}"
            for k in ("measured_cpp", "expected_cpp")
        ]
        cause = words.clean(keeper.get("cause")) or "not known"
        lines.append(
            "\t".join(
                [pipe_path(keeper.get("path")), fault(keeper), cause, *figures, evidence(keeper)]
            )
        )
    return lines
