"""The command line: arguments, progress and exit codes; everything else lies in the rooms behind."""

from __future__ import annotations

import gc
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import auditor
from auditor import __version__, cli_lists
from auditor import cli_options as options
from auditor.cli_frame import Commands, Name, fail, need_store, terminal

if TYPE_CHECKING:
    from auditor.audit import InferOptions
    from auditor.engine import Progress, ScanSummary

__all__ = ["main"]

# Heavy imports stay inside the commands: `auditor --help` answers at once.

SET_ASIDE = 3
"""Exit code under --strict: done, but some files were set aside or some folders not read."""


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def main() -> None:
    """Audit a photo archive: which settings gave the best frames, per lens and per body.

    The archive is only read, never changed.
    """


@main.command(short_help="Scan ARCHIVES, infer, write the report.")
@click.argument("archives", nargs=-1, required=True, type=Name())
@options.out
@options.scanning
@options.inferring
@options.strict
def run(archives: tuple[str, ...], out: Path, strict: bool, **given: Any) -> None:
    """Scan ARCHIVES, infer the gear profile and write the report. Run again, it resumes."""
    infer_options = _infer_options(given)
    target = _outliving_terminal(out)
    summary = _scan(archives, out, infer_options.without_folders, profile_follows=True, **given)
    _need_pictures(summary, archives)
    profile = _profile(target, infer_options, archives, summary.notices)
    summary.notices = [*profile["notices"]]
    _close(profile, target, [*summary.notice_lines(), *summary.set_aside_lines()])
    aside = profile["frames"]["set_aside"]
    where = f"listed in {target}/tables/set_aside.csv"
    _end(aside, len(profile["unread_folders"]), len(summary.empty), strict, where)


@main.command(short_help="Only measure ARCHIVES.")
@click.argument("archives", nargs=-1, required=True, type=Name())
@options.out
@options.scanning
@options.without_folders
@options.strict
def scan(
    archives: tuple[str, ...],
    out: Path,
    without_folders: tuple[str, ...],
    strict: bool,
    **given: Any,
) -> None:
    """Only measure: bring the store up to date with ARCHIVES."""
    _outliving_terminal(out)
    summary = _scan(archives, out, without_folders, **given)
    _need_pictures(summary, archives)
    for line in [*summary.notice_lines(), *summary.set_aside_lines()]:
        terminal.to_stdout(line)
    terminal.to_stdout(f"{summary.measured:,} of {summary.found:,} files measured")
    _end(summary.set_aside, len(summary.unread), len(summary.empty), strict, "listed above")


@main.command(short_help="Only infer: profile and report from the store.")
@options.out
@options.inferring
def profile(out: Path, **given: Any) -> None:
    """Only infer: make profile and report again from the store, without reading a picture."""
    need_store(out)
    _outliving_terminal(out)
    made = _profile(out, _infer_options(given))
    _close(made, out, [f"note: {n}" for n in made["notices"]])


@main.command()
@click.argument("files", nargs=-1, required=True, type=Name())
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, in the order given.")
@options.workers
@options.limits
@options.strict
def measure(files: tuple[str, ...], as_json: bool, strict: bool, **given: Any) -> None:
    """Measure single FILES and print what was found."""
    from auditor.console import frame_line, frame_lines
    from auditor.engine import ScanOptions, measure_files
    from auditor.engine.decoder import DecoderBroken

    set_aside = 0
    limits = options.taken(ScanOptions, given)
    try:
        with closing(measure_files(list(files), options=limits, **given)) as rows:
            for row in rows:
                set_aside += row["status"] != "measured"
                for line in [frame_line(row)] if as_json else frame_lines(row):
                    terminal.to_stdout(line)
    except DecoderBroken as error:
        fail(str(error), 1)
    sys.exit(SET_ASIDE if set_aside and strict else 0)


for command in (cli_lists.list_frames, cli_lists.answer, cli_lists.sidecars):
    main.add_command(command)


@main.command(short_help="Check the store, or mend it.")
@options.out
@click.option("--mend", is_flag=True, help="Set damaged parts apart; a run measures them again.")
def verify(out: Path, mend: bool) -> None:
    """Check that the measurement store is whole, or mend what can be mended."""
    from auditor.store import Store, StoreError

    need_store(out)
    try:
        store = Store(out / "store")
        for line in store.mend() if mend else []:
            terminal.to_stdout(line)
        problems = store.verify()
    except StoreError as error:
        fail(str(error), 1)
    for line in problems:
        terminal.to_stdout(line)
    many = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
    terminal.to_stdout(many if problems else "the store is whole")
    sys.exit(1 if problems else 0)


def _end(aside: int, unread: int, empty: int, strict: bool, where: str) -> None:
    """The last line says what was set aside or not there; only --strict makes that an exit code."""
    problems = []
    if aside:
        problems.append(f"{aside:,} {'file was' if aside == 1 else 'files were'} set aside")
    if unread:
        problems.append(f"{unread:,} {'folder' if unread == 1 else 'folders'} could not be read")
    told = [f"{' and '.join(problems)}, {where}"] if problems else []
    if empty:
        told.append(f"{empty:,} of the archives held no picture, named above")
    if told:
        terminal.to_stdout(f"Done; {'; '.join(told)}.")
    sys.exit(SET_ASIDE if told and strict else 0)


def _need_pictures(summary: ScanSummary, archives: tuple[str, ...]) -> None:
    """An archive without a picture, of which nothing is known from before either, is a wrong call."""
    if summary.found or any("is the drive mounted?" in n for n in summary.notices):
        return
    where = ", ".join(archives)
    if summary.unread:
        path, reason = summary.unread[0]
        fail(f"no picture was found in {where}; not read: {path}: {reason}", 2)
    fail(f"no picture was found in {where}; check that the folder is the right one", 2)


def _infer_options(given: dict[str, Any]) -> InferOptions:
    """What was asked of the profile; `given` lacks it afterwards. Ends where it makes no sense."""
    from auditor.audit import InferOptions
    from auditor.infer.criteria import Criteria

    try:
        criteria = options.taken(Criteria, given)
        wanted = options.taken(InferOptions, given, criteria=criteria)
        # Most give neither, and what reads them takes half a second to load.
        if wanted.accept:
            from auditor.infer.bodies import parse_accept

            for text in wanted.accept:
                parse_accept(text)
        if wanted.since is not None:
            from auditor.crawl.selection import start_of

            start_of(wanted.since)
        if wanted.labels_csv is not None:
            wanted.labels_csv.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        fail(f"{wanted.labels_csv} is not text in UTF-8; save it as UTF-8", 2)
    except ValueError as error:
        fail(str(error), 2)
    return wanted


def _outliving_terminal(out: Path) -> Path:
    """From now on nobody need listen; the log lies in the output folder, whose real place is returned."""
    from auditor.open_files import RunLog
    from auditor.output import real_place

    target = real_place(out)
    terminal.outlive(RunLog(target / "store" / "log.txt"))
    return target


def _scan(
    archives: tuple[str, ...],
    out: Path,
    without_folders: Sequence[str],
    profile_follows: bool = False,
    **given: Any,
) -> ScanSummary:
    from auditor.audit import OptionError
    from auditor.console import progress_display
    from auditor.engine import ScanError, ScanOptions
    from auditor.library import NoArchiveError
    from auditor.output import OutputError
    from auditor.store import StoreBusy, StoreError

    limits = options.taken(ScanOptions, given)
    try:
        with progress_display(terminal) as show:
            return auditor.scan(
                archives,
                out,
                options=limits,
                without_folders=without_folders,
                progress=_with_preloading(show) if profile_follows else show,
                **given,
            )
    except (NoArchiveError, OptionError, OutputError) as error:
        fail(str(error), 2)
    except (ScanError, StoreBusy, StoreError) as error:
        fail(str(error), 1)


def _with_preloading(progress: Callable[[Progress], None]) -> Callable[[Progress], None]:
    """Display of progress that also loads the later stages once workers measure: this process has nothing else
    to do then, and later everything would wait for them."""
    begun = False

    def show(state: Progress) -> None:
        nonlocal begun
        if state.rate and not begun:
            begun = True
            threading.Thread(target=_preload_later_stages, daemon=True).start()
        progress(state)

    return show


def _preload_later_stages() -> None:
    """Load all that profile and report are made with, once.

    None of it becomes garbage: Python need not look for any in it, now or ever after, which takes a
    twentieth of the time of a small profile. That holds for all there is at that moment, so that a library
    must not do it.
    """
    if "auditor.infer.profile" in sys.modules:
        return
    with _uncollected():
        for name in ("crawl.captures", "settings.agreement", "infer.profile", "report.write"):
            import_module(f"auditor.{name}")
        import_module("auditor.report.page").prepare()
        gc.freeze()


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without looking for cycles that nobody needs any more: what loading and a profile make is all in use."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def _profile(
    target: Path,
    wanted: InferOptions,
    archives: tuple[str, ...] = (),
    notices: Sequence[str] = (),
) -> Mapping[str, Any]:
    from auditor.audit import OptionError
    from auditor.crawl.names import shown_root
    from auditor.output import unless_unchanged
    from auditor.store import StoreError, why

    def make() -> Mapping[str, Any]:
        _preload_later_stages()
        with _uncollected():
            made = auditor.profile(auditor.load(target), wanted, archives=archives)
            # Who only opens the page learns what the scan had to say, too.
            made["notices"] = list(dict.fromkeys([*notices, *made["notices"]]))
            auditor.report(made, target)
        return made

    try:
        if not archives:  # somebody asks for nothing but a new profile
            return make()
        labels = [wanted.labels_csv] if wanted.labels_csv else []
        asked = (wanted, [shown_root(a) for a in archives], list(notices))
        return unless_unchanged(target, asked, labels, make)
    except OptionError as error:
        fail(str(error), 2)
    except (StoreError, ValueError) as error:
        fail(str(error), 1)
    except OSError as error:
        fail(f"the report can't be written to {target} ({why(error)}); what was there is kept", 1)


def _close(made: Mapping[str, Any], target: Path, more: list[str]) -> None:
    from auditor.report.summary import summary_lines

    try:
        more = [*summary_lines(made), *more]
    except Exception as error:  # profile and page are there; they say it all
        more = [f"note: the summary cannot be told here ({type(error).__name__})", *more]
    for line in more:
        terminal.to_stdout(line)
    terminal.to_stdout(f"Report: {target / 'report.html'}")
