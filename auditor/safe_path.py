"""Modules are looked for where Python and the program are installed, never in the current folder.

The current folder of somebody who audits pictures is often a folder of downloads; a file there that is
named like a library must not run. Python puts it first on its search path for `python -m`, for `-c`, and
for every empty element of PYTHONPATH.
"""

from __future__ import annotations

import os
import sys
import sysconfig
from collections.abc import MutableMapping

__all__ = ["ENVIRONMENT", "leave_out_current_folder", "search_path"]

ENVIRONMENT = {"PYTHONSAFEPATH": "1"}
"""What every process started from here is told (Python's option -P)."""


def search_path() -> list[str]:
    """`sys.path` without the current folder, unless this program or Python itself lies in it."""
    try:
        here = os.path.realpath(os.getcwd())
    except OSError:  # the folder was deleted
        return [p for p in sys.path if p]
    own = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    kept = {os.path.realpath(p) for p in (own, *sysconfig.get_paths().values())}
    return [p for p in sys.path if p and (os.path.realpath(p) != here or here in kept)]


def leave_out_current_folder(environment: MutableMapping[str, str] = os.environ) -> None:
    """Have this process, and all that it starts, look for no module in the current folder."""
    sys.path[:] = search_path()
    environment.update(ENVIRONMENT)
    if ours := environment.get("PYTHONPATH"):  # an empty element stands for the current folder
        environment["PYTHONPATH"] = os.pathsep.join(p for p in ours.split(os.pathsep) if p)
