"""Frames that fell short in the terminal, one line each, made to be filtered and piped."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from auditor.report import words

HEADER = "path\tfault\tcause\tprobability\tmeasured_cpp\texpected_cpp\tevidence"


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
    """The evidence for a cause as one sentence."""
    found = keeper.get("evidence")
    if isinstance(found, list | tuple):
        return "; ".join(words.clean(f) for f in found if f)
    return words.clean(found)


def wanted_keepers(
    profile: Mapping[str, Any],
    causes: Sequence[str] = (),
    lens: str | None = None,
    folder: str | None = None,
    at_least: float = 0.0,
) -> list[Mapping[str, Any]]:
    """Listed frames with one of the causes, a lens whose name contains `lens`, in `folder` (a path,
    or the name of a folder at any depth), of which the program is sure to `at_least`."""
    wanted = {c.strip().casefold() for c in causes}
    found = []
    for keeper in profile.get("keepers") or ():
        path = str(keeper.get("path") or "")
        name = words.clean((keeper.get("settings") or {}).get("lens")).casefold()
        inside = folder is None or f"/{folder.strip('/')}/" in f"/{path.strip('/')}"
        sure = keeper.get("probability")
        if (
            (not wanted or words.clean(keeper.get("cause")).casefold() in wanted)
            and (lens is None or lens.strip().casefold() in name)
            and inside
            and (not at_least or (sure is not None and sure >= at_least))
        ):
            found.append(keeper)
    return found


def keeper_line(keeper: Mapping[str, Any]) -> str:
    """One tab-separated line: path, fault, cause, probability, c/px measured and expected, evidence."""
    figures = [
        "" if (v := keeper.get(key)) is None else f"{v:.{digits}f}"
        for key, digits in (("probability", 3), ("measured_cpp", 4), ("expected_cpp", 4))
    ]
    cause = words.clean(keeper.get("cause")) or "not known"
    return "\t".join(
        [pipe_path(keeper.get("path")), fault(keeper), cause, *figures, evidence(keeper)]
    )
