"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from auditor.cli_frame import Amount, Folder, Name
from auditor.engine.options import ScanOptions
from auditor.infer.criteria import Criteria
from auditor.settings.tags import STARS

__all__ = [
    "at_least",
    "inferring",
    "limits",
    "out",
    "scanning",
    "strict",
    "without_folders",
    "workers",
]

# Heavy imports stay inside the commands: `auditor --help` answers at once.
KINDS: Final = ("raw", "camera", "edited", "resized", "unknown")
"""Kinds of file, as the settings room names them."""

SCAN: Final = ScanOptions()
USUAL: Final = Criteria()
MOST_WORKERS: Final = 256
"""More is a slip of the keyboard."""
LEAST_MEMORY_MB: Final = 100
"""With less no decoder starts."""
MOST: Final = 1e6
"""Upper end of amounts (seconds, megapixels): what is beyond is a slip of the keyboard."""

F = TypeVar("F", bound=Callable[..., Any])


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Several options as one, in the order in which `--help` is to list them."""

    def wrap(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return wrap


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
megapixels = click.option(
    "--max-megapixels",
    type=Amount(MOST),
    default=SCAN.max_pixels / 1e6,
    show_default=True,
    help="Set larger pictures aside from their header.",
)
limits = together(
    click.option(
        "--seconds-per-file",
        type=Amount(MOST),
        default=SCAN.seconds_per_file,
        show_default=True,
        help="Set a file aside when it takes longer.",
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
    megapixels,
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


without_folders = leave_out("folder", "folders", "of this name or pattern, whatever lies in them")
at_least = click.option(
    "--at-least",
    type=click.FloatRange(0, 1),
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
        type=click.Path(path_type=Path, exists=True, dir_okay=False),
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
    click.option("--phones", is_flag=True, help="Phones count like other cameras."),
    click.option("--pin-sharp", type=float, default=USUAL.pin_sharp, show_default=True),
    click.option("--acceptable", type=float, default=USUAL.acceptable, show_default=True),
    click.option("--snr-excellent", type=float, default=USUAL.snr_excellent, show_default=True),
    click.option("--snr-acceptable", type=float, default=USUAL.snr_acceptable, show_default=True),
    click.option(
        "--output-megapixels",
        type=float,
        default=USUAL.output_megapixels,
        show_default=True,
        help="Output size at which noise is judged and bodies are compared.",
    ),
    click.option(
        "--print-width",
        "print_cm",
        type=float,
        multiple=True,
        metavar="CM",
        help="Long side of a print for which differences are told visible or not; may be given "
        f"several times.  [default: {', '.join(f'{w:g}' for w in USUAL.print_cm)}]",
    ),
    click.option(
        "--viewing-distance",
        "viewing_cm",
        type=float,
        default=USUAL.viewing_cm,
        show_default=True,
        metavar="CM",
        help="Distance from which prints are looked at.",
    ),
    click.option(
        "--accept",
        multiple=True,
        metavar="BODY:ISO:BAND",
        help="Noise that you accept on a body you know; gives the table for the others.",
    ),
)
