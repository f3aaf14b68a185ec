"""What every command has in common: what it says, its kinds of values, how it ends when it can't go on.

A night's run outlives its terminal: what can be said no more goes into the log, and the run goes on.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import signal
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from auditor.crawl.names import plain_text
from auditor.safe_path import leave_out_current_folder

if TYPE_CHECKING:
    from auditor.open_files import RunLog

__all__ = [
    "Amount",
    "Commands",
    "Folder",
    "Name",
    "Number",
    "ReadFile",
    "Terminal",
    "fail",
    "have_streams",
    "need_store",
    "read_profile",
    "terminal",
]


def have_streams() -> None:
    """Where the program was started without output streams, what is meant for them goes nowhere.

    A closed descriptor would be given to the next file that is opened, and messages written into it.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            with contextlib.suppress(OSError):
                while os.open(os.devnull, os.O_RDWR) < number:
                    pass
        if getattr(sys, name) is None:
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115


class Terminal:
    """Lines on standard output and standard error, made fit for a terminal."""

    def __init__(self) -> None:
        self._log: RunLog | None = None
        self._failed: set[int] = set()

    def begin(self) -> None:
        """A command begins; what was true of one before is forgotten."""
        self._log = None
        self._failed.clear()

    def outlive(self, log: RunLog) -> None:
        """From now on lines that nobody can read go into `log`, and a terminal that is closed ends
        nothing."""
        self._log = log
        with contextlib.suppress(ValueError, AttributeError):  # not the main thread; no such signal
            if signal.getsignal(signal.SIGHUP) == signal.SIG_DFL:
                signal.signal(signal.SIGHUP, signal.SIG_IGN)

    def to_stdout(self, line: str) -> None:
        """One line on standard output. Raises OSError unless the command outlives its terminal."""
        self._line(sys.stdout, line)

    def to_stderr(self, line: str, in_place: bool = False) -> None:
        """One line on standard error, see `to_stdout`; `in_place` of the last one that was (ECMA-48: EL)."""
        self._line(sys.stderr, line, "\r{}\x1b[K" if in_place else "{}\n")

    def _line(self, stream: Any, line: str, form: str = "{}\n") -> None:
        """Write a line, into the log where that fails; a stream that failed once is not tried again."""
        text = plain_text(line)
        if id(stream) not in self._failed:
            try:
                stream.write(form.format(text))
                stream.flush()
                return
            except (OSError, ValueError):
                if self._log is None:
                    raise
                self._failed.add(id(stream))
                _drop(stream)
        if self._log is not None and form.endswith("\n"):  # what is in place is past in a moment
            self._log.line(text)


def _drop(stream: Any) -> None:
    """What still waits to be written goes nowhere, so that the end of the program does not fail too."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


terminal = Terminal()
"""What the command that runs says; there is one in a process."""

RESUMED = ("run", "scan", "profile")
"""Commands that go on, or begin again without harm, when called once more."""


class Name(click.ParamType):
    """Text that is not empty: an empty path would silently stand for the current folder."""

    name = "text"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The text as it is."""
        if not str(value).strip():
            self.fail("it is empty", param, ctx)
        return value


class Folder(Name):
    """As `Name`, given as a path. The tables' library opens no path that is not text."""

    name = "path"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """The path that the text is."""
        folder = Path(super().convert(value, param, ctx))
        try:
            folder = folder.expanduser()  # shells leave the ~ of --out=~/gear to the program
        except RuntimeError:
            self.fail(f"nobody's home folder is {folder.parts[0]}; write it in full", param, ctx)
        try:
            str(folder.absolute()).encode("utf-8")
        except UnicodeEncodeError:
            reason = (
                "its path has bytes that are no text under this system's settings (LANG, LC_ALL)"
            )
            self.fail(f"{reason}; choose another folder", param, ctx)
        return folder


class ReadFile(click.Path):
    """A file that is there; a leading ~ stands for the home folder where the shell left it."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, exists=True, dir_okay=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path that the text is."""
        return super().convert(os.path.expanduser(value), param, ctx)


class Number(click.FloatRange):
    """A number in a range. 'nan' lies in every range, so it is refused by itself."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number that the text is."""
        number = float(super().convert(value, param, ctx))
        if math.isnan(number):
            self.fail(f"'{value}' is not a number", param, ctx)
        return number


class Amount(Number):
    """A number above 0 and at most `most`."""

    def __init__(self, most: float) -> None:
        super().__init__(min=0, min_open=True, max=most)


class Commands(click.Group):
    """The group of commands: whatever stops one, the user reads one line and no traceback."""

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run the program with streams that are there, and end with one line whatever happens."""
        leave_out_current_folder()
        have_streams()
        terminal.begin()
        for stream in (sys.stdout, sys.stderr):
            _make_printable(stream)
        try:
            return super().main(*args, **extra)
        except OSError as error:
            # Files that can't be read or written are reported where they are used; what is left is the
            # output itself. (A closed pipe is no error and dealt with by click.)
            _drop(sys.stdout)
            what = error.filename or "the output"
            fail(f"{what} can't be written: {error.strerror or error}", 1)

    def invoke(self, ctx: click.Context) -> Any:
        """Run one command and end with the exit code of what stopped it."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            again = "; run the same command again to go on"
            fail(f"stopped by Ctrl-C{again if ctx.invoked_subcommand in RESUMED else ''}", 1)


def _make_printable(stream: Any) -> None:
    """Let a terminal of any encoding show any name: where there is only ASCII, the bytes of UTF-8,
    as file names have them; elsewhere escapes for what the encoding lacks."""
    encoding = str(getattr(stream, "encoding", None) or "utf-8").lower().replace("-", "")
    if encoding == "utf8" or not hasattr(stream, "reconfigure"):
        return
    if encoding in ("ascii", "usascii", "ansi_x3.41968"):
        stream.reconfigure(encoding="utf-8", errors="surrogateescape")
    else:
        stream.reconfigure(errors="backslashreplace")


def fail(message: str, code: int) -> NoReturn:
    """End with one line on standard error."""
    with contextlib.suppress(OSError, ValueError):
        terminal.to_stderr(f"auditor: {message}")
    sys.exit(code)


def need_store(out: Path) -> None:
    """End where there is no measurement store."""
    if not (out / "store").is_dir():
        fail(f"no measurement store in {out}; run `auditor run ARCHIVE --out {out}` first", 2)


def read_profile(out: Path) -> Mapping[str, Any]:
    """The profile of an output folder; ends where there is none."""
    path = out / "profile.json"
    try:
        read = json.loads(path.read_text(encoding="utf-8"))
    except OSError:
        fail(f"no profile in {out}; run `auditor run ARCHIVE --out {out}` first", 2)
    except ValueError:
        read = None
    if not isinstance(read, dict):
        fail(f"{path} is damaged; `auditor profile --out {out}` makes it again", 1)
    return read
