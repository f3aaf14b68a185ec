"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from auditor import model
from auditor.cli_frame import Amount, Folder, Name, Number, ReadFile
from auditor.engine.options import ScanOptions
from auditor.infer.criteria import Criteria
from auditor.settings.tags import STARS

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

__all__ = [
    "at_least",
    "inferring",
    "limits",
    "out",
    "scanning",
    "strict",
    "taken",
    "without_folders",
    "workers",
]

# Heavy imports stay inside the commands: `auditor --help` answers at once.
KINDS: Final = ("raw", "camera", "edited", "resized", "unknown")
"""Kinds of file, as the settings room names them."""

SCAN: Final = ScanOptions()
USUAL: Final = Criteria()
_CRITERIA: Final = model.schema_of(model.Criteria, "")["properties"]
MOST_WORKERS: Final = 256
"""More is a slip of the keyboard."""
LEAST_MEMORY_MB: Final = 100
"""With less no decoder starts."""
MOST: Final = 1e6
"""Upper end of amounts (seconds, megapixels): what is beyond is a slip of the keyboard."""

F = TypeVar("F", bound=Callable[..., Any])
T = TypeVar("T", bound="DataclassInstance")


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Several options as one, in the order in which `--help` is to list them."""

    def wrap(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return wrap


def taken(kind: type[T], given: dict[str, Any], **more: Any) -> T:
    """An object made of those options that bear the names of its fields; `given` lacks them afterwards."""
    named = {f.name: given.pop(f.name) for f in fields(kind) if f.name in given}
    return kind(**named, **more)


out = click.option(
    "--out",
    required=True,
    type=Folder(),
    help="Folder for the profile, the report and the measurement store; never inside an archive.",
)
workers = click.option(
    "--workers",
    type=click.IntRange(1, MOST_WORKERS),
    default=None,
    help="Worker processes; one per core when not given.",
)
limits = together(
    click.option(
        "--seconds-per-file",
        type=Amount(MOST),
        default=SCAN.seconds_per_file,
        show_default=True,
        help="Set a file aside when it takes more time of a core.",
    ),
    click.option(
        "--memory-per-file",
        "memory_mb",
        type=click.IntRange(LEAST_MEMORY_MB, 10**7),
        default=SCAN.memory_mb,
        show_default=True,
        metavar="MB",
        help="Set a file aside when its worker wants more memory.",
    ),
    click.option(
        "--max-megapixels",
        "max_pixels",
        type=Amount(MOST),
        default=SCAN.max_pixels / 1e6,
        show_default=True,
        callback=lambda context, option, megapixels: round(megapixels * 1e6),
        help="Set larger pictures aside from their header.",
    ),
)


def leave_out(one: str, many: str, which: str) -> Callable[[F], F]:
    """An option that may be given again, for names of what is not looked at."""
    return click.option(
        f"--without-{one}",
        f"without_{many}",
        type=Name(),
        multiple=True,
        metavar="NAME",
        help=f"Leave out {many} {which}; may be given again.",
    )


def criterion(
    option: str, field: str | None = None, multiple: bool = False, **more: Any
) -> Callable[[F], F]:
    """An option for a threshold, which is described where the profile is."""
    name = field or option.replace("-", "_")
    return click.option(
        f"--{option}",
        name,
        type=float,
        default=getattr(USUAL, name),
        show_default=True,
        help=f"{_CRITERIA[name]['description'].capitalize()}{'; may be given again' * multiple}.",
        multiple=multiple,
        **more,
    )


without_folders = leave_out("folder", "folders", "of this name or pattern, whatever lies in them")
at_least = click.option(
    "--at-least",
    type=Number(0, 1),
    default=0.0,
    metavar="SHARE",
    help="Only frames of which the program is so sure, from 0 to 1.",
)
strict = click.option(
    "--strict", is_flag=True, help="End with exit code 3 when files were set aside or not read."
)
scanning = together(
    workers,
    click.option(
        "--cluster", type=Name(), metavar="ADDRESS", help="Dask scheduler that takes the batches."
    ),
    click.option("--retry", is_flag=True, help="Try files again that were set aside before."),
    limits,
)
inferring = together(
    click.option(
        "--rating", type=click.IntRange(1, STARS[1]), help="Only keepers of so many stars or more."
    ),
    click.option("--since", metavar="DATE", help="Only frames taken on or after this date."),
    click.option(
        "--body", type=Name(), metavar="NAME", help="Only bodies whose name contains this."
    ),
    click.option(
        "--lens", type=Name(), metavar="NAME", help="Only lenses whose name contains this."
    ),
    click.option(
        "--labels",
        "labels_csv",
        type=ReadFile(),
        help="CSV of path patterns and labels (pattern,label), for filters and habits.",
    ),
    leave_out("body", "bodies", "whose name contains this"),
    leave_out("lens", "lenses", "whose name contains this"),
    click.option(
        "--without-kind",
        "without_kinds",
        type=click.Choice(KINDS),
        multiple=True,
        help="Leave out this kind of file; may be given again.",
    ),
    without_folders,
    click.option(
        "--phones",
        is_flag=True,
        help="Phones, and drones and others as small with one aperture, count like other cameras.",
    ),
    criterion("pin-sharp"),
    criterion("acceptable"),
    criterion("snr-excellent"),
    criterion("snr-acceptable"),
    criterion("output-megapixels"),
    criterion("print-width", "print_cm", multiple=True, metavar="CM"),
    criterion("viewing-distance", "viewing_cm", metavar="CM"),
    click.option(
        "--accept",
        multiple=True,
        metavar="BODY:ISO:BAND",
        help="Noise that you accept on a body you know; gives the table for the others.",
    ),
)
