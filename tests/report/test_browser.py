"""The page in a real Chromium: draws, answers to mouse and keys, asks for nothing, opens quickly."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import made_up
import pytest
from test_page import HOSTILE, NAMES, renamed

from auditor.report.first_screen import ROLES
from auditor.report.write import write_report
from auditor.store.side_files import parse_answers

pytestmark = pytest.mark.browser

DESKTOP = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}


class Visit:
    """An open page, with everything it complained of and asked for."""

    def __init__(self, page: Any, file: Path, size: dict[str, int] = DESKTOP) -> None:
        self.page = page
        self.errors: list[str] = []
        self.requests: list[str] = []
        self._heeded = {
            "console": self._heard,
            "pageerror": lambda e: self.errors.append(str(e)),
            "request": lambda r: self.requests.append(r.url),
            "dialog": self._asked,
        }
        for event, heed in self._heeded.items():
            page.on(event, heed)
        page.set_viewport_size(size)
        page.goto(file.as_uri())

    def _heard(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.errors.append(message.text)

    def _asked(self, dialog: Any) -> None:
        self.errors.append(dialog.message)
        dialog.dismiss()

    def open_all(self) -> None:
        self.page.evaluate(
            "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
        )
        self.page.wait_for_timeout(100)

    def close(self) -> None:
        """Leave the page as a new one is."""
        for event, heed in self._heeded.items():
            self.page.remove_listener(event, heed)
        self.page.emulate_media(media="null", color_scheme="null")
        self.page.evaluate("localStorage.clear()")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    made = made_up.profile()
    write_report(made, made_up.frames(made), made_up.pictures, out)
    return out


@pytest.fixture
def visit(tab: Any, folder: Path) -> Iterator[Visit]:
    """The page, for a test that changes it."""
    one = Visit(tab, folder / "report.html")
    yield one
    one.close()


@pytest.fixture(scope="module")
def opened(browser: Any, folder: Path) -> Iterator[Visit]:
    """The page with all of it opened, for tests that look at it and leave it as it is."""
    context = browser.new_context(reduced_motion="reduce")
    one = Visit(context.new_page(), folder / "report.html")
    one.open_all()
    one.page.wait_for_selector("#all-keepers tbody tr")
    yield one
    context.close()


def point(page: Any, chart: str, index: int) -> Any:
    """A point of a chart."""
    return page.locator(f'figure[data-chart="{chart}"] circle.t').nth(index)


def test_charts_draw_and_the_page_is_quiet(opened: Visit) -> None:
    charts = opened.page.locator("figure.chart svg.plot")
    assert charts.count() == 8
    for i in range(8):
        box = charts.nth(i).bounding_box()
        assert box is not None
        assert box["width"] > 250
        assert box["height"] > 150
    assert opened.errors == []
    assert opened.requests == [opened.requests[0]]


def test_pointing_tells_what_is_behind_a_point(opened: Visit) -> None:
    place = point(opened.page, "lens-0r0", 2)
    place.scroll_into_view_if_needed()
    place.hover()
    said = opened.page.locator("#said-lens-0r0").inner_text()
    assert said.startswith("f/4, centre: ")
    assert "c/px" in said
    assert said.endswith("behind it")
    assert place.locator("title").text_content() == said
    assert opened.errors == []


def test_click_opens_the_frames_with_pictures_and_settings(visit: Visit) -> None:
    visit.open_all()
    page = visit.page
    point(page, "lens-0r0", 2).click()
    page.wait_for_selector("dialog[open] .row")
    assert page.locator("#behind-title").inner_text() == "f/4, centre"
    rows = page.locator("dialog .row")
    note = page.locator("#behind-note").inner_text()
    assert int(note.split()[0]) == page.evaluate(
        "packed('frames-lens-0').then((b) => b.totals['0:2'])"
    )
    assert "f/4 ·" in rows.first.inner_text()
    assert page.locator("dialog .row img").count() >= 1
    assert page.evaluate(
        "[...document.querySelectorAll('dialog img')].every((i) => i.naturalWidth > 0)"
    )
    page.keyboard.press("Escape")
    assert page.locator("dialog[open]").count() == 0
    assert visit.errors == []


def test_arrow_keys_walk_and_enter_opens(visit: Visit) -> None:
    visit.open_all()
    page = visit.page
    page.locator('figure[data-chart="lens-0r0"]').focus()
    said = page.locator("#said-lens-0r0")
    for key, start in (
        ("ArrowRight", "f/2.8, centre"), ("ArrowRight", "f/3.2, centre"), ("ArrowDown", "f/3.2, middle"),
        ("ArrowDown", "f/3.2, corner"), ("ArrowDown", "f/3.2, corner"), ("ArrowLeft", "f/2.8, corner"),
        ("ArrowLeft", "f/2.8, corner"), ("ArrowUp", "f/2.8, middle"),
    ):  # fmt: skip
        page.keyboard.press(key)
        assert said.inner_text().startswith(start), key
    assert page.locator("dialog[open]").count() == 0
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog[open] .row")
    assert visit.errors == []


def test_keyboard_reaches_everything(tab: Any, tmp_path: Path) -> None:
    """Every control that shows comes up while tabbing from the top to the end, on a page with some of each kind."""
    made = made_up.profile(1, keepers=4)
    write_report(made, made_up.frames(made), made_up.pictures, tmp_path)
    visit = Visit(tab, tmp_path / "report.html")
    page = visit.page
    visit.open_all()
    wanted = page.evaluate(
        """() => { let n = 0; for (const e of document.querySelectorAll('a[href], button, select, summary, figure.chart'))
          if (e.checkVisibility()) { e.dataset.stop = n++; }
          window.reached = new Set();
          document.addEventListener('focusin', (e) => reached.add(e.target.dataset.stop));
          return n; }"""
    )
    assert wanted > 60
    page.evaluate("document.activeElement.blur(); window.scrollTo(0, 0)")
    for _ in range(wanted + 40):
        page.keyboard.press("Tab")
    reached = set(page.evaluate("[...reached]"))
    assert reached >= {str(stop) for stop in range(wanted)}
    visit.close()


def test_focus_shows(visit: Visit) -> None:
    page = visit.page
    for _ in range(3):
        page.keyboard.press("Tab")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_controls_and_charts_have_names(opened: Visit) -> None:
    nameless = opened.page.evaluate(
        """() => [...document.querySelectorAll('button, select, a[href], .chart, img, [role=img], table, dialog')].filter((e) =>
          !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.innerText?.trim() || e.textContent.trim()
            || e.getAttribute('alt') !== null && e.tagName === 'IMG' || e.labels?.length || e.caption)).map((e) => e.outerHTML.slice(0, 99))"""
    )
    assert nameless == []
    ids = opened.page.evaluate("[...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(ids) == len(set(ids))


def test_tables_sort_by_figure_and_say_so(visit: Visit) -> None:
    page = visit.page
    visit.open_all()
    table = "#lens-0 table.figures >> nth=0"
    head = page.locator(f"{table} >> thead .sort").nth(1)
    read = f"{ROWS}.map((r) => +r.children[1].dataset.v)"
    head.click()
    up = page.evaluate(read)
    assert len(up) > 5
    assert up == sorted(up)
    head.click()
    assert page.evaluate(read) == sorted(up, reverse=True)
    sorted_by = page.locator(f"{table} >> thead th").nth(1)
    assert sorted_by.get_attribute("aria-sort") == "descending"


def test_units_change_in_tables_and_charts(visit: Visit) -> None:
    """lp/mm = 1000 x c/px / pitch; LW/PH = 2 x c/px x picture height (ISO 12233 terms)."""
    visit.open_all()
    page = visit.page
    table = "#lens-0 table.figures >> nth=0"
    axis = "#lens-0 svg.plot >> nth=0"
    cpp = float(page.locator(table).locator(".cpp").first.get_attribute("data-cpp"))
    mark = float(page.locator(axis).locator(".cpp").last.get_attribute("data-cpp"))
    for unit, factor, digits in (("lpmm", 1000 / 4.4, 1), ("lwph", 2 * 3648, 0)):
        page.select_option("#unit", unit)
        assert (
            page.locator(table).locator(".cpp").first.text_content() == f"{cpp * factor:.{digits}f}"
        )
        assert (
            page.locator(axis).locator(".cpp").last.text_content() == f"{mark * factor:.{digits}f}"
        )
    assert visit.errors == []


def test_theme_follows_the_system_and_the_button(tab: Any, folder: Path) -> None:
    tab.emulate_media(color_scheme="dark")
    one = Visit(tab, folder / "report.html")
    one.open_all()
    ground = "getComputedStyle(document.body).backgroundColor"
    line = "getComputedStyle(document.querySelector('.s.centre .l')).stroke"
    assert one.page.evaluate(ground) == "rgb(23, 26, 28)"
    assert one.page.evaluate(line) == "rgb(109, 184, 224)"
    one.page.click("#theme")
    assert one.page.evaluate(ground) == "rgb(241, 242, 241)"
    assert one.page.evaluate(line) == "rgb(23, 80, 110)"
    assert one.errors == []
    one.close()


@pytest.mark.parametrize("name", ["report.html", "card.html"])
def test_nothing_hangs_over_the_side(tab: Any, folder: Path, name: str) -> None:
    one = Visit(tab, folder / name, PHONE)
    if name == "report.html":
        one.open_all()
    for size in (PHONE, DESKTOP):
        one.page.set_viewport_size(size)
        assert one.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    one.close()


ROWS = "[...document.querySelector('#lens-0 table.figures').tBodies[0].rows]"

WIDE = """() => [...document.querySelectorAll('table')].map((t) => [
  t.scrollWidth - t.parentElement.clientWidth, t.caption?.textContent ?? t.className]).filter((t) => t[0] > 0)"""


def test_every_table_fits_its_place(visit: Visit) -> None:
    """No column is cut off, on a phone, on a sheet of A4 (688 px inside its margins), on a screen."""
    page = visit.page
    visit.open_all()
    page.wait_for_selector("#all-keepers tbody tr")
    assert page.locator("table").count() >= 14
    for media in ("screen", "print"):
        page.emulate_media(media=media)
        for width in (390, 640, 688, 800, 1050, 1400):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(WIDE) == [], (media, width)


CUT = """() => [...document.querySelectorAll('.top a, .top button, .top select')].filter((e) => {
  if (!e.checkVisibility()) return false;
  const at = e.getBoundingClientRect();
  const seen = document.elementFromPoint((at.left + at.right) / 2, (at.top + at.bottom) / 2);
  const ends = document.elementFromPoint(at.right - 2, (at.top + at.bottom) / 2);
  return at.left < 0 || at.right > innerWidth || seen !== e || ends !== e;
}).map((e) => e.textContent.trim().slice(0, 20))"""


def test_every_link_of_the_top_row_shows_at_every_width(visit: Visit) -> None:
    """Nothing scrolls sideways, neither the page nor the row itself, and no control is cut."""
    page = visit.page
    assert page.locator(".top a").count() == 6
    for width in (360, 480, 577, 800, 897, 1050, 1100, 1200, 1250, 1400, 1920, 2560):
        page.set_viewport_size({"width": width, "height": 700})
        tops = page.evaluate(
            "[...document.querySelectorAll('.top a')].map((a) => a.getBoundingClientRect().top)"
        )
        assert max(tops) - min(tops) < 2, width  # one line
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), width
        assert page.evaluate(CUT) == [], width


def test_the_arrow_of_a_folded_group_stands_beside_its_name_however_long(visit: Visit) -> None:
    visit.page.set_viewport_size({"width": 500, "height": 900})
    down, along = visit.page.evaluate(
        """(name) => {
          const line = document.querySelector(".group > summary"), text = document.createRange();
          line.firstChild.textContent = name;
          text.selectNode(line.firstChild);
          const at = text.getBoundingClientRect(), box = line.getBoundingClientRect();
          return [at.top - box.top, at.left - box.left];
        }""",
        ROLES["phone"],
    )
    assert down < 8  # px, of a line 25 px high
    assert along > 16


def test_a_link_leads_to_its_heading_in_full_view(visit: Visit) -> None:
    """The row that stays at the top never lies over the heading that was asked for."""
    page = visit.page
    for width, name in product((390, 1100, 1400), ("lenses", "bodies", "method")):
        page.set_viewport_size({"width": width, "height": 700})
        page.evaluate("window.scrollTo(0, 0)")
        page.locator(f'.top nav a[href="#{name}"]').evaluate("(a) => a.click()")
        page.wait_for_timeout(150)
        over = page.evaluate(
            """(id) => { const at = document.getElementById(id).getBoundingClientRect();
              const seen = document.elementFromPoint(at.left + 5, (at.top + at.bottom) / 2);
              return seen?.id; }""",
            f"{name}-title",
        )
        assert over == f"{name}-title", width


def test_fallen_frames_show_their_pictures_and_the_whole_list(visit: Visit) -> None:
    page = visit.page
    page.locator("details.cause > summary").first.click()
    page.locator(".keeper").first.scroll_into_view_if_needed()
    page.wait_for_timeout(100)
    assert page.evaluate("document.querySelector('.keeper .thumb').naturalWidth") > 0
    assert page.locator(".keeper").first.locator("img").count() == 3
    page.locator("#all-keepers > summary").click()
    page.wait_for_selector("#all-keepers tbody tr")
    assert page.locator("#all-keepers tbody tr").count() == 40


LONG = "300 characters"


@pytest.mark.parametrize("kinds", [[k for k in NAMES if k != LONG], [LONG]], ids=("odd", "long"))
def test_hostile_names_do_nothing(tab: Any, tmp_path: Path, kinds: list[str]) -> None:
    """All that is odd stands in one name; `test_text_from_files_shows_as_text` takes them one by one."""
    made = renamed(" ".join(NAMES[kind] for kind in kinds))
    write_report(made, made_up.frames(made, 400), None, tmp_path)
    for size in (PHONE, DESKTOP):
        one = Visit(tab, tmp_path / "report.html", size)
        one.open_all()
        one.page.evaluate("showFrames('lens-0', '0:0', 'x')")
        one.page.wait_for_timeout(200)
        assert one.page.evaluate("window.hacked") is None
        assert one.errors == []
        assert len(one.requests) == 1
        assert one.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        if "markup" in kinds:
            assert HOSTILE[:30] in one.page.locator("#lens-0 h3").text_content()
        one.close()


def test_printing_gives_what_is_opened_in_day_colours(tab: Any, folder: Path) -> None:
    tab.emulate_media(color_scheme="dark")
    one = Visit(tab, folder / "report.html")
    page = one.page
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    seen = (
        "[...document.querySelectorAll('h2')].filter((e) => e.checkVisibility()).map((e) => e.id)"
    )
    closed = page.evaluate(seen)
    assert not {"lenses-title", "fallen-title", "next-title"} & set(closed)
    page.evaluate("document.getElementById('afternoon').open = true")
    assert set(page.evaluate(seen)) - set(closed) == {"next-title"}
    assert page.locator("#afternoon .shots li").first.is_visible()
    pages = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4")))
    assert pages <= 2
    page.evaluate("document.getElementById('lens-0').open = true")
    assert page.locator("#lens-0 svg.plot").first.is_visible()
    line = "getComputedStyle(document.querySelector('.s.centre .l')).stroke"
    assert page.evaluate(line) == "rgb(23, 80, 110)"
    one.close()


def test_charts_stand_without_scripts(browser: Any, folder: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((folder / "report.html").as_uri())
    page.locator("#lens-0 > summary").click()
    assert page.locator("#lens-0 svg.plot").first.is_visible()
    context.close()


def test_a_frame_is_answered_on_the_page(visit: Visit) -> None:
    """The file that is saved is the one the command takes, whatever stands in a name."""
    page = visit.page
    page.locator("details.cause > summary").first.click()
    assert not page.locator(".answering").is_visible()
    first, second = (page.locator(".answer").nth(i) for i in range(2))
    first.get_by_role("button", name="fine").click()
    second.get_by_role("button", name="indeed bad").click()
    second.get_by_role("button", name="indeed bad").click()  # taken back
    second.get_by_role("button", name="meant").click()
    assert first.locator("[aria-pressed=true]").inner_text() == "fine"
    assert page.locator("#answered").inner_text() == "2 answers not saved yet."
    with page.expect_download() as loading:
        page.locator("#save-answers").click()
    saved = Path(loading.value.path()).read_text("utf-8")
    paths = [group.get_attribute("data-path") for group in (first, second)]
    assert parse_answers(saved) == {paths[0]: "fine", paths[1]: "meant"}
    assert "auditor answer --out" in page.locator("#answered").inner_text()
    assert visit.errors == []


def test_names_of_files_open_them(opened: Visit) -> None:
    link = opened.page.locator(".keeper a.file").first
    assert link.get_attribute("href").startswith("file:///photos/2023/00%20coast/IMG_")


@pytest.mark.parametrize(("lenses", "bodies"), [(3, 2), (20, 13)])
def test_card_prints_on_one_a6_page_without_spilling(
    tab: Any, tmp_path: Path, lenses: int, bodies: int
) -> None:
    made = made_up.profile(lenses)
    made["bodies"] = [
        made["bodies"][i % 2] | {"body": f"Halden M{i} of {i:03d}"} for i in range(bodies)
    ]
    for i, body in enumerate(made["bodies"]):  # with intervals, without, and limits that lie higher
        more = {"low": 8000, "high": 12800, "reason": "likely higher still" if i % 3 == 2 else None}
        details = dict.fromkeys(("excellent", "acceptable"), more)
        if bodies > 2 and i % 4 != 3:
            bands = [band | {"usable_iso_detail": details} for band in body["brightness"]]
            body["brightness"] = bands
    write_report(made, None, None, tmp_path)
    one = Visit(tab, tmp_path / "card.html")
    one.page.emulate_media(media="print")
    cards = one.page.locator(".card").count()
    assert cards == 1
    pdf = one.page.pdf(prefer_css_page_size=True)
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert len(boxes) == cards
    for width, height in boxes:  # A6 is 105 x 148 mm (ISO 216); a point is 25.4 / 72 mm
        assert float(width) == pytest.approx(105 / 25.4 * 72, abs=1)
        assert float(height) == pytest.approx(148 / 25.4 * 72, abs=1)
    spilt = one.page.evaluate(
        "[...document.querySelectorAll('.card')].map((c) => c.scrollHeight - c.clientHeight)"
    )
    assert max(spilt) <= 1
    assert one.errors == []
    one.close()
