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
    empty: Any = {**profile, **{key: [] for key in _PARTS}}
    render(empty)  # what breaks whatever is left out is no entry's fault
    faults: list[Fault] = []

    def sound(key: str, entries: list[Any]) -> list[Any]:
        """Those that can be rendered, sought by halves: there may be thousands."""
        try:
            render(empty | {key: entries})
            return entries
        except Exception as error:
            if len(entries) > 1:
                middle = len(entries) // 2
                return [*sound(key, entries[:middle]), *sound(key, entries[middle:])]
            name = entries[0].get(_PARTS[key]) if isinstance(entries[0], Mapping) else None
            part = f"{_PARTS[key]} {name}" if name else f"{_PARTS[key]} without a name"
            faults.append(fault_of(part, what, error))
            return []

    kept: Any = {**profile}
    for key in _PARTS:
        entries = list(kept.get(key) or ())
        kept[key] = sound(key, entries) if entries else []
    return kept, faults
