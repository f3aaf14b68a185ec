"""The page and the frames behind its points, without a browser."""

from __future__ import annotations

import base64
import gzip
import io
import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import made_up
import numpy as np
import pandas as pd
import pytest
from PIL import Image

from auditor.infer.frame_values import evenly
from auditor.infer.keepers import CAUSES
from auditor.record.pictures import fetch_pictures
from auditor.report.charts import lens_chart, snr_chart
from auditor.report.first_screen import ADVICE
from auditor.report.frames_behind import FrameIndex
from auditor.report.keepers_view import SETTING_CAUSES, thumbs_within
from auditor.report.write import write_report

HOSTILE = "<script>alert('x')</script><img src=x onerror=alert(1)> \"quoted\" & {{7*7}} $$x$$ @key"
NAMES = {
    "markup": HOSTILE,
    "ends a script": "</script><script>window.hacked=1</script><!--",
    "300 characters": "Ultra" * 60,
    "right to left": "עדשה 24-70 מ\"מ \u202e gnp.exe",
    "emoji": "📷👩‍🚀 50 mm f/1.4 🌄",
    "controls": "a\x00b\x1b[31mc\nd",
    "half a code point": "caf\udce9 50",
}  # fmt: skip


def written(
    made: dict[str, Any], frames: pd.DataFrame | None, out: Path, pictures: Any = None
) -> str:
    write_report(made, frames, pictures, out)
    return (out / "report.html").read_text("utf-8")


def unpacked(page: str, name: str) -> Any:
    found = re.search(rf'<script type="text/plain" id="{name}">([^<]*)</script>', page)
    assert found, name
    return json.loads(gzip.decompress(base64.b64decode(found[1])))


class Shape(HTMLParser):
    """Scripts, attributes and ids of a page, and whether its elements close."""

    void = frozenset(("meta", "link", "img", "br", "input"))

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.scripts = 0
        self.attributes: list[tuple[str, str | None]] = []
        self.wrong: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script"
        self.attributes += attrs
        if tag not in self.void:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def renamed(name: str) -> dict[str, Any]:
    """A profile in which every text that comes out of files is `name`."""
    made = made_up.profile(2, keepers=3)
    for lens in made["lenses"]:
        lens |= {"lens": name, "body": name, "converter": name}
        lens["focal_ranges"][0]["reasons"] = [name]
    for body in made["bodies"]:
        body["body"] = name
    for m in made["iso_matches"]:
        m |= {"body": name, "reference_body": name}
    for k in made["keepers"]:
        k |= {"path": f"/photos/{name}/a.jpg", "evidence": [name], "cause": name}
    for c in made["comparisons"]:
        c |= {"label": name, "against": name, "lens": name, "verdict": name}
    for s in made["settings"]:
        s |= {"lens": name, "setting": name}
    for s in made["next_shots"]:
        s |= {"lens": name, "body": name, "how": name, "why": name}
    made["set_aside"] = [{"path": name, "reason": name}]
    return made


@pytest.fixture(scope="module")
def plain_pages(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, Shape]:
    """The page of usual names, with a frame table and without."""
    made, folder = renamed("Plain"), tmp_path_factory.mktemp("plain")
    tables = {True: made_up.frames(made), False: None}
    return {k: Shape(written(made, table, folder)) for k, table in tables.items()}


@pytest.mark.parametrize("kind", list(NAMES))
def test_text_from_files_shows_as_text(
    kind: str, tmp_path: Path, plain_pages: dict[bool, Shape]
) -> None:
    made = renamed(NAMES[kind])
    tabled = "half" not in kind  # a frame table cannot hold undecodable bytes, a profile can
    page = written(made, made_up.frames(made) if tabled else None, tmp_path / "odd")
    odd, usual = Shape(page), plain_pages[tabled]
    assert odd.scripts == usual.scripts
    assert not odd.wrong
    assert not odd.open
    assert not any(name.startswith("on") for name, _ in odd.attributes)
    assert {n for n, _ in odd.attributes} - {"title"} <= {n for n, _ in usual.attributes}
    assert "\u202e" not in page
    card = (tmp_path / "odd" / "card.html").read_text("utf-8")
    assert Shape(card).scripts == 0
    if kind == "markup":
        assert "&lt;script&gt;alert" in page


def test_charts_hold_no_text_from_files() -> None:
    """Names stand beside a drawing, where they are escaped; none reaches it."""
    made = renamed(HOSTILE)
    part = made["lenses"][0]["focal_ranges"][0]
    charts = [
        lens_chart(part, 0.4, (2.8, 22), 4.0),
        snr_chart(made["bodies"][0], {"excellent": 40, "acceptable": 10}),
    ]
    for chart in charts:
        assert chart is not None
        assert "alert" not in chart
        assert "$$" not in chart


def test_the_page_asks_for_nothing(tmp_path: Path) -> None:
    made = made_up.profile()
    page = written(made, made_up.frames(made), tmp_path, made_up.pictures)
    for name, value in Shape(page).attributes:
        if name == "src":
            assert (value or "").startswith("data:")
        if name == "href":
            assert re.match(r"#|data:|card\.html$|tables/$|file:///photos/", value or ""), value
    assert "default-src 'none'" in page
    assert not re.search(r"url\((?!data:)", page)


def test_chart_shows_the_profile_s_figures_on_a_scale_of_stops() -> None:
    """Every figure has its disc where the axes put it, and says itself in words."""
    part = made_up.profile(1)["lenses"][0]["focal_ranges"][0]
    rows = part["apertures"]
    chart = lens_chart(part, 0.4, (2.8, 22), 4.4)
    assert chart is not None
    discs = re.findall(
        r'<circle class="t" cx="(\d+)" cy="(\d+)" r="\d+" data-key="(\d+)"><title>([^<]*)</title>',
        chart[chart.index('class="s corner"') :],
    )
    whiskers = re.findall(r"M(\d+) (\d+)V(\d+)", chart[chart.index('class="s corner"') :])
    assert [int(key) for _, _, key, _ in discs] == list(range(len(rows)))
    across = np.array([float(x) for x, *_ in discs])
    stops = 2 * np.log2([r["f_number"] for r in rows])
    slope = (across[-1] - across[0]) / (stops[-1] - stops[0])
    assert across == pytest.approx(across[0] + slope * (stops - stops[0]), abs=1)
    values = np.array([[r["corner"][k] for k in ("mtf50_cpp", "low", "high")] for r in rows])
    places = np.array(
        [[int(y), *map(int, w[1:])] for (_, y, *_), w in zip(discs, whiskers, strict=True)]
    )
    line = np.polyfit(values.ravel(), places.ravel(), 1)
    assert np.polyval(line, values) == pytest.approx(places, abs=1)
    for (*_, said), row in zip(discs, rows, strict=True):
        value = row["corner"]["mtf50_cpp"]
        assert f"{value:.3f} c/px" in said
        assert f"{1000 * value / 4.4:.0f} lp/mm" in said
        assert said.endswith(f"{row['corner']['frames']} frames behind it")


def test_nothing_measured_gives_no_chart() -> None:
    part = {"focal_mm": [24, 24], "apertures": [{"f_number": 8, "frames": 1, "centre": None}]}
    assert lens_chart(part, 0.4, (8, 8), None) is None
    assert snr_chart({"tones": []}, {}) is None


def test_frames_behind_a_point_are_the_right_ones() -> None:
    made = made_up.profile(3)
    frames = made_up.frames(made)
    lens = made["lenses"][0]
    block = FrameIndex(frames).lens_block(lens)
    assert block is not None
    for i, part in enumerate(lens["focal_ranges"]):
        for j, row in enumerate(part["apertures"]):
            key = f"{i}:{j}"
            assert block["totals"][key] == row["frames"]
            for r in block["points"][key]:
                assert block["f_number"][r] == row["f_number"]
                assert part["focal_mm"][0] <= block["focal_length_mm"][r] <= part["focal_mm"][1]
    weaker = np.array([block["centre_mtf50_cpp"], block["corner_mtf50_cpp"]], float).min(axis=0)
    first = weaker[block["points"]["0:0"]]
    assert (np.diff(first) <= 1e-9).all()


def test_frames_of_other_kinds_and_set_aside_stay_out() -> None:
    made = made_up.profile(1)
    frames = made_up.frames(made)
    frames.loc[frames.index[::2], "source"] = "edited"
    frames.loc[frames.index[1::4], "status"] = "set-aside"
    block = FrameIndex(frames).lens_block(made["lenses"][0])
    assert block is not None
    kept = frames[(frames["source"] == "camera") & (frames["status"] == "measured")]
    assert sum(block["totals"].values()) == len(kept)


def test_bounded_rows_keep_sharpest_and_softest() -> None:
    assert evenly(3, 10).tolist() == [0, 1, 2]
    assert evenly(1000, 5).tolist() == [0, 250, 500, 749, 999]
    made = made_up.profile(1)
    index = FrameIndex(made_up.frames(made))
    block: Any = index.lens_block(made["lenses"][0])
    behind = block["points"]["0:0"]
    assert len(behind) > 6
    first = [index.picture_key(file_id) for file_id in index.pictured[0][:2]]
    assert first == [block["id"][behind[0]], block["id"][behind[-1]]]


def test_unnamed_lens_finds_its_frames() -> None:
    made = made_up.profile(1)
    frames = made_up.frames(made)
    frames["lens"] = None
    made["lenses"][0]["lens"] = "unknown lens"
    block = FrameIndex(frames).lens_block(made["lenses"][0])
    assert block is not None
    assert sum(block["totals"].values()) == len(frames)


def test_pictures_come_from_tables_and_functions_and_broken_ones_are_left_out() -> None:
    good = made_up.jpeg(1)
    rows = {"a": good, "b": b"no picture", "c": good[:200], "d": None}
    table = pd.DataFrame({"file_id": list(rows), "thumb_jpeg": list(rows.values())})
    for source in (table, table.set_index("file_id"), lambda ids: table):
        assert [f for f, _ in fetch_pictures(source, ["d", "a", "x", None, "a"])] == ["d", "a"]
        assert set(thumbs_within(source, [*rows, "x"], 10**6)) == {"a"}
    assert thumbs_within(table, rows, 10) == {}


def test_pictures_stay_within_the_budget_of_the_page(tmp_path: Path) -> None:
    """Every picture the page could want is there and heavy; the page stays under 15 MB."""
    rng = np.random.default_rng(1)
    some = []
    for _ in range(8):  # far enough apart that packing finds none of them again
        noise = io.BytesIO()
        Image.fromarray(rng.integers(0, 255, (200, 300, 3), dtype=np.uint8)).save(noise, "JPEG")
        some.append(noise.getvalue())
    turn = itertools.cycle(some)
    names = ("thumb_jpeg", "sharpest_jpeg", "weakest_jpeg")

    def heavy(ids: list[str]) -> pd.DataFrame:
        rows = [dict.fromkeys(names, next(turn)) for _ in ids]
        return pd.DataFrame(rows, index=ids)

    made = made_up.profile(6, keepers=600)
    written(made, made_up.frames(made), tmp_path, heavy)
    size = (tmp_path / "report.html").stat().st_size
    assert 8e6 < size < 15e6


def test_missing_pictures_are_said_not_shown_broken(tmp_path: Path) -> None:
    """Originals moved: some keepers have all their pictures, some one, some none."""
    made = made_up.profile(1, keepers=3)
    ids = [k["file_id"] for k in made["keepers"]]
    some = {
        ids[0]: made_up.pictures([ids[0]]).iloc[0].to_dict(),
        ids[1]: {"thumb_jpeg": made_up.jpeg(3)},
    }
    page = written(
        made,
        made_up.frames(made),
        tmp_path,
        lambda wanted: pd.DataFrame([v | {"file_id": k} for k, v in some.items()]),
    )
    assert page.count("no picture kept") == 1
    assert page.count('src="data:image/jpeg') == 3 + 1


def test_accepted_iso_has_its_table(tmp_path: Path) -> None:
    made = made_up.profile(1)
    row = {
        "body": "Halden M7 II",
        "band": "dusk",
        "iso": 2500,
        "low": 2000,
        "high": 3200,
        "predicted": True,
    }
    made["accepted"] = [
        {
            "accepted": "Halden M5:1600:dusk",
            "table": [row, row | {"iso": None, "low": None, "high": None}],
        }
    ]
    page = written(made, None, tmp_path)
    assert "As noisy as the Halden M5:1600:dusk that you accept" in page
    assert "2500 <small>(2000 to 3200) predicted</small>" in page


def test_differences_carry_their_unit(tmp_path: Path) -> None:
    made = made_up.profile(1)
    made["comparisons"][0] |= {
        "unit": "share of MTF50",
        "difference": -0.12,
        "low": -0.2,
        "high": -0.04,
    }
    made["comparisons"][1] |= {"unit": "stops", "difference": 0.31, "low": None, "high": None}
    page = written(made, None, tmp_path)
    assert "-12% <small>(-20% to -4%)</small>" in page
    assert "+0.31 stops</td>" in page


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[int, str]:
    """The pages of one lens and of thirty."""
    folder = tmp_path_factory.mktemp("lenses")
    return {n: written(made_up.profile(n), None, folder) for n in (1, 30)}


@pytest.mark.parametrize("lenses", [1, 30])
def test_few_and_many_lenses(lenses: int, pages: dict[int, str]) -> None:
    page = pages[lenses]
    assert page.count('<details class="lens"') == lenses
    assert not Shape(page).wrong
    assert len(page.encode()) < 15e6


def test_drawings_weigh_little(pages: dict[int, str]) -> None:
    """Some sixty charts of 30 lenses, every figure in words over its mark, in a quarter of what a chart library
    alone weighs (a megabyte; common practice, no source)."""
    drawings = re.findall(r"<svg class=\"plot\".*?</svg>", pages[30], flags=re.S)
    assert len(drawings) > 52
    assert len(gzip.compress("".join(drawings).encode())) < 250_000


def test_lenses_of_which_none_is_in_use_are_not_denied(tmp_path: Path) -> None:
    """Single frames of many cameras: their lenses stand below, though none is worth the first screen."""
    made = made_up.profile(3)
    known = ({k: x[k] for k in ("lens", "body", "converter")} for x in made["lenses"])
    made["gear"] = {"bodies": [], "lenses": [g | {"role": "single frames"} for g in known]}
    page = written(made, None, tmp_path)
    assert "no measured frame names its lens" not in page
    assert 'no lens has been in use long enough. <a href="#lenses">3 lenses</a> below' in page


def test_profile_of_one_frame(tmp_path: Path) -> None:
    zone = {"mtf50_cpp": 0.2, "low": None, "high": None, "frames": 1}
    made = {
        "frames": {"found": 1, "measured": 1, "set_aside": 0}, "criteria": {"pin_sharp": 0.75, "acceptable": 0.6},
        "lenses": [{"lens": None, "body": None, "converter": None, "pixel_pitch_um": None, "frames": 1,
                    "focal_ranges": [{"focal_mm": None, "frames": 1, "sweet_spot": None, "pin_sharp": None,
                                      "acceptable": None, "evidence": "thin", "reasons": ["one frame"],
                                      "apertures": [{"f_number": 8, "frames": 1, "centre": zone, "middle": None, "corner": None}]}]}],
        "bodies": [{"body": None, "frames": 1, "pixel_pitch_um": None, "tones": [], "brightness": []}],
        "iso_matches": [], "keepers": [], "comparisons": [], "settings": [],
    }  # fmt: skip
    page = written(made, None, tmp_path)
    assert "Lens not named in its files" in page
    assert ">None<" not in page
    assert "nan" not in re.sub(r"<script.*?</script>", "", page, flags=re.S).lower().replace(
        "finance", ""
    )


def test_every_measured_figure_of_a_lens_stands_in_its_table(tmp_path: Path) -> None:
    made = made_up.profile(1)
    page = written(made, None, tmp_path)
    for part in made["lenses"][0]["focal_ranges"]:
        for row in part["apertures"]:
            assert f'data-cpp="{row["corner"]["mtf50_cpp"]}"' in page


def test_bodies_of_which_nothing_can_be_told_stand_together(tmp_path: Path) -> None:
    made = made_up.profile(1)
    made["bodies"].insert(
        0,
        {"body": "Tarn One", "frames": 3, "tones": [], "brightness": [],
         "left_out": [{"frames": 3, "reason": "has no ISO in its settings"}]},
    )  # fmt: skip
    page = written(made, None, tmp_path)
    assert 'Nothing can be told yet <span class="quiet">1 body</span>' in page
    assert "3 frames; 3 frames left out: each has no ISO in its settings." in page
    assert page.index("Halden M5</bdi></h3>") < page.index("Tarn One")
    assert page.count('<details class="body"') == 2
    assert not Shape(page).wrong


def test_a_sensor_whose_read_noise_is_open_is_told_without_gaps(tmp_path: Path) -> None:
    made = made_up.profile()
    nothing = dict.fromkeys(("gain_low", "gain_high", "read_low", "read_high"))
    step = {"iso": 100, "gain_e_per_dn": 2.59, "read_noise_e": None, "frames": 1} | nothing
    made["bodies"][0]["sensor"] = {"by_iso": [step]}
    text = " ".join(re.sub(r"<[^>]*>", " ", written(made, None, tmp_path)).split())
    assert "2.59 electrons per step, read noise not known, 1 frame" in text


def test_every_cause_has_its_advice_and_no_other() -> None:
    assert set(ADVICE) == set(CAUSES)
    assert set(SETTING_CAUSES) < set(CAUSES)
