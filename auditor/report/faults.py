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
    "changes": "text",
    "focus_bias": "text",
    "dust": "text",
}
"""Lists of the profile, and what names one of their entries."""


def render_alone(render: Callable[[Profile], str], profile: Profile, what: str) -> str:
    """Render a profile; entries that break the rendering are left out.

    Parameters
    ----------
    render : callable
        From a profile to text.
    profile : Profile
        Its key `faults` names afterwards what was left out.
    what : str
        What is rendered, for the faults.

    Returns
    -------
    str
        What `render` gives.

    Raises
    ------
    Exception
        What `render` raises whatever is left out.
    """
    try:
        return render(profile)
    except Exception:
        kept, faults = _without_faulty(render, profile, what)
        if not faults:
            raise
        profile["faults"] = [*(profile.get("faults") or ()), *faults]
        return render({**kept, "faults": profile["faults"]})


def _without_faulty(
    render: Callable[[Profile], str], profile: Profile, what: str
) -> tuple[Profile, list[Fault]]:
    """(the profile without the entries that can't be rendered, what they are)."""
    kept: Any = {**profile}
    empty: Any = {**profile, **{key: [] for key in _PARTS}}
    faults = []
    for key, kind in _PARTS.items():
        entries, kept[key] = kept.get(key) or (), []
        for entry in entries:
            try:
                render(empty | {key: [entry]})
                kept[key].append(entry)
            except Exception as error:
                name = entry.get(kind) if isinstance(entry, Mapping) else None
                part = f"{kind} {name}" if name else f"{kind} without a name"
                faults.append(fault_of(part, what, error))
    return kept, faults
