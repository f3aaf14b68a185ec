"""Tags to settings: body, lens, converter, exposure, pixel pitch, kind of file."""

from auditor.settings.read import Tags, read_settings, read_tags
from auditor.settings.reconcile import reconcile

__all__ = ["Tags", "read_settings", "read_tags", "reconcile"]
