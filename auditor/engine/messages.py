"""Messages between a worker and its decoder: a length, then msgpack. Nothing in them can run.

What they are made of: jobs, what is known of a file's content, and the limits that hold for all.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Literal, NotRequired, TypedDict

import msgpack

from auditor.record import Settings

if TYPE_CHECKING:
    from auditor.crawl.entries import FileEntry

__all__ = [
    "MARKS",
    "FileRow",
    "Identity",
    "Job",
    "Marks",
    "Measured",
    "job_of",
    "marks_of",
    "receive",
    "send",
    "to_measure",
    "wanted_memory",
]


class Identity(TypedDict):
    """What is known of a file once it is read."""

    file_id: str
    """Hash of its bytes."""
    sidecar_id: str | None
    """The same of the sidecar beside it."""
    size_bytes: int
    mtime_ns: int | None
    """None where its place tells no time."""


FileRow = dict[str, Any]
"""A frame's row (`record.rows.Row`) and what is known of its file, by the names of `Identity`."""
Marks = dict[str, Any]
"""What a file's tags say, by the names of `MARKS`, and its `file_id`, which files of one content share."""


class Measured(TypedDict):
    """What a decoder hands on of one file."""

    row: FileRow
    pictures: dict[str, bytes | None] | None
    """By the names of `record.PICTURE_COLUMNS`; None where there are none."""


class Job(TypedDict):
    """What a worker needs to know to do something with one file."""

    path: str
    root: str
    """Folder given that it lies in: asked whether the archive still answers."""
    sidecar: str | None
    size_bytes: int
    mtime_ns: int | None
    do: Literal["identify", "measure", "count"]
    """Read its tags, measure it, or take its tags and count it on another file."""
    same: list[list[str | None]]
    """Contents (file's and sidecar's hash) of known files that it may be; such a one is not measured."""
    file_id: NotRequired[str]
    """As in `Identity`, once it is read."""
    sidecar_id: NotRequired[str | None]
    """The same."""
    stamp: NotRequired[int]
    """Change of its sidecar, as the walk saw it."""
    tried: NotRequired[bool]
    """Whether it ended a process before."""
    on: NotRequired[str]
    """Path of the file that it is counted on."""
    losses: NotRequired[int]
    """Workers that went down with it."""
    second: NotRequired[bool]
    """Whether it waits for its second try."""


def job_of(entry: FileEntry) -> Job:
    """To measure one file, whatever is known of it."""
    return {
        "path": entry.path,
        "root": entry.root,
        "sidecar": entry.sidecar,
        "size_bytes": entry.size_bytes,
        "mtime_ns": entry.mtime_ns,
        "do": "measure",
        "same": [],
    }


def to_measure(job: Job) -> Job:
    """The same file's, to measure it: its tags are read, or it is none of the known ones."""
    return job | {"do": "measure", "same": []}


_LENGTH: Final = struct.Struct("<I")
_ERRORS: Final = "surrogatepass"
"""Text arrives as it was sent, escaped bytes of file names included: made into other text on the way,
a name would no longer open its file where names are not UTF-8."""


def _plain(value: Any) -> Any:
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"{type(value).__name__} cannot be sent")


def send(stream: BinaryIO, message: Any) -> None:
    """Write one message of plain values (numpy scalars included) and flush."""
    data = msgpack.packb(message, default=_plain, unicode_errors=_ERRORS)
    stream.write(_LENGTH.pack(len(data)) + data)
    stream.flush()


def receive(stream: BinaryIO) -> Any:
    """The next message; None at the end of the stream. Raises ValueError where it is none."""
    head = stream.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(head)
    data = stream.read(length)
    if len(data) < length:
        return None
    return msgpack.unpackb(data, unicode_errors=_ERRORS, strict_map_key=False)


def wanted_memory(most_mb: int) -> str:
    """What is said of a file whose decoding wants more memory than it may have."""
    return f"wanted more than {most_mb} MB of memory"


MARKS: Final = (
    *("body", "body_serial", "taken", "f_number", "exposure_time_s", "iso", "file_number"),
    *("image_unique_id", "source", "width_px", "height_px", "pixel_pitch_um", "pitch_basis"),
    *("focal_length_mm", "focal_35mm", "maker_note", "file_source", "told_pitch_um", "recoded"),
    *("sensor_diagonal_mm", "native_width_px", "native_height_px"),
    *("written_width_px", "written_height_px"),
)
"""Columns of the frame table that `crawl.captures` and `settings.reconcile_kinds` read."""


def marks_of(settings: Settings, file_id: str) -> Marks:
    """What distinguishes a file from those of other exposures, read from its tags before its pixels."""
    return {name: getattr(settings, name) for name in MARKS} | {"file_id": file_id}
