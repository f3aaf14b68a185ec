"""What is known of one frame, and how it lies in the store.

The records are in `frame`; `rows` has the store's columns, turns a record into a row and a row into the
JSON object of the command line. What was not measured is None in a record, null in JSON
and missing in the table, never 0.
"""

from auditor.record.dust_map import *
from auditor.record.frame import *
from auditor.record.rows import *
