"""The dashboard in a real Chromium, on a desk and on a phone.

Every test also fails when the browser saw a console error or warning, a failed request, or a request to anywhere
but the dashboard's own address: `conftest.watch` asserts it at the end.
"""

import csv
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from telemetry.setup import parse_sheet
from tests.dashboard.browser import DESK, PHONE, TABLET, faults, page_addresses, serving
from tests.dashboard.made_up import CORNERS, MadeUpLogbook, made_up

pytestmark = pytest.mark.browser

PAGES = page_addresses("after", "before")
RANGE = "document.querySelector('#{} .js-plotly-plot')._fullLayout.xaxis.range.map(Number)"
POINTS = "document.querySelector('#{} .js-plotly-plot')._fullData[0].x.length"

# What is in view is seen with the frame after it came there, and asked for then.
FRAMES = """async () => { for (let left = 5; left > 0; left--) await new Promise(requestAnimationFrame); }"""


def x_range(page, graph="travel"):
    return page.evaluate(RANGE.format(graph))


def wait_for_range(page, low, high, graph="travel", within=2.0):
    page.wait_for_function(
        f"(want) => {{const r = {RANGE.format(graph)};"
        " return Math.abs(r[0] - want[0]) < want[2] && Math.abs(r[1] - want[1]) < want[2]}",
        arg=[low, high, within],
    )


def drag(page, graph, start, end):
    """Drag over a graph from one share of its plot width to another."""
    box = page.locator(f"#{graph} .nsewdrag").first.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + start * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + (start + end) / 2 * box["width"], y, steps=3)
    page.mouse.move(box["x"] + end * box["width"], y, steps=3)
    page.mouse.up()


# Text beyond the box that holds it.
CUT = """() => [...document.querySelectorAll('main :is(p, li, td, th, h2, h3, button, a, summary)')]
    .filter(e => e.offsetParent && e.textContent.trim())
    .filter(e => !e.closest('.scroll, .bar, .unseen, .js-plotly-plot, .runs thead'))
    .filter(e => getComputedStyle(e).textOverflow !== 'ellipsis')
    .filter(e => {
        const own = e.getBoundingClientRect();
        if (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline') return true;
        for (let box = e.parentElement; box && box !== document.body; box = box.parentElement) {
            if (!['hidden', 'clip'].includes(getComputedStyle(box).overflowX)) continue;
            const out = box.getBoundingClientRect();
            if (own.right > out.right + 1 || own.left < out.left - 1) return true;
        }
        return own.right > document.documentElement.clientWidth + 1 || own.left < -1;
    }).map(e => e.outerHTML.slice(0, 160))"""
# Words of a picture that reach beyond it.
LABELS = """() => [...document.querySelectorAll('.js-plotly-plot')].flatMap(g => {
  const own = g.getBoundingClientRect();
  return [...g.querySelectorAll('text')].filter(t => t.textContent.trim()).filter(t => {
    const b = t.getBoundingClientRect();
    const sideways = b.left < own.left - 2 || b.right > own.right + 2;
    return b.width && (sideways || b.top < own.top - 2 || b.bottom > own.bottom + 2);
  }).map(t => t.textContent);
})"""


@pytest.mark.parametrize(
    "size",
    [DESK, TABLET | {"color_scheme": "dark"}, PHONE],
    ids=["desk, light", "tablet, dark", "phone, light"],
)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_drawn_fits_and_can_be_used_by_all(watch, name, size):
    """Nothing scrolls sideways, no words are cut, and axe finds no fault at all."""
    page = watch(**size).open(PAGES[name])
    assert page.locator("main h1").count() == 1
    assert page.title().endswith(", Both Ends")
    width = page.evaluate("document.documentElement.scrollWidth")
    assert width <= size["viewport"]["width"], "the page scrolls sideways"
    assert page.evaluate(CUT) == []
    assert page.evaluate(LABELS) == []
    assert faults(page) == ""


def test_a_zoom_shows_every_sample_in_both_long_pictures_and_is_kept_until_all_is_asked(watch):
    """Another page, the other theme and a new start leave it as it is."""
    page = watch().open(PAGES["review"])
    assert page.evaluate(POINTS.format("travel")) == 2000
    drag(page, "travel", 0.25, 0.30)
    page.get_by_text("Every sample is drawn").wait_for()
    low, high = x_range(page)
    assert 350 < low < 450 and high - low == pytest.approx(80, abs=10)  # 5 % of 1600 m, begun at 25 %
    page.locator("#trace").scroll_into_view_if_needed()
    page.wait_for_function("() => document.querySelector('#trace .js-plotly-plot')._fullData.length === 6")
    wait_for_range(page, low, high, "trace")
    every_sample = pytest.approx((high - low) / 0.2, abs=4)  # 0.2 m a sample
    assert page.evaluate(POINTS.format("travel")) == every_sample

    page.wait_for_function("() => location.search.includes('from=')")
    page.get_by_role("link", name="Rider", exact=True).first.click()
    page.locator("#rider-map .main-svg").first.wait_for()
    page.go_back()
    page.locator("#travel .main-svg").first.wait_for()
    wait_for_range(page, low, high)
    page.get_by_text("Every sample is drawn").wait_for()

    colour = "document.querySelector('#travel .js-plotly-plot')._fullData[0].line.color"
    assert page.evaluate(colour) == "#6b3fa0"
    page.locator("#theme-switch").click()
    page.wait_for_function(f"() => {colour} === '#b99cf0'")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(17, 22, 28)"
    wait_for_range(page, low, high)
    page.reload()
    page.locator("#travel .main-svg").first.wait_for()
    wait_for_range(page, low, high)
    assert page.evaluate(colour) == "#b99cf0"

    page.locator("#trace").scroll_into_view_if_needed()
    wait_for_range(page, low, high, "trace")
    page.locator("#travel .nsewdrag").first.dblclick()
    wait_for_range(page, 0, 1600)
    assert "from=" not in page.url
    page.locator("#trace").scroll_into_view_if_needed()
    wait_for_range(page, 0, 1600, "trace")
    assert page.evaluate(POINTS.format("trace")) == 780  # a zoom sends fewer than a page


def test_a_pasted_address_shows_the_same(watch):
    page = watch().open("/?run=after&lap=2&at=shaft&against=time&from=10&to=12")
    wait_for_range(page, 10, 12, within=1e-6)
    assert page.locator(".laps [aria-pressed=true]").get_attribute("data-value") == "2"
    assert page.locator("#at-shaft").get_attribute("aria-pressed") == "true"
    assert "Lap 2" in page.locator("#shown").inner_text()


def lap_button(page, lap):
    return page.locator(f".laps [data-value='{lap}']")


def at_the(page, plane):
    """The numbers are of that plane, once they are in view."""
    page.wait_for_function(
        """plane => {const n = document.getElementById('numbers'); if (!n) return false;
        const top = n.getBoundingClientRect().top; if (top < 0 || top > innerHeight) n.scrollIntoView();
        return [...n.querySelectorAll('h2')].some(h => h.textContent.includes('Both ends, at the ' + plane))}""",
        arg=plane,
    )


def test_another_lap_is_shown_in_place_and_back_returns(watch):
    page = watch().open(PAGES["review"])
    opened_on = page.locator(".laps [aria-pressed=true]").get_attribute("data-value")
    page.evaluate("document.querySelector('#travel').dataset.same = 'yes'")
    lap_button(page, 3).click()
    page.get_by_text("Lap 3, 0:40.33.").wait_for()
    assert page.title() == "Review, After the change, lap 3, Both Ends"
    page.locator("#at-shaft").click()
    at_the(page, "shaft")
    assert page.locator("#travel[data-same=yes]").count() == 1, "the picture was built anew"
    assert page.url.endswith("?run=after&lap=3&at=shaft")
    page.go_back()
    at_the(page, "wheel")
    page.go_back()
    page.get_by_text(f"Lap {opened_on}, 0:40").first.wait_for()
    assert lap_button(page, opened_on).get_attribute("aria-pressed") == "true"
    assert page.locator("#at-wheel").get_attribute("aria-pressed") == "true"


def test_a_zoom_after_another_lap_is_of_that_lap(watch):
    page = watch().open(PAGES["review"])
    lap_button(page, "whole").click()
    page.get_by_text("The whole run, 3 complete").wait_for()
    wait_for_range(page, 0, 160)
    drag(page, "travel", 0.5, 0.52)
    page.get_by_text("Every sample is drawn").wait_for()
    low, high = x_range(page)
    assert low == pytest.approx(80, abs=3) and high - low == pytest.approx(3.2, abs=1)
    assert page.evaluate(POINTS.format("travel")) == pytest.approx((high - low) * 200, abs=4)  # 200 Hz


def test_keys_and_buttons_zoom_and_lead_through_laps_corners_and_runs(watch):
    page = watch().open(PAGES["review"])
    page.keyboard.press("+")
    wait_for_range(page, 400, 1200)
    page.locator("[data-zoom=later]").click()
    wait_for_range(page, 800, 1600)
    page.locator("[data-zoom=later]").click()
    page.locator("[data-zoom=wider]").click()
    wait_for_range(page, 0, 1600)
    assert "from=" not in page.url
    for whole in ("0", "Escape"):
        page.keyboard.press("+")
        wait_for_range(page, 400, 1200)
        page.keyboard.press(whole)
        wait_for_range(page, 0, 1600)
    lap_button(page, 1).click()
    page.keyboard.press("]")
    page.get_by_text("Lap 2, 0:40.22.").wait_for()
    page.keyboard.press("[")
    page.get_by_text("Lap 1, 0:40.11.").wait_for()
    page.keyboard.press("2")
    page.get_by_text("Lap 1, 0:40.11, corner 2, ").wait_for()
    assert page.locator("[data-corner='2']").get_attribute("aria-pressed") == "true"
    page.keyboard.press("n")
    page.get_by_text("Lap 1, 0:40.11, corner 3, ").wait_for()
    page.keyboard.press("p")
    page.get_by_text("Lap 1, 0:40.11, corner 2, ").wait_for()
    page.keyboard.press("0")
    page.get_by_text("Lap 1, 0:40.11.").wait_for()
    page.keyboard.press("?")
    assert page.locator("dialog#keys").is_visible()
    assert "lap before, lap after" in page.locator("dialog#keys").inner_text()
    page.keyboard.press("Escape")
    assert not page.locator("dialog#keys").is_visible()
    page.keyboard.press(",")
    page.wait_for_function("() => document.querySelector('#choose-run').value === 'before'")
    page.keyboard.press(".")
    page.wait_for_function("() => document.querySelector('#choose-run').value === 'after'")


def test_the_first_screen_holds_the_answer_the_lap_and_the_map(watch):
    """At 1440 x 900 without scrolling; the bar stays when one scrolls on."""
    page = watch().open(PAGES["review"])
    for part in (".headline", ".todo", "#shown", "#travel", "#map"):
        box = page.locator(part).first.bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= 900, part
    assert page.locator("#travel").bounding_box()["height"] > 280
    size = "e => parseFloat(getComputedStyle(e).fontSize)"
    largest = page.locator(".headline").evaluate(size)
    others = page.evaluate(
        f"[...document.querySelectorAll('main *')].filter(e => !e.closest('.headline, .unseen, .js-plotly-plot') && "
        f"e.textContent.trim()).map({size})"
    )
    assert largest > max(others)
    page.evaluate("window.scrollTo(0, 4000)")
    page.wait_for_function("() => document.querySelector('.bar').getBoundingClientRect().top === 0")


def test_a_loss_is_in_the_first_picture_and_pictures_out_of_view_are_not_asked_for(watch):
    watched = watch()
    page = watched.open("/?run=after")
    shapes = "document.querySelector('#travel .js-plotly-plot')._fullLayout.shapes"
    boxes = f"{shapes}.filter(s => s.line.width > 1 && s.type === 'rect')"
    low, high = page.evaluate(f"{boxes}.map(s => [s.x0, s.x1])[0]")
    assert 1195 < low < high < 1300  # where `made_up` rings
    assert page.locator("#travel").bounding_box()["y"] < 900
    assert page.locator(".headline").inner_text() == "Rear damping suspected lost"

    drawn = "document.querySelector('#trace .js-plotly-plot')._fullData.length"
    assert page.evaluate(drawn) == 0
    page.locator("#trace").scroll_into_view_if_needed()
    page.wait_for_function(f"() => {drawn} === 6")
    page.evaluate("window.scrollTo(0, 0)")
    page.evaluate(FRAMES)
    watched.asked.clear()
    with page.expect_response(lambda answer: "_dash-update-component" in answer.url):
        page.locator("[data-zoom=closer]").click()
    page.evaluate(FRAMES)
    watched.ready()
    sent = [url for url in watched.asked if "_dash-update-component" in url]
    assert len(sent) <= 3, "only the travel picture and what is near the window"


def test_a_fork_that_bottoms_is_followed_to_its_corner(watch):
    """The walk of an engineer: the headline, its corner, and the numbers of that stretch."""
    page = watch().open("/?run=before")
    assert page.locator(".headline").inner_text() == "Front bottoms at corner 1"
    page.locator(".headline a").click()
    page.wait_for_function("() => location.search.includes('from=0')")
    low, high = x_range(page)
    wait_for_range(page, 0, 360, within=5)  # corner 1 is from 150 to 300 m in `made_up`
    page.get_by_text("corner 1, 0 to 360 m").wait_for()
    page.locator("#numbers").scroll_into_view_if_needed()
    page.get_by_text("Balance here").wait_for()
    assert "are of this stretch" in page.locator("#shown").inner_text()
    page.locator("#faster").scroll_into_view_if_needed()
    page.wait_for_function("() => document.querySelector('#faster .js-plotly-plot')._fullData.length === 2")
    assert page.locator(".laps [aria-pressed=true]").get_attribute("data-value") in "123"
    page.go_back()
    page.wait_for_function("() => !location.search.includes('from=')")
    wait_for_range(page, 0, 1600)


def test_a_press_on_the_map_and_on_a_corner_selects(watch):
    page = watch().open(PAGES["review"])
    spot = page.evaluate(
        """() => {const g = document.querySelector('#map .js-plotly-plot'), l = g._fullLayout, d = g._fullData[0];
        const i = l.meta.distance.findIndex(m => m >= 600), b = g.getBoundingClientRect();
        return [b.left + l._size.l + l.xaxis.l2p(d.x[i]), b.top + l._size.t + l.yaxis.l2p(d.y[i])]}"""
    )
    page.mouse.click(*spot)
    page.get_by_text(", corner 2, ").first.wait_for()
    page.keyboard.press("0")
    wait_for_range(page, 0, 1600)
    box = page.locator("#travel .nsewdrag").first.bounding_box()
    page.mouse.click(box["x"] + 1120 / 1600 * box["width"], box["y"] + 40)
    page.get_by_text(", corner 3, ").first.wait_for()
    page.locator(".corner-grid a").first.scroll_into_view_if_needed()
    page.locator(".corner-grid a", has_text="Corner 4").click()
    page.get_by_text(", corner 4, ").first.wait_for()


def test_the_cursor_of_the_pictures_and_the_spot_on_the_map_move_each_other(watch):
    page = watch().open(PAGES["review"])
    spot = page.evaluate(
        """() => {const g = document.querySelector('#map .js-plotly-plot'), l = g._fullLayout, d = g._fullData[0];
        const i = l.meta.distance.findIndex(m => m >= 800), b = g.getBoundingClientRect();
        return [b.left + l._size.l + l.xaxis.l2p(d.x[i]), b.top + l._size.t + l.yaxis.l2p(d.y[i])]}"""
    )
    page.mouse.move(*spot, steps=3)
    line = page.locator(".picture:has(#travel) .cursor-line")
    line.wait_for(state="visible")
    box, own = page.locator("#travel .nsewdrag").first.bounding_box(), line.bounding_box()
    assert (own["x"] - box["x"]) / box["width"] * 1600 == pytest.approx(800, abs=12)
    words = page.locator("#read-out").inner_text()
    assert words.startswith(("79", "80", "81")) and "front" in words and "km/h" in words
    assert page.locator(".hoverlayer .hovertext").count() == 0, "nothing is written over the data"
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 0.3 * box["height"], steps=4)
    page.wait_for_function("() => /^(39|40)/.test(document.getElementById('read-out').textContent)")
    dot, start = page.evaluate(
        """() => {const g = document.querySelector('#map .js-plotly-plot'), l = g._fullLayout, d = g._fullData[0];
        const at = i => [l._size.l + l.xaxis.l2p(d.x[i]), l._size.t + l.yaxis.l2p(d.y[i])];
        const m = document.getElementById('here').style;
        return [[parseFloat(m.left), parseFloat(m.top)], at(Math.floor(d.x.length / 4))]}"""
    )
    assert dot == pytest.approx(start, abs=12)  # a quarter of the lap: of the line's points


def test_what_is_shown_can_be_taken_away(watch):
    page = watch().open(PAGES["review"])
    with page.expect_download() as picture:
        page.locator("[data-graph=travel][data-save=png]").click()
    assert picture.value.suggested_filename.startswith("Review-After-the-change-lap-")
    assert picture.value.path().read_bytes().startswith(b"\x89PNG")
    with page.expect_download() as numbers:
        page.locator("[data-graph=travel][data-save=csv]").click()
    lines = numbers.value.path().read_text().splitlines()
    assert lines[0].startswith('"curve","distance along the lap [m]"') and len(lines) > 5000
    assert {line.split(",")[0] for line in lines[1:]} >= {'"front"', '"rear"', '"road speed"'}
    page.locator("#corner-by-corner").scroll_into_view_if_needed()
    saved = {}
    for what, pressed in (
        ("corners.svg", "[data-graph=corner-by-corner]"),
        ("corners.csv", "#corner-by-corner a.button"),
        ("left.csv", "[data-graph=least-left]"),
        ("grid.csv", "[data-graph=grid]"),
    ):
        with page.expect_download() as kept:
            page.locator(pressed).click()
        saved[what] = kept.value.path().read_text()
    inner = ElementTree.fromstring(saved["corners.svg"]).findall("{http://www.w3.org/2000/svg}svg")
    assert len(inner) == len(CORNERS)
    rows = list(csv.DictReader(saved["corners.csv"].splitlines()))
    assert {row["corner"] for row in rows} == {"1", "2", "3", "4"} and {row["end"] for row in rows} == {
        "front",
        "rear",
    }
    assert saved["left.csv"].splitlines()[0] == '"[mm]","lap 1","lap 2","lap 3"'
    assert "▲" in saved["grid.csv"]
    page.evaluate(
        "navigator.clipboard.writeText = words => { window.copied = words; return Promise.resolve(); }"
    )
    said = page.locator(".others li:visible").first
    said.hover()
    page.locator(".copy.floating").click()
    assert page.evaluate("window.copied") == said.text_content()


@pytest.mark.parametrize("path", [PAGES["rider"], PAGES["compare"]])
def test_other_pages_switch_theme_in_place(watch, path):
    page = watch(**DESK).open(path)
    page.locator("#theme-switch").click()
    inks = "[...document.querySelectorAll('.js-plotly-plot')].map(g => g._fullLayout.font.color)"
    page.wait_for_function(f"() => {inks}.every(ink => ink === '#eceef1')")


def test_another_run_and_a_swap(watch):
    page = watch().open(PAGES["compare"])
    page.get_by_role("link", name="Swap").click()
    page.wait_for_function("() => location.search === '?run=after&other=before'")
    page.wait_for_function("() => document.querySelector('#choose-run').value === 'after'")
    page.locator("#choose-other").focus()
    page.locator("#choose-other").select_option("no-gps")
    page.wait_for_function("() => location.search === '?run=after&other=no-gps'")
    page.wait_for_function("() => document.querySelector('#choose-other').value === 'no-gps'")
    assert page.evaluate("document.activeElement.id") == "choose-other", "the focus stays on the list"


def test_from_the_list_of_runs_to_a_review_and_on(watch):
    page = watch().open("/")
    page.get_by_role("link", name="Review", exact=True).nth(1).click()
    page.locator("#travel .main-svg").first.wait_for()
    assert page.url.endswith("/?run=after")
    page.get_by_role("link", name="Compare", exact=True).first.click()
    page.locator("#compare-travel .main-svg").first.wait_for()
    assert page.locator("#choose-run").input_value() == "before"
    assert page.locator("#choose-other").input_value() == "after"


@pytest.mark.parametrize(
    "path", ["/?run=front-only", "/?run=no-laps", "/rider?run=no-gps", "/balance?run=no-laps"]
)
def test_a_log_that_lacks_something_is_still_shown(watch, path):
    page = watch(**PHONE).open(path)
    shown = "main section" if "/balance" in path else ".dash-graph .main-svg"
    assert page.locator(shown).first.is_visible()


def test_the_system_decides_the_theme_until_one_is_chosen(watch):
    page = watch(**PHONE, color_scheme="dark").open(PAGES["rider"])
    ink = "document.querySelector('.js-plotly-plot')._fullLayout.font.color"
    assert page.evaluate(ink) == "#eceef1"
    page.emulate_media(color_scheme="light")
    page.wait_for_function(f"() => {ink} === '#1b1d22'")
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(f"() => {ink} === '#eceef1'")


def test_an_unknown_run_is_said(watch):
    page = watch().open("/?run=nope")
    assert "has no run 'nope'" in page.locator("main").inner_text()


def test_on_a_phone_a_swipe_over_a_picture_scrolls_the_page(watch):
    page = watch(**PHONE).open(PAGES["review"])
    assert page.evaluate("document.querySelector('#travel .js-plotly-plot')._fullLayout.dragmode") is False
    touch = page.evaluate("getComputedStyle(document.querySelector('#travel .nsewdrag')).touchAction")
    assert touch == "pan-y"
    page.locator("[data-zoom=closer]").tap()
    wait_for_range(page, 400, 1200)


def test_everything_to_press_is_large_enough_for_a_finger(watch):
    page = watch(**PHONE).open(PAGES["rider"])
    # 44 px: WCAG 2.2, 2.5.5 target size (enhanced)
    small = page.evaluate(
        """() => [...document.querySelectorAll('nav a, button, select, summary')]
        .filter(e => e.offsetHeight && e.offsetHeight < 44).map(e => e.outerHTML)"""
    )
    assert small == []


def test_two_dashboards_in_one_process_and_one_of_them_breaks(watch, runs):
    class Breaking(MadeUpLogbook):
        broken = False

        def season(self):
            if self.broken:
                raise OSError("the disk is gone")
            return super().season()

    book = Breaking(made_up("else", name="Else"))
    with serving(book) as address:
        other = watch(address).open("/season")
        own = watch().open("/season")
        assert "Else" in other.locator("#season-shown").inner_text()
        assert "Else" not in own.locator("#season-shown").inner_text()
        book.broken = True
        other.locator("#choose-metric").select_option("lap.time_s")
        other.get_by_text("Something went wrong").wait_for()
        assert "disk" not in other.locator("body").inner_text()
        own.locator("#choose-metric").select_option("lap.time_s")
        own.locator("#season-shown").get_by_text("lap time").first.wait_for()


@pytest.fixture(scope="module")
def season():
    """300 runs of one bike."""
    first = made_up("run-0", name="Run 0", oscillation="no")
    return [
        replace(first, entry=replace(first.entry, run_id=f"run-{k}", name=f"Run {k}", rider=f"rider {k % 3}",
                                     quickest_lap_s=90.0 - 0.1 * k)) for k in range(300)
    ]  # fmt: skip


def test_of_300_runs_some_are_found_and_ordered_without_asking_the_server(watch, logbook, season):
    with logbook.holding(*season):
        watched = watch()
        page = watched.open("/runs")
        assert page.locator("#runs tbody").count() == 300
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= DESK["viewport"]["width"]
        asked = len(watched.asked)
        page.locator("#find-run").fill("run 29")
        assert page.locator("#runs-found").inner_text() == "13 of 300 runs"  # 29, 129, 229 and 290 to 299
        page.locator("#find-run").fill("")
        page.locator("#order-runs").select_option("time")
        assert page.locator("#runs tbody").first.inner_text().startswith("Run 299")
        assert len(watched.asked) == asked


@pytest.fixture(scope="module")
def day(runs):
    """A day of eight runs, newest first: before each one click less rebound; the fifth has a damper in doubt."""
    doubtful, calm = runs
    made = []
    for outing in range(1, 9):
        of = doubtful if outing == 5 else calm
        entry = replace(
            of.entry, run_id=f"day-{outing}", name=f"Run {outing}", outing=str(outing), date="2026-06-06"
        )
        made.append(replace(of, entry=entry, sheet=parse_sheet({"front": {"rebound_clicks": 12 - outing}})))
    return made[::-1]


def test_a_day_of_eight_runs_is_walked_from_its_alarm_to_the_next_run_and_a_comparison(watch, logbook, day):
    with logbook.holding(*day):
        watched = watch()
        page = watched.open("/runs")
        names = page.locator("#runs .name").all_inner_texts()
        assert names == [f"Run {outing}" for outing in range(8, 0, -1)]
        alarm = page.locator(".caution a")
        assert (
            alarm.all_inner_texts() == ["Run 5, 2026-06-06, Vellmoor Ring"]
            and alarm.bounding_box()["y"] < 300
        )
        changed = page.locator("#runs .between").all_inner_texts()
        assert changed == [
            f"↑ Since Run {outing - 1}: front rebound clicks {13 - outing} → {12 - outing}."
            for outing in range(8, 1, -1)
        ]
        assert page.locator("#runs tbody").first.locator(".trend").count() >= 4
        alarm.click()
        watched.ready()
        assert (
            page.locator("#choose-run")
            .evaluate("list => list.selectedOptions[0].textContent")
            .startswith("Run 5")
        )
        assert "damping" in page.locator(".headline").inner_text()
        page.keyboard.press(".")
        page.wait_for_function("() => location.search.includes('day-6')")
        watched.ready()
        assert page.locator(".headline").inner_text().startswith("Front bottoms")
        page.go_back()
        page.go_back()
        page.locator("#runs tbody").nth(2).get_by_text("Compare with Run 5").click()
        page.wait_for_function("() => location.search.includes('other=day-6')")
        watched.ready()
        assert "front rebound clicks" in page.locator("main").inner_text()


@pytest.mark.parametrize("name", ["review", "compare"])
def test_a_printed_page_says_its_run_and_its_pictures_fit_the_paper(watch, name):
    page = watch().open(PAGES[name])
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert "After the change" in page.locator("#printed").inner_text()
    page.wait_for_function(
        "() => [...document.querySelectorAll('main .js-plotly-plot')].every(one => one._fullLayout.width <= 700)"
    )
    page.emulate_media(media="screen")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("#printed").count() == 0


def test_a_rider_taps_a_place_and_sees_it_then_goes_back(watch):
    watched = watch(**PHONE)
    page = watched.open(PAGES["rider"])
    first = page.locator("#rider-says .say").first.inner_text()
    assert "damping" in first or "ran out" in first, "danger stands first"
    spots = page.locator("#rider-places .places.big a.happened")
    assert 1 <= spots.count() <= 3
    for box in (spots.nth(i).bounding_box() for i in range(spots.count())):
        assert box["height"] >= 44 and box["x"] + box["width"] <= 390
    spots.first.tap()
    page.locator("#rider-place .main-svg").first.wait_for()
    assert page.url.split("?")[0].endswith("/rider"), "the engineer's page is not where a tap leads"
    low, high = x_range(page, "rider-place")
    assert 50 <= high - low <= 400
    said = page.locator("#rider-here .reading").inner_text()
    assert "bottomed" in said or "not settled" in said
    page.go_back()
    page.locator("#rider-place").wait_for(state="detached")
    assert page.locator("#rider-places a.happened").count() >= 1


def test_the_card_of_a_run_is_kept_as_a_small_picture(watch, tmp_path):
    watched = watch(**PHONE)
    page = watched.open(PAGES["rider"])
    with page.expect_download() as waiting:
        page.locator("#rider-card").tap()
    saved = tmp_path / "card.png"
    waiting.value.save_as(saved)
    data = saved.read_bytes()
    assert data.startswith(b"\x89PNG") and len(data) < 500_000


def test_what_is_touched_on_the_riders_map_is_read_in_a_line(watch):
    page = watch(**PHONE).open(PAGES["rider"])
    x, y = page.evaluate(
        """() => { const graph = document.querySelector('#rider-map .js-plotly-plot');
        graph.scrollIntoView({block: 'center'});
        const marks = graph.data.find(trace => (trace.name || '').endsWith('bottomed'));
        const box = graph.getBoundingClientRect(), layout = graph._fullLayout;
        return [box.x + layout._size.l + layout.xaxis.d2p(marks.x[0]),
                box.y + layout._size.t + layout.yaxis.d2p(marks.y[0])]; }"""
    )
    page.mouse.move(x, y)
    page.get_by_text("bottomed, corner").wait_for()
    assert page.locator("#rider-map .hoverlayer .hovertext").count() == 0


def test_the_debrief_opens_and_loads_nothing_more(watch):
    watched = watch()
    watched.page.goto(watched.address + "debrief/after")
    assert "Debrief" in watched.page.title()
    assert len(watched.asked) == 1


def test_a_corner_pressed_in_a_comparison_is_shown_in_both_pictures_and_read_at_one_cursor(watch):
    page = watch().open(PAGES["compare"])
    page.locator("button[data-corner='2']").click()
    ranges = """() => ['travel', 'trace'].map(id =>
        document.querySelector('#' + id + ' .js-plotly-plot')._fullLayout.xaxis.range.map(Math.round).join())"""
    page.wait_for_function(f"() => {{ const r = ({ranges})(); return r[0] === r[1] && r[0] !== '0,1600'; }}")
    assert "from=" in page.url
    box = page.locator("#trace .nsewdrag").first.bounding_box()
    page.mouse.move(box["x"] + 0.8 * box["width"], box["y"] + 0.3 * box["height"], steps=4)
    said = page.locator("#read-out").inner_text()
    assert "corner 2" in said and "front before" in said and "front after less before" in said
    page.keyboard.press("Escape")
    page.wait_for_function("() => !location.search.includes('from=')")
    page.locator("#choose-also").select_option("no-gps")
    page.locator("#by-run-0 .main-svg").first.wait_for()
    assert page.url.endswith("&also=no-gps")
    page.get_by_role("link", name="Leave out No GPS").click()
    page.wait_for_function("() => !location.search.includes('also')")


def test_on_a_phone_the_pages_are_in_a_menu_of_one_line(watch):
    page = watch(**PHONE).open(PAGES["compare"])
    assert page.locator(".band").bounding_box()["height"] < 60
    assert not page.get_by_role("link", name="Season").is_visible()
    page.locator("#menu").tap()
    page.get_by_role("link", name="Season").tap()
    page.locator("h1", has_text="Season").wait_for(state="attached")
    assert page.locator("#menu").inner_text().startswith("Season")


def test_search_and_order_of_the_runs_stand_in_the_address(watch):
    page = watch().open("/runs?find=change&order=time")
    page.wait_for_function("() => document.querySelector('#runs-found').textContent === '2 of 5 runs'")
    assert page.locator("#order-runs").input_value() == "time"
    page.locator("#find-run").fill("after")
    page.wait_for_function("() => new URLSearchParams(location.search).get('find') === 'after'")
