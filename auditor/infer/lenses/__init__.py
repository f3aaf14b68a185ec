"""Every lens of an archive: what it can do at each aperture, and how surely that is known.

`infer_lenses` gives the `lenses` of the profile. The path inside: frames to columns (`table`) and
groups (`grouping`), groups to arrays (`curve_data`), arrays to a curve (`physics`, `excess`, `fit`), curve
to intervals (`intervals`), ranges (`ranges`) and words (`evidence`, `describe`).
"""

from __future__ import annotations

from auditor.infer.lenses.infer import infer_lenses, infer_without

__all__ = ["infer_lenses", "infer_without"]
