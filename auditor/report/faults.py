"""A lens, body or comparison that can't be shown costs itself alone, and is named on the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from auditor.model import Fault, Profile, fault_of

__all__ = ["render_alone"]

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


def render_alone(render: Callable[[Profile], str], profile: Profile, what: str) -> str:
    """`render(profile)`; entries of the profile that break it are left out and named under `faults`,
    which `profile` has afterwards. Raises what is raised whatever is left out."""
    try:
        return render(profile)
    except Exception:
        left, faults = _without_culprits(render, profile, what)
        if not faults:
            raise
        profile["faults"] = [*(profile.get("faults") or ()), *faults]
        return render({**left, "faults": profile["faults"]})


def _without_culprits(
    render: Callable[[Profile], str], profile: Profile, what: str
) -> tuple[Profile, list[Fault]]:
    """(the profile without the entries that can't be rendered, what they are)."""
    left: Any = {**profile}
    bare: Any = {**profile, **{key: [] for key in _PARTS}}
    faults = []
    for key, kind in _PARTS.items():
        entries, left[key] = left.get(key) or (), []
        for entry in entries:
            try:
                render(bare | {key: [entry]})
                left[key].append(entry)
            except Exception as error:
                name = entry.get(kind) if isinstance(entry, Mapping) else None
                part = f"{kind} {name}" if name else f"{kind} without a name"
                faults.append(fault_of(part, what, error))
    return left, faults
