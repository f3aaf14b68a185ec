"""What did the filter, the converter, the crop mode, the focus method cost?

The path inside: frames to labels (`labels`), labels to pairs of one scene (`pairs`, `scale`, `choose`,
`small`, `likeness`), pairs to differences (`sharp` and `paired`, `light`, `colour` and `tint`, `crop`, `focus`),
differences to words (`verdict`); `compare` joins them, `shots` says which pairs are missing.
"""

from __future__ import annotations

from auditor.infer.comparisons.compare import compare_labels
from auditor.infer.comparisons.hyperfocal import focus_table, infinity_loss
from auditor.infer.comparisons.labels import label_sets, labels_from_csv, unmatched
from auditor.infer.comparisons.shots import pairs_to_shoot

__all__ = [
    "compare_labels",
    "focus_table",
    "infinity_loss",
    "label_sets",
    "labels_from_csv",
    "pairs_to_shoot",
    "unmatched",
]
