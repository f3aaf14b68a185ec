"""A chart, lens, body or comparison that can't be shown costs itself alone, and is named on the page."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from contextvars import ContextVar
from typing import Any, Final, TypeVar

from auditor.model import Fault, fault_of

__all__ = ["chart_alone", "render_alone"]

F = TypeVar("F", bound=Callable[..., Any])

_failed: ContextVar[list[Fault] | None] = ContextVar("failed", default=None)
_PARTS: Final = {
    "lenses": "lens",
    "bodies": "body",
    "comparisons": "label",
    "iso_matches": "body",
    "keepers": "path",
    "settings": "setting",
    "handheld": "lens",
    "habits": "text",
    "next_shots": "why",
    "accepted": "accepted",
}
"""Lists of the profile, and what names one of their entries."""


def chart_alone(what: str) -> Callable[[F], F]:
    """A function that prepares the chart of its first argument, a lens or body of the profile: where it
    fails there is no chart (None)."""

    def wrap(function: F) -> F:
        @functools.wraps(function)
        def safe(entry: Any, *args: Any, **more: Any) -> Any:
            failed = _failed.get()
            if failed is None:  # nobody would report it
                return function(entry, *args, **more)
            try:
                return function(entry, *args, **more)
            except Exception as error:
                failed.append(fault_of(_name(entry), what, error))
                return None

        return safe  # type: ignore[return-value]

    return wrap


def _name(entry: Any, kind: str | None = None) -> str:
    if not isinstance(entry, Mapping):
        return "an entry that is none"
    for key in (kind,) if kind else ("lens", "body", "focal_mm"):
        if entry.get(key):
            return f"{key} {entry[key]}"
    return f"{kind or 'a lens or body'} without a name"


def render_alone(render: Callable[[Any], str], profile: dict[str, Any], what: str) -> str:
    """`render(profile)`; entries of the profile that break it are left out and named under `faults`,
    which `profile` has afterwards. Raises what is raised whatever is left out."""
    token = _failed.set([])
    try:
        try:
            text = render(profile)
        except Exception as error:
            left, faults = _without_culprits(render, profile, what)
            if not faults:
                raise error
            profile["faults"] = [*(profile.get("faults") or ()), *faults]
            text = render(left | {"faults": profile["faults"]})
        failed = _failed.get()
        if failed:  # named on the page itself
            known = profile.get("faults") or []
            profile["faults"] = [*known, *(f for f in failed if f not in known)]
            text = render(profile)
        return text
    finally:
        _failed.reset(token)


def _without_culprits(
    render: Callable[[Any], str], profile: dict[str, Any], what: str
) -> tuple[dict[str, Any], list[Fault]]:
    """(the profile without the entries that can't be rendered, what they are)."""
    bare = profile | {key: [] for key in _PARTS}
    left, faults = dict(profile), []
    for key, kind in _PARTS.items():
        kept = []
        for entry in profile.get(key) or ():
            try:
                render(bare | {key: [entry]})
                kept.append(entry)
            except Exception as error:
                faults.append(fault_of(_name(entry, kind), what, error))
        left[key] = kept
    return left, faults
