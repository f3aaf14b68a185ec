"""What to shoot next: the few test frames that would settle most of what an archive leaves open."""

from auditor.infer.next_shots.rank import next_shots, open_note

__all__ = ["next_shots", "open_note"]
