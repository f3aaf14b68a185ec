"""Batch auditor of a photo archive: which settings gave the best frames, per lens and per body.

The library is five functions; tables are pandas DataFrames, a row per frame.

>>> import auditor
>>> dir(auditor)
['load', 'measure', 'profile', 'report', 'scan']

A photograph travels through the rooms in this order: it is found (`crawl`), identified (`settings`),
measured (`measure`), remembered (`store`), compared (`infer`) and reported (`report`).
`engine` carries frames through the first four in parallel; `artificial` draws frames with known truth.
The five functions stand in `library`; the command line is made of them.
"""

# Nothing is imported here but what Python has loaded by itself: for `python -m auditor` the current folder
# is still on the search path, and a file there that is named like a library must not run.
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from auditor.library import load, measure, profile, report, scan

__version__ = "0.25.0"
__all__ = ["load", "measure", "profile", "report", "scan"]


class _Library(type(sys)):  # type: ignore[misc]  # the module type, without importing `types`
    """`auditor.measure` and `auditor.report` are functions, and rooms have these names too.

    Importing a room sets it as an attribute of its parent; here the function keeps the name. Rooms
    are reached as everywhere in this package: `from auditor.measure import ...`.
    """

    def __setattr__(self, name: str, value: "Any") -> None:
        if not (name in __all__ and isinstance(value, type(sys))):
            super().__setattr__(name, value)

    def __getattr__(self, name: str) -> "Any":
        # Only now: `import auditor` must not load the tables' libraries, nor must `auditor --help`.
        if name in __all__:
            from auditor import library

            return getattr(library, name)
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

    def __dir__(self) -> list[str]:
        return list(__all__)


sys.modules[__name__].__class__ = _Library
