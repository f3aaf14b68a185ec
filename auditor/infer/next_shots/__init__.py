"""What to shoot next: the few test frames that would settle most of what an archive leaves open."""

from auditor.infer.next_shots.rank import next_shots, open_note
from auditor.infer.next_shots.series import body_requests, lens_series

__all__ = ["body_requests", "lens_series", "next_shots", "open_note"]
