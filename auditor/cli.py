"""The command line: arguments, progress and exit codes; everything else lies in the rooms behind."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import closing
from importlib.util import find_spec
from pathlib import Path
from typing import Any, TypeVar

import click

from auditor import __version__
from auditor.cli_frame import Amount, Commands, Folder, Name, fail, voice

__all__ = ["main"]

# Heavy imports stay inside the commands: `auditor --help` answers at once.

SET_ASIDE = 3
"""Exit code: done, but some files were set aside."""

F = TypeVar("F", bound=Callable[..., Any])


def _together(*options: Callable[[F], F]) -> Callable[[F], F]:
    def wrap(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return wrap


_out = click.option(
    "--out",
    required=True,
    type=Folder(),
    help="Folder for the profile, the report and the measurement store; never inside an archive.",
)
_workers = click.option(
    "--workers",
    type=click.IntRange(1, 256),
    default=None,
    help="Worker processes; one per core when not given.",
)
_megapixels = click.option(
    "--max-megapixels",
    type=Amount(1e6),
    default=300.0,
    show_default=True,
    help="Set larger pictures aside from their header.",
)
_limits = _together(
    click.option(
        "--seconds-per-file",
        type=Amount(1e6),
        default=60.0,
        show_default=True,
        help="Set a file aside when it takes longer.",
    ),
    click.option(
        "--memory-per-file",
        "memory_mb",
        type=click.IntRange(100, 10**7),
        default=4000,
        show_default=True,
        metavar="MB",
        help="Set a file aside when its worker wants more memory.",
    ),
    _megapixels,
)
_scanning = _together(
    _workers,
    click.option(
        "--cluster", type=Name(), metavar="ADDRESS", help="Dask scheduler that takes the batches."
    ),
    click.option("--retry", is_flag=True, help="Try files again that were set aside before."),
    _limits,
)
_inferring = _together(
    click.option(
        "--rating", type=click.IntRange(1, 5), help="Only keepers of so many stars or more."
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
    click.option("--pin-sharp", type=float, default=0.75, show_default=True),
    click.option("--acceptable", type=float, default=0.60, show_default=True),
    click.option("--snr-excellent", type=float, default=40.0, show_default=True),
    click.option("--snr-acceptable", type=float, default=10.0, show_default=True),
    click.option(
        "--output-megapixels",
        type=float,
        default=8.0,
        show_default=True,
        help="Output size at which noise is judged and bodies are compared.",
    ),
    click.option(
        "--accept",
        multiple=True,
        metavar="BODY:ISO:BAND",
        help="Noise that you accept on a body you know; gives the table for the others.",
    ),
)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def main() -> None:
    """Audit a photo archive: which settings gave the best frames, per lens and per body.

    The archive is only read, never changed.
    """


@main.command()
@click.argument("archives", nargs=-1, required=True, type=Name())
@_out
@_scanning
@_inferring
def run(archives: tuple[str, ...], out: Path, **options: Any) -> None:
    """Scan ARCHIVES, infer the gear profile and write the report. Run again, it resumes."""
    scan_options, infer_options = _split(options)
    target = _prepared(out, archives)
    _outlive_terminal(target)
    summary = _scan(archives, target, scan_options, profile_follows=True)
    profile = _profile(target, infer_options, archives)
    known = set(summary.notices)
    summary.notices += [n for n in profile["notices"] if n not in known]
    _close(profile, target, [*summary.notice_lines(), *summary.set_aside_lines()])
    sys.exit(SET_ASIDE if profile["frames"]["set_aside"] or profile["unread_folders"] else 0)


@main.command()
@click.argument("archives", nargs=-1, required=True, type=Name())
@_out
@_scanning
def scan(archives: tuple[str, ...], out: Path, **options: Any) -> None:
    """Only measure: bring the store up to date with ARCHIVES."""
    target = _prepared(out, archives)
    _outlive_terminal(target)
    summary = _scan(archives, target, options)
    for line in [*summary.notice_lines(), *summary.set_aside_lines()]:
        voice.say(line)
    sys.exit(SET_ASIDE if summary.set_aside or summary.unread else 0)


@main.command()
@_out
@_inferring
def profile(out: Path, **options: Any) -> None:
    """Only infer: make profile and report again from the store, without reading a picture."""
    _need_store(out)
    _outlive_terminal(out)
    made = _profile(out, _infer_options(options))
    _close(made, out, [f"note: {n}" for n in made["notices"]])


@main.command()
@click.argument("files", nargs=-1, required=True, type=Name())
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, in the order given.")
@_workers
@_limits
def measure(files: tuple[str, ...], as_json: bool, **options: Any) -> None:
    """Measure single FILES and print what was found."""
    from auditor.console import frame_line, frame_lines
    from auditor.engine import ScanOptions, measure_files

    set_aside = 0
    limits = ScanOptions(
        seconds_per_file=options["seconds_per_file"],
        memory_mb=options["memory_mb"],
        max_pixels=round(options["max_megapixels"] * 1e6),
    )
    with closing(measure_files(list(files), workers=options["workers"], options=limits)) as rows:
        for row in rows:
            set_aside += row["status"] != "measured"
            for line in [frame_line(row)] if as_json else frame_lines(row):
                voice.say(line)
    sys.exit(SET_ASIDE if set_aside else 0)


@main.command()
@_out
def keepers(out: Path) -> None:
    """List frames softer or noisier than their settings had to be, a line each, for piping."""
    from auditor.report import keeper_lines

    for line in keeper_lines(_read_profile(out)):
        voice.say(line)


@main.command()
@_out
@click.option("--mend", is_flag=True, help="Set damaged parts apart; a run measures them again.")
def verify(out: Path, mend: bool) -> None:
    """Check that the measurement store is whole, or mend what can be mended."""
    from auditor.store import Store, StoreError

    _need_store(out)
    try:
        store = Store(out / "store")
        for line in store.mend() if mend else []:
            voice.say(line)
        problems = store.verify()
    except StoreError as error:
        fail(str(error), 1)
    for line in problems:
        voice.say(line)
    many = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
    voice.say(many if problems else "the store is whole")
    sys.exit(1 if problems else 0)


def _split(options: dict[str, Any]) -> tuple[dict[str, Any], Any]:
    names = (
        *("workers", "cluster", "retry"),
        *("seconds_per_file", "memory_mb", "max_megapixels"),
    )
    scanning = {n: options.pop(n) for n in names}
    return scanning, _infer_options(options)


def _infer_options(options: dict[str, Any]) -> Any:
    from auditor.audit import InferOptions
    from auditor.infer.criteria import Criteria

    names = ("pin_sharp", "acceptable", "snr_excellent", "snr_acceptable", "output_megapixels")
    try:
        criteria = Criteria(**{n: options.pop(n) for n in names})
        if options["accept"]:
            from auditor.infer.bodies import parse_accept

            for text in options["accept"]:
                parse_accept(text)
        if options["since"] is not None:
            from auditor.crawl.selection import start_of

            start_of(options["since"])
        if options["labels_csv"] is not None:
            options["labels_csv"].read_text(encoding="utf-8")
    except UnicodeDecodeError:
        fail(f"{options['labels_csv']} is not text in UTF-8; save it as UTF-8", 2)
    except ValueError as error:
        fail(str(error), 2)
    return InferOptions(criteria=criteria, **options)


def _prepared(out: Path, archives: tuple[str, ...]) -> Path:
    from auditor.audit import OutputError, prepare_output

    for archive in archives:
        if "://" not in archive and not Path(archive).exists():
            fail(f"there is no folder or file {archive}; check the path", 2)
    try:
        return prepare_output(out, archives)
    except OutputError as error:
        fail(str(error), 2)


def _outlive_terminal(target: Path) -> None:
    from auditor.engine.runlog import RunLog

    voice.outlive(RunLog(target / "store" / "log.txt"))


def _scan(
    archives: tuple[str, ...],
    target: Path,
    options: dict[str, Any],
    profile_follows: bool = False,
) -> Any:
    from auditor.audit import meanwhile, scan_archive
    from auditor.console import progress_display
    from auditor.engine import ScanError, ScanOptions
    from auditor.store import StoreBusy, StoreError

    try:
        with progress_display(voice) as show:
            return scan_archive(
                archives,
                target,
                workers=options["workers"],
                cluster=options["cluster"],
                options=ScanOptions(
                    seconds_per_file=options["seconds_per_file"],
                    memory_mb=options["memory_mb"],
                    max_pixels=round(options["max_megapixels"] * 1e6),
                    retry=options["retry"],
                ),
                progress=meanwhile(show) if profile_follows else show,
            )
    except (ScanError, StoreBusy, StoreError) as error:
        fail(str(error), 1)


def _profile(target: Path, options: Any, archives: tuple[str, ...] = ()) -> dict[str, Any]:
    from auditor.audit import OptionError, profile_of, write_all
    from auditor.crawl.names import shown_root
    from auditor.store import StoreError, why
    from auditor.unchanged import unless_unchanged

    store = target / "store"

    def make() -> dict[str, Any]:
        made, frames = profile_of(store, options, archives)
        write_all(made, frames, store, target)
        return made

    try:
        if not archives:  # somebody asks for nothing but a new profile
            return make()
        labels = [options.labels_csv] if options.labels_csv else []
        asked = (options, [shown_root(a) for a in archives])
        return unless_unchanged(target, asked, labels, make)
    except OptionError as error:
        fail(str(error), 2)
    except (StoreError, ValueError) as error:
        fail(str(error), 1)
    except OSError as error:
        fail(f"the report can't be written to {target} ({why(error)}); what was there is kept", 1)


def _close(made: dict[str, Any], target: Path, more: list[str]) -> None:
    from auditor.report import summary_lines

    if made["frames"]["found"]:
        try:
            more = [*summary_lines(made), *more]
        except Exception as error:  # profile and page are there; they say it all
            more = [f"note: the summary cannot be told here ({type(error).__name__})", *more]
    else:
        voice.say("No pictures were found there; check that the folder is the right one.")
    for line in [*more, *_without_database()]:
        voice.say(line)
    voice.say(f"Report: {target / 'report.html'}")


def _without_database() -> list[str]:
    """What to say where sensor sizes can't be looked up; the library is not loaded to see that."""
    if find_spec("lensfunpy") is not None:
        return []
    return [
        "Sensor sizes come from tags alone: the library with their database, lensfunpy, is not here."
    ]


def _need_store(out: Path) -> None:
    if not (out / "store").is_dir():
        fail(f"no measurement store in {out}; run `auditor run ARCHIVE --out {out}` first", 2)


def _read_profile(out: Path) -> dict[str, Any]:
    import json

    path = out / "profile.json"
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError:
        fail(f"no profile in {out}; run `auditor run ARCHIVE --out {out}` first", 2)
    except ValueError:
        fail(f"{path} is damaged; `auditor profile --out {out}` makes it again", 1)
