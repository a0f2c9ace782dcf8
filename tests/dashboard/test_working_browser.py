"""The pages that write, in a real Chromium: from an empty logbook to a verdict, and every form on desk and phone."""

import pytest

from telemetry.logbook import Logbook
from tests.dashboard.browser import DESK, PHONE, faults, serving
from tests.dashboard.test_desk import ANSWERS, LOG

pytestmark = pytest.mark.browser
OF_A_RUN = ("edit", "sheet", "felt", "try", "stand")
SELECTS = ("front.calibration", "rear.calibration", "rear.leverage")


@pytest.fixture(scope="module")
def own(tmp_path_factory):
    """A logbook that is empty at first, and where it answers."""
    book = Logbook(tmp_path_factory.mktemp("own") / "logbook")
    with serving(book) as address:
        yield book, address


def draft_form(watched, log=LOG):
    page = watched.open("/add")
    page.set_input_files("#choose-file input", log)
    page.wait_for_selector("#bring-in")
    return watched.ready()


def test_from_an_empty_logbook_to_the_first_verdict(watch, own):
    book, address = own
    watched = watch(address)
    page = watched.open("/runs")
    page.click("text=Add a log >> nth=0")
    page.wait_for_selector("#choose-file input")
    page = draft_form(watched)
    assert faults(page) == ""
    for name in SELECTS:
        page.select_option(f"[name='{name}']", ANSWERS[name])
    for name, text in ANSWERS.items():
        if name not in (*SELECTS, "bike", "wheelbase_mm"):
            page.fill(f"[name='{name}']", text)
    page.fill("[name='wheelbase_mm']", "1,41")
    page.click("#review-it")
    fault = page.locator("[data-field='wheelbase_mm'] .fault")
    fault.wait_for()
    assert "Then write 1410" in fault.inner_text()
    assert page.evaluate("document.activeElement.name") == "wheelbase_mm"
    page.fill("[name='wheelbase_mm']", "1410")
    page.click("#review-it")
    page.wait_for_selector("#travel")
    watched.ready()
    (entry,) = book.runs()
    assert f"run={entry.run_id}" in page.url
    assert entry.rider == ANSWERS["run.rider"]


def test_a_stretch_is_drawn_and_a_place_is_clicked(watch, own):
    watched = watch(own[1])
    page = draft_form(watched)
    page.select_option("[name='bike']", "new")
    page.select_option("[name='front.calibration']", "hung_free")
    picker = page.locator("#sensor-front .picker")
    picker.scroll_into_view_if_needed()
    box = picker.bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 20)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 20, steps=4)
    page.mouse.up()
    start, end = map(float, page.input_value("[name='front.sensor.zero_interval_s']").split())
    length = float(picker.get_attribute("data-length"))
    assert (start / length, end / length) == pytest.approx((0.25, 0.5), abs=0.01)
    page.on("dialog", lambda dialog: dialog.accept())
    page.click("text=Throw this log away")
    page.wait_for_selector("#choose-file input")


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize("path", ["/add", "/bin", *(f"/{page}?run={{}}" for page in OF_A_RUN)])
def test_a_form_is_drawn_fits_and_can_be_used_by_all(watch, own, path, size):
    book, address = own
    run_id = book.runs()[0].run_id
    page = watch(address, **size).open(path.format(run_id))
    assert page.locator("main h1").count() == 1
    assert page.evaluate("document.documentElement.scrollWidth") <= size["viewport"]["width"]
    assert faults(page) == ""


def test_two_people_edit_one_run_and_markup_is_text(watch, own):
    book, address = own
    run_id = book.runs()[0].run_id
    one = watch(address).open(f"/edit?run={run_id}")
    other = watch(address, **PHONE).open(f"/edit?run={run_id}")
    note = "<img src=x onerror=\"document.title='broken'\"><b>dry</b>"
    one.fill("#words [name='run.notes']", note)
    one.click("#words button[type=submit]")
    one.wait_for_function("() => document.querySelectorAll('#content li').length > 1")
    other.fill("#words [name='run.notes']", "from the phone")
    other.click("#words button[type=submit]")
    other.wait_for_selector("#words .answer.bad")
    assert "meanwhile" in other.inner_text("#words .answer")
    assert other.input_value("#words [name='run.notes']") == "from the phone"
    assert book.runs()[0].notes == note
    page = watch(address).open("/runs")
    assert note in page.inner_text("main") and page.title() == "Runs, Both Ends"
    assert page.locator("main img").count() == 0
