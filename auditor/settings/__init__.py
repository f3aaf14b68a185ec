"""Tags to settings: body, lens, converter, exposure, pixel pitch, kind of file."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from auditor.settings.agreement import reconcile, reconcile_kinds
    from auditor.settings.kinds import settle
    from auditor.settings.read import FileTags, read_settings, read_tags

__all__ = ["FileTags", "read_settings", "read_tags", "reconcile", "reconcile_kinds", "settle"]


def __getattr__(name: str) -> Any:
    # Decoders read tags and must not load the tables' libraries; tables need no tags.
    if name in __all__:
        module = ".agreement" if name.startswith("reconcile") else ".read"
        module = ".kinds" if name == "settle" else module
        return getattr(import_module(module, __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
