"""What did the filter, the converter, the crop mode, the focus method cost?

The path inside: frames to labels (`labels`), labels to pairs of one scene (`pairs`, `choose`,
`small_pictures`), pairs to differences (`sharp`, `colour` and `tint`,
`hyperfocal`), differences to words and to the pairs that are missing (`verdict`); `compare` joins them, and them with
what curves say of a converter.
"""

from __future__ import annotations

from auditor.infer.comparisons.compare import compare_labels, one_answer
from auditor.infer.comparisons.hyperfocal import focus_table
from auditor.infer.comparisons.labels import label_sets, labels_from_csv, unmatched
from auditor.infer.comparisons.verdict import pairs_to_shoot

__all__ = [
    "compare_labels",
    "focus_table",
    "label_sets",
    "labels_from_csv",
    "one_answer",
    "pairs_to_shoot",
    "unmatched",
]
