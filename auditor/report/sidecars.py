"""Verdicts as XMP sidecars: what other programs can read, in a folder of their own.

XMP packets after ISO 16684-1: keywords in dc:subject, a rating in xmp:Rating (-1 for rejected). The
folder repeats the archive's folders below their common beginning; a sidecar has the whole name of its
file and .xmp after it, so that a raw file and a JPEG of one name keep apart.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape

from auditor.open_files import write_file
from auditor.report import words
from auditor.report.listing import fault

Keeper = Mapping[str, Any]

_TOOL: Final = "auditor"
_PACKET: Final = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/" x:xmptk="{tool}">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"{rating}>{subject}</rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>
"""
"""Names of XMP and its wrapper as ISO 16684-1 fixes them."""


def packet(keeper: Keeper, keywords: bool = True, rating: int | None = None) -> str:
    """The XMP packet of one listed frame."""
    subject = ""
    if keywords:
        told = [fault(keeper), words.clean(keeper.get("cause"))]
        items = "".join(f"<rdf:li>{escape(t)}</rdf:li>" for t in dict.fromkeys(told) if t)
        subject = f"<dc:subject><rdf:Bag>{items}</rdf:Bag></dc:subject>"
    rated = "" if rating is None else f' xmp:Rating="{rating}"'
    return _PACKET.format(tool=_TOOL, rating=rated, subject=subject)


def _places(keepers: Sequence[Keeper], folder: Path) -> Iterator[tuple[Keeper, Path]]:
    """Where the sidecar of each frame goes."""
    named = [k for k in keepers if k.get("path")]
    heads = [os.path.dirname(str(k["path"]).split("://", 1)[-1]) for k in named]
    common = os.path.commonpath(heads) if heads and all(h.startswith("/") for h in heads) else ""
    for keeper, head in zip(named, heads, strict=True):
        below = os.path.relpath(head, common) if common else head.lstrip("/")
        yield keeper, folder / below / f"{os.path.basename(str(keeper['path']))}.xmp"


def sidecar_folders(keepers: Sequence[Keeper], folder: Path) -> list[Path]:
    """Every folder below `folder` that `write_sidecars` would write into; a link may lead elsewhere."""
    return sorted({place.parent for _, place in _places(keepers, folder)})


def write_sidecars(
    keepers: Sequence[Keeper], folder: Path, *, keywords: bool, rating: int | None
) -> tuple[int, int]:
    """Write a sidecar for each frame; returns how many were written, and how many were left alone
    because another program wrote what is there. Raises OSError."""
    written = left = 0
    for keeper, place in _places(keepers, folder):
        if place.exists() and f'x:xmptk="{_TOOL}"' not in place.read_text("utf-8", "replace"):
            left += 1
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        write_file(place, packet(keeper, keywords, rating).encode())
        written += 1
    return written, left
