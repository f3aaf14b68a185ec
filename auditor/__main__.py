"""`python -m auditor` is the command `auditor`."""

# Before anything else is imported: what lies in the current folder must not be.
from auditor.safe_path import leave_out_current_folder

leave_out_current_folder()

import os  # noqa: E402

# What is solved here is small and there is one process per core: threads of the algebra library would
# do nothing but wait for each other. They are set when that library is loaded.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from auditor.cli import main  # noqa: E402

if __name__ == "__main__":
    main()
