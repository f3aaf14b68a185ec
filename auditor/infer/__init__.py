"""Store to profile: what the frames of an archive say about lenses, bodies and habits.

Inference knows nothing of pixels: it reads the frame table (after `crawl.relate` and
`settings.reconcile`) and returns the plain dicts of the profile.
"""

from __future__ import annotations

from auditor.infer.criteria import Criteria
from auditor.infer.profile import build_profile

__all__ = ["Criteria", "build_profile"]
