"""The page in a real Chromium: draws, answers to mouse and keys, asks for nothing, opens quickly."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import made_up
import pytest
from test_page import HOSTILE, NAMES, renamed

from auditor.report import write_report

pytestmark = pytest.mark.browser

DESKTOP = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}


class Visit:
    """An open page, with everything it complained of and asked for."""

    def __init__(self, browser: Any, file: Path, **options: Any) -> None:
        self.context = browser.new_context(**({"viewport": DESKTOP} | options))
        self.page = self.context.new_page()
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda e: self.errors.append(str(e)))
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.goto(file.as_uri())

    def _heard(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.errors.append(message.text)

    def draw(self) -> None:
        self.page.evaluate("(async () => { for (const f of figures) await draw(f); })()")
        self.page.wait_for_timeout(150)

    def close(self) -> None:
        self.context.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    made = made_up.profile()
    write_report(made, made_up.frames(made), made_up.pictures, out)
    return out


@pytest.fixture
def visit(browser: Any, folder: Path) -> Iterator[Visit]:
    one = Visit(browser, folder / "report.html")
    yield one
    one.close()


def centre_of_point(page: Any, chart: str, index: int) -> tuple[float, float]:
    """Where a point of a chart lies on the screen."""
    x, y = page.evaluate(
        """([key, i]) => {
          const state = drawn.get(key), t = state.targets.data;
          const view = [...state.view][0] ?? state.view.roots[0];
          const frame = view.frame;
          const box = view.el.getBoundingClientRect();
          return [box.left + frame.x_scale.compute(t.x[i]), box.top + frame.y_scale.compute(t.y[i])];
        }""",
        [chart, index],
    )
    return x, y


def test_charts_draw_and_the_page_is_quiet(visit: Visit) -> None:
    visit.draw()
    drawn = visit.page.locator("figure.chart[data-drawn]").count()
    assert drawn == visit.page.locator("figure.chart").count() == 8
    inked = visit.page.evaluate(
        """() => [...document.querySelectorAll('.plot')].map((p) => {
          const canvas = [...p.querySelectorAll('*')].flatMap((e) => e.shadowRoot ? [...e.shadowRoot.querySelectorAll('canvas')] : []);
          const find = (n) => n.shadowRoot ? [...n.shadowRoot.querySelectorAll('canvas'), ...[...n.shadowRoot.querySelectorAll('*')].flatMap(find)] : [];
          const all = [...p.querySelectorAll('*')].flatMap(find);
          const colours = new Set();
          for (const c of all) {
            if (!c.width) continue;
            const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
            for (let i = 0; i < d.length; i += 4) colours.add((d[i] << 16) | (d[i + 1] << 8) | d[i + 2]);
          }
          return colours.size;
        })"""
    )
    assert min(inked) > 20, inked
    assert visit.errors == []
    assert visit.requests == [visit.requests[0]]


def test_charts_are_drawn_only_when_they_come_near(browser: Any, folder: Path) -> None:
    one = Visit(browser, folder / "report.html")
    one.page.wait_for_timeout(600)
    assert one.page.locator("figure.chart[data-drawn]").count() == 0
    assert one.page.evaluate("typeof Bokeh") == "undefined"
    one.page.locator("#lens-0").scroll_into_view_if_needed()
    one.page.wait_for_selector("#lens-0 figure.chart[data-drawn]")
    one.close()


def test_hover_tells_what_is_behind_a_point(visit: Visit) -> None:
    visit.draw()
    page = visit.page
    page.locator('figure[data-chart="l0r0"] .plot').scroll_into_view_if_needed()
    page.mouse.move(*centre_of_point(page, "l0r0", 2))
    page.wait_for_timeout(300)
    shown = page.evaluate(
        """() => { const texts = []; const walk = (n) => { if (n.classList?.contains('tip')) texts.push(n.innerText);
          if (n.shadowRoot) walk(n.shadowRoot); for (const c of n.children ?? []) walk(c); };
          walk(document.body); return texts; }"""
    )
    assert any("f/4, centre" in t and "behind it" in t and "c/px" in t for t in shown), shown
    assert visit.errors == []


def test_click_opens_the_frames_with_pictures_and_settings(visit: Visit) -> None:
    visit.draw()
    page = visit.page
    page.locator('figure[data-chart="l0r0"] .plot').scroll_into_view_if_needed()
    page.mouse.click(*centre_of_point(page, "l0r0", 2))
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
    visit.draw()
    page = visit.page
    plot = page.locator('figure[data-chart="l0r0"] .plot')
    plot.focus()
    said = page.locator("#said-l0r0")
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


def test_keyboard_reaches_everything(visit: Visit) -> None:
    """Every control that shows comes up while tabbing from the top to the end."""
    page = visit.page
    visit.draw()
    wanted = page.evaluate(
        """() => { let n = 0; for (const e of document.querySelectorAll('a[href], button, select, summary, .plot'))
          if (e.checkVisibility()) { e.dataset.stop = n++; } return n; }"""
    )
    assert wanted > 60
    page.evaluate("document.activeElement.blur(); window.scrollTo(0, 0)")
    reached = set()
    for _ in range(wanted + 40):
        page.keyboard.press("Tab")
        stop = page.evaluate("document.activeElement?.dataset?.stop ?? null")
        if stop is not None:
            reached.add(int(stop))
        if len(reached) == wanted:
            break
    assert reached == set(range(wanted))


def test_focus_shows(visit: Visit) -> None:
    page = visit.page
    for _ in range(3):
        page.keyboard.press("Tab")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_controls_and_charts_have_names(visit: Visit) -> None:
    visit.draw()
    nameless = visit.page.evaluate(
        """() => [...document.querySelectorAll('button, select, a[href], .plot, img, [role=img], table, dialog')].filter((e) =>
          !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.innerText?.trim() || e.textContent.trim()
            || e.getAttribute('alt') !== null && e.tagName === 'IMG' || e.labels?.length || e.caption)).map((e) => e.outerHTML.slice(0, 99))"""
    )
    assert nameless == []
    ids = visit.page.evaluate("[...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(ids) == len(set(ids))


def test_tables_sort_by_figure_and_say_so(visit: Visit) -> None:
    page = visit.page
    frames = page.locator(".board thead .sort").nth(2)
    read = "[...document.querySelectorAll('.board tbody tr')].map((r) => +r.children[2].dataset.v)"
    frames.click()
    up = page.evaluate(read)
    assert up == sorted(up)
    frames.click()
    assert page.evaluate(read) == sorted(up, reverse=True)
    assert page.locator(".board thead th").nth(2).get_attribute("aria-sort") == "descending"


def test_units_change_in_tables_and_charts(visit: Visit) -> None:
    """lp/mm = 1000 x c/px / pitch; LW/PH = 2 x c/px x picture height (ISO 12233 terms)."""
    visit.draw()
    page = visit.page
    table = "#lens-0 table.figures >> nth=0"
    cpp = float(page.locator(table).locator(".cpp").first.get_attribute("data-cpp"))
    for unit, expected, digits in (("lpmm", 1000 * cpp / 4.4, 1), ("lwph", 2 * cpp * 3648, 0)):
        page.select_option("#unit", unit)
        page.evaluate("redrawing.then(() => true)")
        assert page.locator(table).locator(".cpp").first.text_content() == f"{expected:.{digits}f}"
        top = page.evaluate("Math.max(...drawn.get('l0r0').targets.data.y)")
        assert top >= expected * 0.99
        assert top < expected * 1.5
    assert visit.errors == []


def test_theme_follows_the_system_and_the_button(browser: Any, folder: Path) -> None:
    one = Visit(browser, folder / "report.html", color_scheme="dark")
    ground = "getComputedStyle(document.body).backgroundColor"
    assert one.page.evaluate(ground) == "rgb(23, 26, 28)"
    one.draw()
    one.page.click("#theme")
    one.page.evaluate("redrawing.then(() => true)")
    assert one.page.evaluate(ground) == "rgb(241, 242, 241)"
    fill = one.page.evaluate("drawn.get('l0r0').root.roots()[0].background_fill_color")
    assert fill in ("#fbfcfb", [251, 252, 251, 255], {"value": "#fbfcfb"})
    assert one.errors == []
    one.close()


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
@pytest.mark.parametrize("name", ["report.html", "card.html"])
def test_nothing_hangs_over_the_side(browser: Any, folder: Path, size: dict, name: str) -> None:
    one = Visit(browser, folder / name, viewport=size)
    if name == "report.html":
        one.draw()
    assert one.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    one.close()


WIDE = """() => [...document.querySelectorAll('table')].map((t) => [
  t.scrollWidth - t.parentElement.clientWidth, t.caption?.textContent ?? t.className]).filter((t) => t[0] > 0)"""


@pytest.mark.parametrize("width", [390, 640, 688, 800, 1050, 1400])
def test_every_table_fits_its_place(visit: Visit, width: int) -> None:
    """No column is cut off, on a phone, on a sheet of A4 (688 px inside its margins), on a screen."""
    page = visit.page
    page.set_viewport_size({"width": width, "height": 900})
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.wait_for_selector("#all-keepers tbody tr")
    assert page.locator("table").count() >= 15
    assert page.evaluate(WIDE) == []
    page.emulate_media(media="print")
    assert page.evaluate(WIDE) == []


@pytest.mark.parametrize(
    "width", [360, 480, 577, 800, 897, 1050, 1100, 1200, 1250, 1400, 1920, 2560]
)
def test_every_link_of_the_top_row_shows_at_every_width(visit: Visit, width: int) -> None:
    """Nothing scrolls sideways, neither the page nor the row itself, and no control is cut."""
    page = visit.page
    page.set_viewport_size({"width": width, "height": 700})
    links = page.locator(".top a").count()
    assert links == 10  # all sections, and the way back to the top
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    cut = page.evaluate(
        """() => [...document.querySelectorAll('.top a, .top button, .top select')].filter((e) => {
          if (!e.checkVisibility()) return false;
          const at = e.getBoundingClientRect();
          const seen = document.elementFromPoint((at.left + at.right) / 2, (at.top + at.bottom) / 2);
          const ends = document.elementFromPoint(at.right - 2, (at.top + at.bottom) / 2);
          return at.left < 0 || at.right > innerWidth || seen !== e || ends !== e;
        }).map((e) => e.textContent.trim().slice(0, 20))"""
    )
    assert cut == []


@pytest.mark.parametrize("width", [390, 1100, 1400])
def test_a_link_leads_to_its_heading_in_full_view(visit: Visit, width: int) -> None:
    """The row that stays at the top never lies over the heading that was asked for."""
    page = visit.page
    page.set_viewport_size({"width": width, "height": 700})
    page.evaluate("document.documentElement.style.scrollBehavior = 'auto'")
    for name in ("lenses", "bodies", "method"):
        page.locator(f'.top nav a[href="#{name}"]').evaluate("(a) => a.click()")
        page.wait_for_timeout(150)
        over = page.evaluate(
            """(id) => { const at = document.getElementById(id).getBoundingClientRect();
              const seen = document.elementFromPoint(at.left + 5, (at.top + at.bottom) / 2);
              return seen?.id; }""",
            f"{name}-title",
        )
        assert over == f"{name}-title"


def test_keepers_show_their_pictures_and_the_whole_list(visit: Visit) -> None:
    page = visit.page
    page.locator(".keeper").first.scroll_into_view_if_needed()
    page.wait_for_selector(".keeper .thumb[src]")
    page.wait_for_timeout(100)
    assert page.evaluate("document.querySelector('.keeper .thumb').naturalWidth") > 0
    assert page.locator(".keeper").first.locator("img").count() == 3
    page.locator("#all-keepers > summary").click()
    page.wait_for_selector("#all-keepers tbody tr")
    assert page.locator("#all-keepers tbody tr").count() == 40


@pytest.mark.parametrize("kind", list(NAMES))
def test_hostile_names_do_nothing(browser: Any, tmp_path: Path, kind: str) -> None:
    made = renamed(NAMES[kind])
    write_report(made, made_up.frames(made, 400), None, tmp_path)
    for size in (PHONE, DESKTOP) if kind in ("markup", "300 characters") else (PHONE,):
        one = Visit(browser, tmp_path / "report.html", viewport=size)
        one.page.on("dialog", lambda d, one=one: one.errors.append(d.message))
        one.draw()
        one.page.evaluate("showFrames('lens-0', '0:0', 'x')")
        one.page.wait_for_timeout(200)
        assert one.page.evaluate("window.hacked") is None
        assert one.errors == []
        assert len(one.requests) == 1
        assert one.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        if kind == "markup":
            assert HOSTILE[:30] in one.page.locator("#lens-0 h3").inner_text()
        one.close()


def test_twenty_lenses_and_fifty_thousand_frames_open_within_two_seconds(
    browser: Any, tmp_path: Path
) -> None:
    made = made_up.profile(20, keepers=3000)
    for lens in made["lenses"]:
        for part in lens["focal_ranges"]:
            for row in part["apertures"]:
                row["frames"] *= 4
    frames = made_up.frames(made)
    assert len(frames) > 50_000
    write_report(made, frames, made_up.pictures, tmp_path)
    times = []
    for _ in range(3):
        one = Visit(browser, tmp_path / "report.html")
        times.append(
            one.page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
        )
        one.page.locator("#lens-0 .plot").first.scroll_into_view_if_needed()
        one.page.wait_for_selector("#lens-0 figure.chart[data-drawn]")
        assert one.errors == []
        one.close()
    assert min(times) < 2000, times
    assert (tmp_path / "report.html").stat().st_size < 15e6


SHOWN = """(night) => {
  const ink = new Set();
  for (const e of document.querySelectorAll('.still .l')) ink.add(getComputedStyle(e).stroke);
  const boxes = [...document.querySelectorAll('figure.chart')].map((f) => f.querySelector('.still').getBoundingClientRect());
  return { charts: boxes.filter((b) => b.width > 250 && b.height > 150).length,
    live: [...document.querySelectorAll('.plot')].filter((p) => p.checkVisibility()).length,
    pictures: [...document.querySelectorAll('.keeper img')].filter((i) => i.checkVisibility() && i.naturalWidth > 0).length,
    ink: [...ink], paper: getComputedStyle(document.body).backgroundColor };
}"""


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_paper_shows_every_chart_and_picture_without_the_button(
    browser: Any, tmp_path: Path, theme: str
) -> None:
    """Printed at once, folded lenses and causes too, in day colours whatever the screen shows."""
    made = made_up.profile(8)
    causes = [f"cause {i}" for i in range(8)]
    for i, keeper in enumerate(made["keepers"]):
        keeper["cause"] = causes[i % 8]
    write_report(made, made_up.frames(made, 2000), made_up.pictures, tmp_path)
    one = Visit(browser, tmp_path / "report.html", color_scheme=theme)
    page = one.page
    folded = "[...document.querySelectorAll('details.lens, details.cause')].filter((d) => !d.open).length"
    assert page.evaluate(folded) == 4
    page.evaluate(f"addEventListener('beforeprint', () => {{ window.atPrint = {folded}; }})")
    pdf = page.pdf(format="A4")
    assert page.evaluate("window.atPrint") == 0
    assert page.evaluate(folded) == 4
    wanted = page.locator(".keeper img").count()
    assert wanted > 60
    drawn = {bytes(m) for m in re.findall(rb"/Subtype\s*/Image[^>]*/Width (\d+)", pdf)}
    assert {b"160", b"320"} <= drawn  # crops and small views
    page.emulate_media(media="print", color_scheme=theme)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    seen = page.evaluate(SHOWN)
    charts = sum(len(x["focal_ranges"]) for x in made["lenses"]) + len(made["bodies"])
    assert (seen["charts"], seen["live"], seen["pictures"]) == (charts, 0, wanted)
    assert seen["paper"] == "rgb(255, 255, 255)"
    assert "rgb(23, 80, 110)" in seen["ink"]  # the centre's day colour
    assert one.errors == []
    one.close()


def test_charts_stand_without_scripts(browser: Any, folder: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((folder / "report.html").as_uri())
    still = page.locator("#lens-0 .still").first
    assert still.is_visible()
    assert not page.locator("#lens-0 .plot").first.is_visible()
    context.close()


@pytest.mark.parametrize("lenses", [3, 20])
@pytest.mark.parametrize("bodies", [2, 13])
def test_card_prints_on_a6_pages_without_spilling(
    browser: Any, tmp_path: Path, lenses: int, bodies: int
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
    one = Visit(browser, tmp_path / "card.html")
    one.page.emulate_media(media="print")
    cards = one.page.locator(".card").count()
    assert lenses > 3 or bodies > 2 or cards == 1
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
