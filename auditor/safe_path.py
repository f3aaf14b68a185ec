"""Modules are looked for where Python and the program are installed, never in the current folder.

The current folder of somebody who audits pictures is often a folder of downloads; a file there that is
named like a library must not run. Python puts it on its search path for `python -m`, for `-c`, and for
every empty element of PYTHONPATH. Nothing is imported here but what Python has loaded by itself.
"""

import os
import sys

__all__ = ["ENVIRONMENT", "leave_out_current_folder", "search_path"]

ENVIRONMENT = {"PYTHONSAFEPATH": "1"}
"""Passed to every process started from here (Python's option -P)."""

_OF_PYTHON = ("site-packages", "dist-packages", "lib-dynload")


def search_path() -> list[str]:
    """`sys.path` without the current folder, unless this program or Python itself lies in it."""
    try:
        here = os.path.realpath(os.getcwd())
    except OSError:  # the folder was deleted
        return [p for p in sys.path if p]
    own = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    kept = (os.path.realpath(own), os.path.realpath(os.path.dirname(os.__file__)))
    if here in kept or os.path.basename(here) in _OF_PYTHON:
        return [p for p in sys.path if p]
    return [p for p in sys.path if p and os.path.realpath(p) != here]


def leave_out_current_folder() -> None:
    """Have this process, and all that it starts, look for no module in the current folder."""
    sys.path[:] = search_path()
    os.environ.update(ENVIRONMENT)
    if given := os.environ.get("PYTHONPATH"):  # an empty element stands for the current folder
        os.environ["PYTHONPATH"] = os.pathsep.join(p for p in given.split(os.pathsep) if p)
