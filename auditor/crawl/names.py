"""Names on disk are bytes; a table, a page and a terminal want text that prints.

A path travels as Python's own text with escaped bytes (PEP 383) as long as files are opened with it.
What is stored or shown is its printable form, from which the path can be found again. Where the
system's settings know no UTF-8 (the locale C), Python escapes every byte beyond ASCII; a name is shown and
stored as UTF-8 all the same, so that a file has one name whatever the settings.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

__all__ = [
    "as_text",
    "full_address",
    "on_disk",
    "path_prefixes",
    "plain_text",
    "printable",
    "root_name",
    "shown_root",
    "without_password",
]

_BIDI = r"\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"
"""Marks that turn the direction of what follows (Unicode Standard Annex 9): with them a name can be made
to read as another."""
_OWN_FILES: Final = ("file://", "local://")
"""Protocols of this machine's own files, by fsspec's names."""
_ESCAPED = r"\\x([0-9a-f]{2})|\\u([0-9a-f]{4})"
_ESCAPE = re.compile(_ESCAPED)
_UNSAFE = re.compile(
    rf"[\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029{_BIDI}]|\\(?=x[0-9a-f]{{2}}|u[0-9a-f]{{4}})"
)
_STEERING = re.compile(rf"[\x00-\x08\x0a-\x1f\x7f-\x9f\u2028\u2029{_BIDI}]")


def _escape(match: re.Match[str]) -> str:
    code = ord(match.group())
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x80 else f"\\u{code:04x}"


def as_text(path: str) -> str:
    """Decode those escaped bytes of a path that are UTF-8 after all.

    Parameters
    ----------
    path : str
        Path as Python has it, with bytes escaped after PEP 383.

    Returns
    -------
    str
        The path; bytes that are no UTF-8 stay escaped.
    """
    try:
        return path.encode("utf-8", "surrogateescape").decode("utf-8", "surrogateescape")
    except UnicodeEncodeError:  # halves of code points that stand for no byte
        return path


def printable(path: str) -> str:
    r"""Path as one line of valid text.

    Parameters
    ----------
    path : str
        Path as files are opened with it.

    Returns
    -------
    str
        Bytes that are not UTF-8 become '\xff', control characters likewise, and a backslash that would read
        as the beginning of such an escape. A path without such characters is returned unchanged; different
        paths have different texts, so the text of a text is another one.
    """
    return _UNSAFE.sub(_escape, as_text(path)) if _UNSAFE.search(path) else path


def plain_text(line: str) -> str:
    r"""Line of text without characters that steer a terminal or turn the direction of reading.

    Parameters
    ----------
    line : str
        Any text.

    Returns
    -------
    str
        Each such character as an escape like '\x1b'; tabs stay.
    """
    return _STEERING.sub(_escape, line) if _STEERING.search(line) else line


def on_disk(shown: str) -> str:
    """Path that opens a file: the inverse of `printable`.

    Parameters
    ----------
    shown : str
        Path as it is stored or shown.

    Returns
    -------
    str
        Path with bytes escaped as this system's settings want them.
    """
    if "\\" not in shown:
        return _for_system(shown)

    def back(match: re.Match[str]) -> str:
        if match.group(2):
            return chr(int(match.group(2), 16))
        code = int(match.group(1), 16)
        return chr(code) if code < 0x80 else chr(0xDC00 + code)

    return _for_system(_ESCAPE.sub(back, shown))


def _for_system(path: str) -> str:
    """The path as this system's settings want it; they may know no character beyond ASCII."""
    try:
        os.fsencode(path)
    except UnicodeEncodeError:
        return os.fsdecode(path.encode("utf-8", "surrogateescape"))
    return path


def root_name(root: str | Path) -> str:
    """Name of a root as the walk takes it.

    Parameters
    ----------
    root : str or pathlib.Path
        Folder, file or address.

    Returns
    -------
    str
        An address as it is, else the absolute path, links left alone; so for an address of this machine's
        own files.
    """
    text = str(root)
    for protocol in _OWN_FILES:
        text = text.removeprefix(protocol)
    return text if "://" in text else os.path.abspath(os.path.expanduser(text))


def full_address(system: Any, start: str, address: str, inner: str) -> str:
    """Address of something that a remote file system holds, by which it is found again.

    Parameters
    ----------
    system : fsspec.AbstractFileSystem
        The file system.
    start : str
        Its own name of the archive.
    address : str
        Address of the archive.
    inner : str
        Its own name of what was found there.

    Returns
    -------
    str
        With protocol, and with the host where the system's own names hold none (FTP, SFTP).
    """
    host = urlsplit(address).netloc
    archive = start.rstrip("/")
    base = address.rstrip("/").removesuffix(archive)
    if host and base.endswith(f"://{host}") and inner.startswith(archive):
        return base + inner
    return str(system.unstrip_protocol(inner))


def without_password(address: str) -> str:
    """An address as it may be shown.

    Parameters
    ----------
    address : str
        With or without a login.

    Returns
    -------
    str
        With the name alone.
    """
    parts = urlsplit(address)
    login = parts.netloc.rpartition("@")[0]
    user = login.partition(":")[0]
    return address.replace(login, user, 1) if parts.password else address


def shown_root(root: str | Path) -> str:
    """Common beginning of the stored paths of everything found in a root.

    Parameters
    ----------
    root : str or pathlib.Path
        Folder, file or address.

    Returns
    -------
    str
        Printable path, or address with its protocol.
    """
    name = root_name(root)
    if "://" in name:
        import fsspec

        with contextlib.suppress(Exception):  # an address that can't be used has no paths either
            system, start = fsspec.core.url_to_fs(name)
            name = full_address(system, start, name, start)
    return printable(name)


def path_prefixes(roots: Iterable[str]) -> tuple[str, ...]:
    """Prefixes of the path of anything that lies in some folders.

    Parameters
    ----------
    roots : iterable of str
        Folders.

    Returns
    -------
    tuple of str
        Each folder with each separator that paths of this system or of addresses have; for `str.startswith`.
    """
    stripped = [root.rstrip("/" + os.sep) for root in roots]
    return tuple(root + end for root in stripped for end in sorted({"/", os.sep}))
