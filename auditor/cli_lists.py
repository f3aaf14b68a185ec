"""Commands for single frames: list those that fell short, answer, hand verdicts on to other programs."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from auditor import cli_options as options
from auditor.cli_frame import Folder, Name, ReadFile, fail, need_store, read_profile, terminal
from auditor.model import ANSWERS, TAKEN_BACK, Keeper
from auditor.settings.tags import STARS

__all__ = ["answer", "list_frames", "sidecars"]


@click.command("list", short_help="List frames that fell short, one a line.")
@options.out
@click.option("--cause", type=Name(), multiple=True, help="Only this cause; may be given again.")
@click.option("--lens", type=Name(), help="Only lenses whose name contains this.")
@click.option(
    "--folder", type=Name(), help="Only what lies in this folder, or in one of this name."
)
@options.at_least
@click.option("--header/--no-header", default=True, help="Names of the columns in the first line.")
@click.option(
    "-0",
    "--paths",
    "nul",
    is_flag=True,
    help="Paths alone as they are on disk, each ended by a NUL character: for xargs -0.",
)
def list_frames(
    out: Path,
    cause: tuple[str, ...],
    lens: str | None,
    folder: str | None,
    at_least: float,
    header: bool,
    nul: bool,
) -> None:
    """List frames softer or noisier than their settings had to be, a line each, for piping."""
    import os

    from auditor.crawl.names import on_disk
    from auditor.report.listing import HEADER, keeper_line, select_keepers

    made = read_profile(out)
    _need_causes(made, cause)
    folder = folder and os.path.expanduser(folder)
    found = select_keepers(made, cause, lens, folder, at_least)
    if not found:
        _need_lens(made, lens)
        _need_folder(out, folder)
    if nul:
        stream = sys.stdout.buffer
        for keeper in found:
            stream.write(os.fsencode(on_disk(str(keeper["path"]))) + b"\0")
        return
    if header:
        terminal.to_stdout(HEADER)
    for keeper in found:
        terminal.to_stdout(keeper_line(keeper))


def _need_causes(profile: Mapping[str, Any], wanted: Sequence[str]) -> None:
    """A cause that there is none of is a wrong call: an empty list would say that no frame has it."""
    from auditor.report.first_screen import ADVICE

    known = {*ADVICE, *(str(k.get("cause")) for k in profile.get("keepers") or ())}
    for cause in wanted:
        if cause.strip().casefold() not in {k.casefold() for k in known}:
            fail(f"no cause is called '{cause}'; there are: {', '.join(ADVICE)}", 2)


def _need_lens(profile: Mapping[str, Any], wanted: str | None) -> None:
    """The same for a lens of which there is no frame."""
    from auditor.crawl.selection import NAMES

    used = (profile.get("gear") or {}).get("lenses") or ()
    known = [str(lens.get("lens") or "") for lens in used]
    known += [str(lens.get("lens") or "") for lens in profile.get("lenses") or ()]
    if known and wanted and not any(wanted.strip().casefold() in k.casefold() for k in known):
        names = ", ".join(list(dict.fromkeys(k for k in known if k))[:NAMES])
        fail(f"no lens has '{wanted}' in its name; the most used are: {names or 'none'}", 2)


def _need_folder(out: Path, wanted: str | None) -> None:
    """The same for a folder that no frame lies in; where the store is gone nobody knows."""
    if not wanted or not (out / "store").is_dir():
        return
    from auditor.store import Store, StoreError

    try:
        paths = Store(out / "store").load(["path"])["path"].astype("object").str.lstrip("/")
    except StoreError:
        return
    if not ("/" + paths).str.contains(f"/{wanted.strip('/')}/", regex=False).any():
        fail(f"no frame lies in a folder '{wanted}'; capital and small letters differ there", 2)


@click.command(short_help="Take your answers on listed FILES.")
@click.argument("files", nargs=-1, type=Name())
@options.out
@click.option(
    "--as", "said", type=click.Choice([*ANSWERS, TAKEN_BACK]), help="What is true of FILES."
)
@click.option(
    "--from",
    "saved",
    type=ReadFile(),
    help="CSV of answers, as the report saves it.",
)
def answer(files: tuple[str, ...], out: Path, said: str | None, saved: Path | None) -> None:
    """Say of listed FILES that they were meant so, are fine, or indeed bad; none takes it back."""
    from auditor.crawl.names import shown_root
    from auditor.store import Store, StoreError, why
    from auditor.store.side_files import AnswerError, parse_answers, remember_answers

    need_store(out)
    if bool(files) != bool(said) or not (files or saved):
        fail("give FILES and --as, or --from with a file of answers", 2)
    answers: dict[str, str] = {}
    try:
        if saved is not None:
            answers |= parse_answers(saved.read_text(encoding="utf-8"))
        shown = [shown_root(f) for f in files]
        store = Store(out / "store")
        as_listed = [f for f in files if f.isprintable()]  # others were never printed so
        known = store.load(["path", "file_id"], paths=[*answers, *shown, *as_listed])
        ids = dict(zip(known["path"], known["file_id"].fillna(""), strict=True))
        for named, path in zip(files, shown, strict=True):
            # Odd names are printed with escapes, and may come back so.
            answers[named if named in ids and path not in ids else path] = str(said)
        unknown = [path for path in answers if path not in ids]
        remember_answers(out / "store", {p: a for p, a in answers.items() if p in ids}, ids)
    except AnswerError as error:
        fail(f"{saved}: {error}", 2)
    except UnicodeDecodeError:
        fail(f"{saved} is not text in UTF-8", 2)
    except StoreError as error:
        fail(str(error), 1)
    except OSError as error:
        fail(f"the answers can't be kept in {out / 'store'} ({why(error)})", 1)
    for path in unknown:
        terminal.to_stderr(f"auditor: {path} was never measured into {out}: no answer kept")
    kept = len(answers) - len(unknown)
    many = "1 answer" if kept == 1 else f"{kept} answers"
    terminal.to_stdout(f"{many} kept; `auditor profile --out {out}` takes them into account")
    sys.exit(2 if unknown else 0)


@click.command(short_help="Write verdicts as XMP into a folder.")
@options.out
@click.option(
    "--into", required=True, type=Folder(), help="Folder for the sidecars; never inside an archive."
)
@click.option("--keywords/--no-keywords", default=True, help="Fault and cause as keywords.")
@click.option(
    "--rating",
    type=click.IntRange(*STARS),
    help="Rate every listed frame so; -1 stands for rejected.",
)
@options.at_least
def sidecars(out: Path, into: Path, keywords: bool, rating: int | None, at_least: float) -> None:
    """Write a verdict as XMP beside every listed frame's name, into a folder of its own."""
    from auditor.crawl.names import on_disk
    from auditor.output import OutputError, outside_archives
    from auditor.report.listing import select_keepers, sidecar_folders, write_sidecars
    from auditor.store import why

    if not keywords and rating is None:
        fail("nothing to write: ask for keywords or a rating", 2)
    listed = select_keepers(read_profile(out), (), None, None, at_least)
    # Programs look for a sidecar by its picture's own name.
    found: list[Keeper] = [{**keeper, "path": on_disk(keeper["path"])} for keeper in listed]
    try:
        outside_archives([into, *sidecar_folders(found, into)], out)
        written, kept = write_sidecars(found, into, keywords=keywords, rating=rating)
    except OutputError as error:
        fail(str(error), 2)
    except OSError as error:
        fail(f"sidecars can't be written to {into} ({why(error)})", 1)
    terminal.to_stdout(f"{written} sidecar{'s' * (written != 1)} written into {into}")
    if kept:
        terminal.to_stdout(f"{kept} left alone: not written by this program")
