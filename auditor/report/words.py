"""Numbers and names as a photographer reads them: f/8, 1/250 s, ISO 1600, 24 to 70 mm.

Every function takes what a profile holds, None included, and gives plain text; nothing here knows
of markup. Text that came out of files is cleaned by `clean`, and escaped where it is written.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from auditor.exposure import aperture_text, shutter_text, slower_text

if TYPE_CHECKING:
    from auditor.model import FocalRange, Profile

__all__ = [
    "ELLIPSIS",
    "NAME_END",
    "NAME_START",
    "UNKNOWN",
    "aperture",
    "aperture_range",
    "best_aperture",
    "best_at_end",
    "body_beside",
    "certainty",
    "change",
    "clean",
    "count",
    "criterion",
    "difference",
    "focal",
    "interval",
    "iso",
    "join",
    "known_name",
    "lens_name",
    "metres",
    "named",
    "number",
    "pair",
    "percent",
    "plain",
    "share_interval",
    "short",
    "shorten",
    "shutter",
    "stops_between",
    "surely",
]

NAME_CHARACTERS: Final = 60
"""Longer names are shortened in the middle: a line of a page has some 80 characters."""
SHORT_NAME_CHARACTERS: Final = 40
"""The same where two names stand in one sentence, or on the card."""
_NO_CHANGE: Final = 0.005
"""Shares under this are 0% when they are given as whole percent."""
_TENTHS_TO_M: Final = 10
"""Metres from which on a distance of two figures has no tenths."""

ELLIPSIS = "…"
UNKNOWN = "not known"


def number(value: Any) -> float | None:
    """A finite float, or None for anything else (missing, not a number, text, true)."""
    if value is None or isinstance(value, bool | str):
        return None
    try:
        out = float(value)
    except (TypeError, ValueError):
        return None
    return out if math.isfinite(out) else None


_SPACES = re.compile("[\\t\\n\\r\\u2028\\u2029]")
_UNSAFE = re.compile(
    "[\\x00-\\x1f\\x7f-\\x9f\\u202a-\\u202e\\u2066-\\u2069\\ud800-\\udfff\\ue000\\ue001]"
)
"""Control characters, overrides of direction, halves of code points, and the summary's own marks."""


def clean(text: Any, strip: bool = True) -> str:
    """Text from a file made safe to write anywhere: no control characters, no lone surrogates.

    Tabs and line ends become spaces; other control characters and overrides of direction, which
    could make one name look like another, are shown as escapes. Blank ends go unless `strip` is
    False.
    """
    if text is None or (isinstance(text, float) and math.isnan(text)):
        return ""
    if isinstance(text, str) and text.isprintable():  # none of these is printable
        return text.strip() if strip else text
    out = _UNSAFE.sub(lambda m: f"\\u{ord(m[0]):04x}", _SPACES.sub(" ", str(text)))
    return out.strip() if strip else out


def shorten(text: str, length: int = NAME_CHARACTERS) -> str:
    """The text itself, or its beginning and end around an ellipsis when it is longer."""
    if len(text) <= length:
        return text
    tail = length // 3
    return text[: length - tail - 1].rstrip() + ELLIPSIS + text[-tail:].lstrip()


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def aperture(f_number: Any) -> str:
    """f/8, f/5.6; `UNKNOWN` when missing."""
    n = number(f_number)
    return UNKNOWN if n is None else aperture_text(n)


def aperture_range(ends: Any) -> str:
    """f/4 to f/11; one aperture when both ends are the same; '' when missing."""
    if not isinstance(ends, Sequence) or len(ends) != 2:
        return ""
    low, high = aperture(ends[0]), aperture(ends[1])
    if UNKNOWN in (low, high):
        return ""
    return low if low == high else f"{low} to {high}"


def surely(ends: str) -> str:
    """'90% interval f/7.1 to f/9' of two ends in words, '90% sure of f/8' where both are one; '' without any."""
    if not ends:
        return ""
    return f"90% interval {ends}" if " to " in ends else f"90% sure of {ends}"


def shutter(seconds: Any) -> str:
    """1/250 s, 0.5 s, 2 s."""
    t = number(seconds)
    return UNKNOWN if t is None or t <= 0 else shutter_text(t)


def stops_between(low: float, high: float) -> str:
    """'0.3 to 1.2 stops slower', '1.2 stops faster to 0.5 stops slower', whichever way both point."""
    low, high = min(low, high), max(low, high)
    if low >= 0 or high <= 0:  # one side: the nearer end first
        near, far = sorted((abs(low), abs(high)))
        return f"{near:.1f} to {far:.1f} stops {'slower' if high > 0 else 'faster'}"
    return f"{slower_text(low)} to {slower_text(high)}"


def iso(value: Any) -> str:
    """ISO 1600; 'ISO not known' when missing."""
    n = number(value)
    return f"ISO {UNKNOWN}" if n is None else f"ISO {round(n)}"


def focal(ends: Any) -> str:
    """24 mm, 24 to 70 mm; '' when missing."""
    if number(ends) is not None:
        ends = (ends, ends)
    if not isinstance(ends, Sequence) or isinstance(ends, str) or len(ends) != 2:
        return ""
    low, high = number(ends[0]), number(ends[1])
    if low is None or high is None:
        return ""
    if _short(low) == _short(high):
        return f"{_short(low)} mm"
    return f"{_short(low)} to {_short(high)} mm"


def metres(value: Any) -> str:
    """A distance to the two figures that can be set on a lens, rounded up: 9.1 m, 41 m, 0.85 m.

    Up, because focus a little beyond the hyperfocal distance still holds infinity, and a little
    short of it does not.
    """
    d = number(value)
    if d is None:
        return UNKNOWN
    if d <= 0:
        return "0 m"
    step = 10.0 ** (math.floor(math.log10(d)) - 1)
    rounded = math.ceil(d / step - 1e-9) * step
    if rounded >= 1000:
        return f"{_short(rounded / 1000)} km"
    return f"{rounded:.{2 if rounded < 1 else 1 if rounded < _TENTHS_TO_M else 0}f} m"


_LEAST_PERCENT: Final = 0.1
"""Of less one digit would show nothing."""


def percent(share: Any) -> str:
    """12%, 0.4%, 'under 0.1%'; `UNKNOWN` when missing."""
    s = number(share)
    if s is None:
        return UNKNOWN
    value = 100 * s
    if 0 < value < _LEAST_PERCENT / 2:
        return f"under {_LEAST_PERCENT}%"
    return f"{value:.1f}%" if 0 < abs(value) < 1 else f"{value:.0f}%"


_NEARLY: Final = 0.99
"""Probability from which on more digits would promise what none can keep."""


def certainty(probability: Any) -> str:
    """How certain something is: 83%, 'over 99%'; `UNKNOWN` when missing."""
    p = number(probability)
    return f"over {percent(_NEARLY)}" if p is not None and p > _NEARLY else percent(p)


def change(share: Any) -> str:
    """A relative difference with its sign: +3%, -12%, 0%."""
    s = number(share)
    if s is None:
        return UNKNOWN
    return f"{100 * s:+.0f}%" if abs(s) >= _NO_CHANGE else "0%"


_DIGITS: Final = {"stops": 2, "u'v'": 4}
"""Unit of a comparison -> digits behind the point that are worth giving."""


def difference(value: Any, unit: Any = None) -> str:
    """A difference with its sign, to the digits that its unit bears: -1.32, +0.0040, -12%.

    Shares become percentages; what rounds to nothing bears no sign; '' when missing.
    """
    v, unit = number(value), str(unit or "")
    if v is None:
        return ""
    if unit.startswith("share"):
        return change(v)
    text = f"{v:+.{_DIGITS[unit]}f}" if unit in _DIGITS else f"{v:+.3g}"
    return text if float(text) else text[1:]


def count(n: Any, one: str = "frame", many: str | None = None) -> str:
    """1 frame, 12 frames, 48,312 frames."""
    value = number(n)
    if value is None:
        return f"an unknown number of {many or one + 's'}"
    return f"{round(value):,} {one if round(value) == 1 else many or one + 's'}"


def interval(block: Mapping[str, Any] | None, digits: int = 3) -> str:
    """'0.240 to 0.260' from a block with low and high; '' when either is missing."""
    low, high = (number((block or {}).get(k)) for k in ("low", "high"))
    return "" if low is None or high is None else f"{low:.{digits}f} to {high:.{digits}f}"


def share_interval(block: Any) -> str:
    """' (90% interval 12% to 20%)' from a block with low and high; '' when either is missing."""
    low, high = block.get("low"), block.get("high")
    if low is None or high is None:
        return ""
    return f" (90% interval {percent(low)} to {percent(high)})"


def join(items: Sequence[str], last: str = "and") -> str:
    """a; a and b; a, b and c."""
    items = [i for i in items if i]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def body_beside(lens: Any, body: Any) -> str:
    """The body's name to say beside the lens's; '' where the lens's name has it in it already."""
    name = known_name(body)
    lens_text, body_text = (re.sub(r"[\W_]", "", t.casefold()) for t in (clean(lens), name))
    model = re.sub(r"[\W_]", "", " ".join(name.split()[1:]).casefold())
    inside = body_text in lens_text or (
        len(model) > 3 and any(c.isdigit() for c in model) and model in lens_text
    )
    return "" if inside else name


def known_name(value: Any) -> str:
    """The name of a lens or body; '' where a file names none ('unknown lens' in the profile)."""
    name = clean(value) if isinstance(value, str) else ""
    return "" if name in ("unknown lens", "unknown body") else name


def lens_name(lens: Mapping[str, Any]) -> str:
    """The lens, with its converter when there is one, and its serial where there are copies of it."""
    name = known_name(lens.get("lens")) or "Lens not named in its files"
    converter = clean(lens.get("converter"))
    serial = clean(lens.get("lens_serial"))
    name = f"{name} + {converter}" if converter else name
    return f"{name} (serial {serial})" if serial else name


NAME_START: Final = "\ue000"
NAME_END: Final = "\ue001"
"""Around names from files inside a sentence, so that the page can set them apart. `clean`
lets neither through from a file."""


def pair(ends: Sequence[float | None] | None) -> tuple[float | None, float | None]:
    """Both ends of a range; None where there is none."""
    low, high = ends if ends and len(ends) == 2 else (None, None)
    return low, high


def best_aperture(part: FocalRange) -> float | None:
    """The f-number of a range's sweet spot; None where there is none."""
    sweet = part.get("sweet_spot")
    return sweet.get("f_number") if sweet else None


def best_at_end(part: FocalRange) -> str:
    """'the smallest used', 'the widest used' where a range's best aperture is an end of several used: what lies
    beyond may be better; '' elsewhere."""
    best = best_aperture(part)
    used = [n for row in part.get("apertures") or () if (n := row.get("f_number"))]
    if best is None or len(set(used)) < 2:
        return ""
    ends = {aperture(max(used)): "the smallest used", aperture(min(used)): "the widest used"}
    return ends.get(aperture(best), "")


def criterion(profile: Profile, name: str) -> float:
    """One of the profile's thresholds, that of `Criteria` where the profile names none."""
    from auditor.infer.criteria import Criteria  # what only lists frames needs none

    stated: Any = profile.get("criteria") or {}
    return float(stated.get(name) or getattr(Criteria(), name))


def named(text: Any, length: int = NAME_CHARACTERS) -> str:
    """A name from a file, cleaned, shortened and set apart by `NAME_START` and `NAME_END`."""
    return f"{NAME_START}{shorten(clean(text), length)}{NAME_END}"


def short(text: Any) -> str:
    """A name set apart, as short as names are where two stand in one sentence."""
    return named(text, SHORT_NAME_CHARACTERS)


def plain(value: Any) -> Any:
    """A value of plain JSON: numpy to Python's own, tuples to lists, not-a-number to None."""
    text = json.dumps(value, default=_of_python)
    return json.loads(text, parse_constant=lambda name: None)


def _of_python(value: Any) -> Any:
    """What stands in JSON for a value that has no form there."""
    if hasattr(value, "tolist"):  # numpy's arrays and figures
        return value.tolist()
    if isinstance(value, Mapping):
        return dict(value)
    try:
        missing = bool(value != value)  # NaT and pandas.NA compare unequal to themselves or refuse
    except (TypeError, ValueError):
        missing = True
    return None if missing else str(value)
