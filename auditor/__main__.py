"""`python -m auditor` is the command `auditor`."""

# Before anything else is imported: what lies in the current folder must not be.
from auditor.safe_path import leave_out_current_folder

leave_out_current_folder()

from auditor.cli import main  # noqa: E402

if __name__ == "__main__":
    main()
