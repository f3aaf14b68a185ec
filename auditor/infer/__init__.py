"""Store to profile: what the frames of an archive say about lenses, bodies and habits.

Inference knows nothing of pixels: it reads the frame table (after `crawl.relate` and
`settings.reconcile`) and returns the plain dicts of the profile.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from auditor.infer.criteria import Criteria

if TYPE_CHECKING:
    from auditor.infer.profile import build_profile

__all__ = ["Criteria", "build_profile"]


def __getattr__(name: str) -> Any:
    # Criteria are checked before a scan begins, which must not wait for the libraries of inference.
    if name == "build_profile":
        from auditor.infer.profile import build_profile

        return build_profile
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
