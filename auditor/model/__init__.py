"""What a profile is made of: the objects of `profile.json` as typed dictionaries.

The JSON Schema is made from these (`schema.schema_of`). A key is described where its name does not say it all. What
could not be measured is None, never 0. Units stand in the keys: mm, um (micrometres), cpp (cycles per pixel),
ev100 (stops at ISO 100). Further keys may be there.
"""

from auditor.model.body import *
from auditor.model.decisions import *
from auditor.model.lens import *
from auditor.model.profile import *
from auditor.model.schema import schema_of as schema_of
