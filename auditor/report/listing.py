"""Frames that fell short, for other programs: lines made to be filtered and piped, and XMP sidecars.

XMP packets after ISO 16684-1: keywords in dc:subject, a rating in xmp:Rating (-1 for rejected). Their folder
repeats the archive's folders below their common beginning; a sidecar has the whole name of its file and .xmp
after it, so that a raw file and a JPEG of one name keep apart.
"""

from __future__ import annotations

import html
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from auditor.open_files import write_file
from auditor.report import words

if TYPE_CHECKING:
    from auditor.model import Keeper

__all__ = [
    "HEADER",
    "evidence",
    "fault",
    "keeper_line",
    "packet",
    "select_keepers",
    "sidecar_folders",
    "write_sidecars",
]

HEADER = "path\tfault\tcause\tprobability\tmeasured_cpp\texpected_cpp\tevidence"


def fault(keeper: Keeper) -> str:
    """'soft', 'noisy', 'soft and noisy'; 'none' when neither."""
    soft, noisy = keeper.get("soft"), keeper.get("noisy")
    return words.join(["soft" if soft else "", "noisy" if noisy else ""]) or "none"


def evidence(keeper: Keeper) -> str:
    """The evidence for a cause as one sentence."""
    return "; ".join(words.clean(found) for found in keeper.get("evidence") or () if found)


def select_keepers(
    profile: Mapping[str, Any],
    causes: Sequence[str] = (),
    lens: str | None = None,
    folder: str | None = None,
    at_least: float = 0.0,
) -> list[Keeper]:
    """Listed frames that meet all of some conditions.

    Parameters
    ----------
    profile : mapping
        A profile with `keepers`.
    causes : sequence of str
        Causes of which a frame must have one, capital or small letters alike; any where empty.
    lens : str or None
        Part of the lens's name.
    folder : str or None
        A path, or the name of a folder at any depth.
    at_least : float
        Least probability of the verdict; with 0, frames of unknown probability are included.

    Returns
    -------
    list of Keeper
        In the profile's order.
    """
    wanted = {c.strip().casefold() for c in causes}
    found = []
    for keeper in profile.get("keepers") or ():
        path = str(keeper.get("path") or "")
        name = words.clean((keeper.get("settings") or {}).get("lens")).casefold()
        in_folder = folder is None or f"/{folder.strip('/')}/" in f"/{path.strip('/')}"
        probability = keeper.get("probability")
        if (
            (not wanted or words.clean(keeper.get("cause")).casefold() in wanted)
            and (lens is None or lens.strip().casefold() in name)
            and in_folder
            and (not at_least or (probability is not None and probability >= at_least))
        ):
            found.append(keeper)
    return found


def keeper_line(keeper: Keeper) -> str:
    """A listed frame as one line, fields separated by tabs (`HEADER`).

    Parameters
    ----------
    keeper : Keeper
        Entry of the profile.

    Returns
    -------
    str
        Path, fault, cause, probability, c/px measured and expected, evidence; unknown figures are empty.
    """
    figures = (
        (keeper.get("probability"), ".3f"),
        (keeper.get("measured_cpp"), ".4f"),
        (keeper.get("expected_cpp"), ".4f"),
    )
    numbers = ["" if v is None else format(v, form) for v, form in figures]
    cause = words.clean(keeper.get("cause")) or "not known"
    path = words.clean(keeper.get("path"), strip=False)
    return "\t".join([path, fault(keeper), cause, *numbers, evidence(keeper)])


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
        terms = [fault(keeper), words.clean(keeper.get("cause"))]
        items = "".join(
            f"<rdf:li>{html.escape(t, quote=False)}</rdf:li>" for t in dict.fromkeys(terms) if t
        )
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
    """Folders that `write_sidecars` would write into.

    Parameters
    ----------
    keepers : sequence of Keeper
        Entries of the profile.
    folder : Path
        Folder for the sidecars.

    Returns
    -------
    list of Path
        All below `folder`, sorted; a link may lead elsewhere.
    """
    return sorted({place.parent for _, place in _places(keepers, folder)})


def write_sidecars(
    keepers: Sequence[Keeper], folder: Path, *, keywords: bool, rating: int | None
) -> tuple[int, int]:
    """Write an XMP sidecar for each frame.

    Parameters
    ----------
    keepers : sequence of Keeper
        Entries of the profile.
    folder : Path
        Folder for the sidecars; the archive's folders are repeated below it.
    keywords : bool
        Whether fault and cause are written as keywords.
    rating : int or None
        Rating to write, None for none.

    Returns
    -------
    written : int
        Sidecars written.
    skipped : int
        Those left alone because another program wrote what is there.

    Raises
    ------
    OSError
        Where one cannot be written.
    """
    written = skipped = 0
    for keeper, place in _places(keepers, folder):
        if place.exists() and f'x:xmptk="{_TOOL}"' not in place.read_text("utf-8", "replace"):
            skipped += 1
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        write_file(place, packet(keeper, keywords, rating).encode())
        written += 1
    return written, skipped
