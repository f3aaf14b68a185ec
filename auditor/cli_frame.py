"""What every command has in common: its kinds of values, and how it ends when it can't go on."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import sys
from pathlib import Path
from typing import Any, NoReturn

import click

from auditor.safe_path import leave_out_current_folder
from auditor.voice import Voice, have_streams

__all__ = ["Amount", "Commands", "Folder", "Name", "fail", "need_store", "read_profile", "voice"]

voice = Voice()
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
            str(folder.absolute()).encode("utf-8")
        except UnicodeEncodeError:
            told = "its path has bytes that are no text under this system's settings (LANG, LC_ALL)"
            self.fail(f"{told}; choose another folder", param, ctx)
        return folder


class Amount(click.FloatRange):
    """A number above 0 and at most `most`. 'nan' lies in every range, so it is refused by itself."""

    def __init__(self, most: float) -> None:
        super().__init__(min=0, min_open=True, max=most)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number that the text is."""
        number = float(super().convert(value, param, ctx))
        if math.isnan(number):
            self.fail(f"'{value}' is not a number", param, ctx)
        return number


class Commands(click.Group):
    """The group of commands: whatever stops one, the user reads one line and no traceback."""

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run the program with streams that are there, and end with one line whatever happens."""
        leave_out_current_folder()
        have_streams()
        voice.begin()
        for stream in (sys.stdout, sys.stderr):
            _make_printable(stream)
        try:
            return super().main(*args, **extra)
        except OSError as error:
            # Files that can't be read or written are reported where they are used; what is left is the
            # output itself. (A closed pipe is no error and dealt with by click.)
            _drop_output()
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


def _drop_output() -> None:
    """What still waits to be written goes nowhere, so that the end of the program does not fail too."""
    with contextlib.suppress(OSError, AttributeError, io.UnsupportedOperation):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def fail(message: str, code: int) -> NoReturn:
    """End with one line on standard error."""
    with contextlib.suppress(OSError, ValueError):
        voice.tell(f"auditor: {message}")
    sys.exit(code)


def need_store(out: Path) -> None:
    """End where there is no measurement store."""
    if not (out / "store").is_dir():
        fail(f"no measurement store in {out}; run `auditor run ARCHIVE --out {out}` first", 2)


def read_profile(out: Path) -> dict[str, Any]:
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
