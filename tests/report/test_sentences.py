"""Every sentence pattern of the summary, each met by a case; and no text of page, card or terminal with
a hole, a flipped interval or a missing name, whatever the profile lacks."""

from __future__ import annotations

import copy
import html
import re
from collections.abc import Iterator
from typing import Any

import made_up
import pytest

from auditor.report.card import render_card
from auditor.report.page import render_report
from auditor.report.sentences import right_sentence, shot_line, shot_name
from auditor.report.summary import summary_lines
from auditor.report.write import plain

NAME, COUNT = r".+?", r"[\d,]+ frames?"
STOP = r"f/\d+(?:\.\d)?"
BEST = rf"{STOP}(?: at .+ mm)? \((?:90% interval {STOP} to {STOP}|90% sure of {STOP})?(?:; )?{COUNT}(?:; thin evidence)?\)"
SHARE = r"\d+(?:\.\d)?%"
LIMIT = rf"(?:no ISO that was used is acceptable|acceptable up to (?:at least )?ISO \d+) for {NAME} \(.*{COUNT}\)"
PATTERNS = {
    "what was measured": rf"{COUNT} measured(?:, taken with .+)?(?:; .+)*\.",
    "a part looked at": rf"[\d,]+ of the {COUNT} measured (?:is|are) looked at here \(.+\).*\.",
    "no lens": r"No lens could be judged: no measured frame names its lens and aperture\.",
    "no lens named": r"No measured frame names its lens: a body's frames are taken for those of one lens\.",
    "a lens": rf"{NAME}: best at {BEST}(?:; {BEST})*\.",
    "a lens, nothing": rf"{NAME}: {COUNT}, best aperture not settled\.",
    "more lenses": r"[\d,]+ (?:more )?lens(?:es)? in the report\.",
    "a body": rf"{NAME}: {LIMIT}(?:; {LIMIT})*\.",
    "what changed": rf"{NAME}: since about .+ \(90% interval {SHARE} to {SHARE}\), {COUNT} since, \d+ before(; .+ would look alike)?\.",
    "a softer side": rf"{NAME} is probably decentred: the \w+ side is softer in frame after frame(?: at .+ mm)? \((?:over )?{SHARE} sure; {COUNT}\)\.",
    "focus beside": rf"{NAME}: focus lay (?:in front of|behind) the centre of the picture in \d+ of \d+ frames, .+\.",
    "dust": r"Dust on the sensor of the .+: \d+ spots?, last seen on \d{4}-\d\d-\d\d\.",
    "frames that fell short": rf"{COUNT}(?:, {SHARE} of the [\d,]+ judged,| of the \d+ judged)? came out softer or noisier than the settings had to be; most often: .+ \([\d,]+\)\.",
    "what to shoot": r"[\d,]+ test frames?(?: in about \d+ minutes)? would settle most of what is open(?: about .+)?\.",
    "nothing to shoot": r"Nothing is left open that a few test frames would settle\.",
    "a note": r"No photograph was found: .+\.",
}
"""Name -> all that a sentence of the kind may look like."""

HOLES = re.compile(
    r"\bNone\b|\bnan\b|\bunknown (?:lens|body)\b|\?|\(\s*\)|\(\s|\s\)|\s[,;.:](?:\s|$)|[,;:]\s*[,;.]"
    r"|interval\s+stops|interval\s*\)|\b(?:the|with|of|at|to|from|for)\s*[.,;:)]|\band\s*[.;:)]|\bon\s*[.;:)]"
    r"|\(0 pairs\)|(?:faster|slower)[^.;]* \([^)]*-\d|-\d[\d.]* to [^)]*(?:faster|slower)"
    r"|\bthe (?:on|at|is|stays|comes)\b|\b(\w+) \1\b(?<!that that)"
)
"""What no text may hold: holes, doubled words, names that are none, signs that contradict words."""


def cases() -> Iterator[dict[str, Any]]:
    """Profiles that between them make every sentence."""
    made = made_up.profile(3)
    yield made
    yield made | {"filter": {"words": 'lens "Tarn"', "frames": 12}}
    yield made_up.faulty_gear()
    yield made_up.changed_gear()
    yield {"frames": {"found": 0, "measured": 0, "set_aside": 0}, "lenses": []}
    yield {
        "frames": {"found": 0, "measured": 0, "set_aside": 0}, "lenses": [], "next_shots": [],
        "next_shots_note": "No photograph was found: give the folder that holds the files.",
    }  # fmt: skip
    yield made_up.profile(40) | {"next_shots": []}
    nameless: Any = made_up.profile(1)
    nameless["lenses"][0] |= {"lens": "unknown lens", "body": "unknown body"}
    yield nameless
    bare = made_up.profile(1)
    for part in bare["lenses"][0]["focal_ranges"]:
        part["acceptable"] = part["pin_sharp"] = None
    bare["lenses"][0]["focal_ranges"] = bare["lenses"][0]["focal_ranges"][:1]
    yield bare
    nothing = made_up.profile(1)
    for part in nothing["lenses"][0]["focal_ranges"]:
        part["sweet_spot"] = None
    nothing["bodies"][0]["body"] = None
    yield nothing
    nameless = made_up.profile(2)
    nameless["lenses"][0]["lens"] = "unknown lens"
    yield nameless


def kinds_of(line: str) -> list[str]:
    return [name for name, pattern in PATTERNS.items() if re.fullmatch(pattern, line)]


def test_every_sentence_is_of_a_known_kind_and_every_kind_is_met() -> None:
    met = set()
    for made in cases():
        for line in summary_lines(made):
            kinds = kinds_of(line)
            assert kinds, line
            assert not HOLES.search(line), line
            met |= set(kinds)
    assert met == set(PATTERNS)


@pytest.mark.parametrize(
    "text",
    [
        "(90% interval  stops; 41 frames)",
        "3.9 stops faster (-8.7 to -3.9)",
        "softer by 36%; scenes were not the same (0 pairs).",
        "It is best on the , at f/8.",
        "Of 4 None was found.",
        "90% interval ; 4 frames",
        "the the lens",
    ],
)
def test_what_once_went_wrong_would_be_found(text: str) -> None:
    assert HOLES.search(text)


def leaves(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = (
        node.items()
        if isinstance(node, dict)
        else enumerate(node)
        if isinstance(node, list)
        else ()
    )
    for key, value in items:
        yield (*path, key)
        yield from leaves(value, (*path, key))


def small() -> dict[str, Any]:
    made = made_up.profile(2, keepers=3)
    made["lenses"][0]["focal_ranges"] = made["lenses"][0]["focal_ranges"][:1]
    made["handheld"][0] |= {"limit_stops": -3.9, "low": -8.7, "high": -5.9}
    made["answers"] = {
        "listed": 3, "bad": 2, "fine": 1, "meant": 0, "right_share": 0.67, "low": 0.2, "high": 0.97,
    }  # fmt: skip
    return made


KINDS_OF_LEAF = {
    tuple("*" if isinstance(k, int) else k for k in path): path
    for path in leaves(small())
    if not isinstance(path[-1], int)  # lists are whole, whatever their entries lack
}
"""Every kind of value in a profile -> where one of the kind stands."""


def text_of(page: str) -> str:
    """What a reader sees, a line for each block."""
    page = re.sub(r"<(script|style|svg|head).*?</\1>", "", page, flags=re.S)
    page = re.sub(r"<bdi[^>]*>|</bdi>|</?(?:b|i|span|small|a)(?: [^>]*)?>", "", page)
    return html.unescape(re.sub(r"<[^>]*>", "\n", page))


def every_third_quickly() -> Iterator[Any]:
    for i, kind in enumerate(KINDS_OF_LEAF):
        yield pytest.param(kind, id=".".join(kind), marks=() if i % 3 == 0 else (pytest.mark.long,))


@pytest.mark.parametrize("gone", list(every_third_quickly()))
def test_nothing_that_a_profile_lacks_leaves_a_hole(gone: tuple[str, ...]) -> None:
    made = copy.deepcopy(small())
    place = made
    path = KINDS_OF_LEAF[gone]
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = None
    lines = summary_lines(made)
    known = plain(made)
    for page in (render_report(known, None, None), render_card(known)):
        lines += text_of(page).splitlines()
    for line in (" ".join(x.split()) for x in lines):
        assert not HOLES.search(line), line


def test_requests_and_answers_read_well_without_names() -> None:
    shot = {"lens": None, "body": None, "apertures": [8], "iso": [], "frames": 5, "minutes": None}
    assert shot_name(shot) == "The lens not named in its files"
    assert shot_line(shot) == "5 frames at f/8."
    shot |= {
        "lens": "Tarn 35",
        "body": "Alder",
        "focal_mm": 35,
        "apertures": [4, 8],
        "frames": 6,
        "minutes": 10,
    }
    assert shot_name(shot) == "Tarn 35 at 35 mm, on the Alder"
    assert shot_line(shot) == "6 frames: 3 at each of f/4 and f/8, about 10 minutes."
    assert shot_name({"lens": None, "body": "Alder", "iso": [800]}) == "Alder"
    assert right_sentence({}) == ""
    one = {"listed": 1, "bad": 1, "fine": 0, "meant": 0, "right_share": 1, "low": 0.05, "high": 1}
    assert right_sentence({"answers": one}) == (
        "Of 1 listed frame that you answered, 1 was indeed bad: right in 100% "
        "(90% interval 5% to 100%)."
    )


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        ((2.8, 4.0, 8.0), "show at f/4 and wider (90% interval f/4 to f/5.6; 9 frames)"),
        ((2.8, 4.0), "show at every aperture used (f/2.8 to f/4; 9 frames)"),
        ((4.0,), "show at every aperture used (f/4; 9 frames)"),
    ],
)
def test_fringes_at_the_smallest_aperture_measured_are_not_said_to_begin_there(measured, said):
    made = made_up.profile(1)
    made["lenses"][0]["focal_ranges"][0]["fringing"] = {
        "onset_f_number": 4.0, "onset_low": 4.0, "onset_high": 5.6, "onset_frames": 9,
        "by_aperture": [{"f_number": f} for f in measured], "inside_acceptable": True,
    }  # fmt: skip
    page = render_report(plain(made), None, None)
    assert said in " ".join(text_of(page).split())
