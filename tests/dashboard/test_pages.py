import logging
import re
from dataclasses import replace

import numpy as np
import pytest
from dash import dcc, html

from dashboard.app import create_app, open_page
from dashboard.pages import balance, compare, review, rider
from dashboard.pages.parts import Screen
from dashboard.pages.runs import trend_mask
from dashboard.scene import open_scene, zoomed_scene
from dashboard.shelf import Shelf
from dashboard.urlstate import View, parse, to_query
from telemetry.damping import Oscillation
from telemetry.damping.verdict import DamperCourse, DampingTrend, dampers_in_doubt
from telemetry.errors import LogbookError
from telemetry.findings import damper_answer, findings, verdict_sentences
from telemetry.report import Places, corner_laps, debrief_html
from telemetry.report.lap import POINTS
from tests.dashboard.made_up import MadeUpLogbook, made_up

LIGHT = Screen.read("light")


def walk(component):
    """A component and everything in it."""
    if isinstance(component, list | tuple):
        for part in component:
            yield from walk(part)
    elif component is not None:
        yield component
        yield from walk(getattr(component, "children", None))


def text(component) -> str:
    """What is read; a link to a place stands within its sentence."""
    parts = component if isinstance(component, list | tuple) else [component]
    parts = [part for part in parts if part is not None]
    if all(isinstance(part, str) or getattr(part, "className", "") == "in place" for part in parts):
        return "".join(part if isinstance(part, str) else text(part.children) for part in parts)
    inner = (
        part if isinstance(part, str) else text(getattr(part, "children", None))
        for part in parts
        if part is not None
    )
    return " ".join(words for words in inner if words)


def opened(logbook, path, query=""):
    page, title = open_page(Shelf(logbook), path, parse(query), LIGHT)
    return page, title, text(page)


def links(page):
    return [part.href for part in walk(page) if isinstance(part, html.A)]


def test_the_review_starts_with_the_verdicts(logbook, runs):
    page, title, said = opened(logbook, "/", "?run=after")
    assert title == "Review"
    headline = next(part for part in walk(page) if getattr(part, "className", "") == "headline")
    assert text(headline.children) == runs[0].summary.findings[0].title
    order = [text(part) for part in walk(page) if isinstance(part, html.H2)]
    assert order == [
        "Corner by corner", "Corner by lap", "Both ends, at the wheel", "Balance: rear over front (1: both ends alike)",
        "How fast and how deep", "Findings", "Where it happened", "Laps", "Every channel", "The log itself",
        "How it was computed",
    ]  # fmt: skip
    assert said.index("qualified technician") < said.index("What to do: ")


def test_the_review_opens_on_the_lap_with_the_worst_event_unless_told(logbook, runs):
    longest = max(runs[0].summary.oscillation.events, key=lambda event: event.end_s - event.start_s)
    assert f"Lap {longest.lap}, 0:40." in opened(logbook, "/", "?run=after")[2]
    assert "Lap 3, 0:40.33." in opened(logbook, "/", "?run=after&lap=3")[2]
    for whole in ("whole", "77"):
        assert "The whole run, 3 complete of 5 laps." in opened(logbook, "/", f"?run=after&lap={whole}")[2]


def test_without_an_event_the_review_opens_on_the_quickest_lap(runs):
    run = runs[0]
    ends = {end: replace(found, bottomed=()) for end, found in run.summary.ends.items()}
    calm = replace(run.summary, ends=ends, oscillation=Oscillation("no", "Fine."), findings=())
    quickest = min((lap for lap in calm.laps if lap.complete), key=lambda lap: lap.time_s)
    assert (
        f"Lap {quickest.lap}, 0:40.11."
        in opened(MadeUpLogbook(replace(run, summary=calm)), "/", "?run=after")[2]
    )


def test_every_number_of_the_lap_is_that_of_the_review(logbook, runs):
    lap = runs[0].summary.laps[2]
    _, _, said = opened(logbook, "/", "?run=after&lap=2")
    front = lap.ends["front"].wheel
    for value in (front.travel.max_mm, front.travel.p95_mm, front.travel.median_mm):
        assert f" {value:.1f} " in said
    assert f" {front.speed.compression.rms_mm_s:.0f} " in said
    assert f" {lap.balance.speed_ratio.compression:.2f} " in said


def test_a_suspicion_shows_what_it_can_be_seen_by_and_what_it_was_asked(logbook):
    page, _, said = opened(logbook, "/", "?run=after&lap=whole")
    assert {"ring-trace-0", "ring-spectrum-0"} <= {getattr(part, "id", None) for part in walk(page)}
    assert "Did the front feel the same?" in said
    assert (
        "A loss to a damping ratio of 0.05 for 0.5 s or longer, 0.12 for 0.75 s or longer would be detected"
        in said
    )
    assert "Similar at first, but with another cause (3)" in said and "It was a single impact." in said
    assert "Where the front was not settled, one by one" in said


def test_a_lap_has_only_what_happened_on_it(logbook):
    _, _, said = opened(logbook, "/", "?run=after&lap=2")
    assert "with another cause (1)" in said and "The front oscillated" not in said


def test_faults_of_the_log_are_named_with_their_place(logbook):
    _, _, said = opened(logbook, "/", "?run=after")
    assert "WARNING [rear_pot] at 40.00 to 43.00 s:" in said
    assert " 1.9 " in said, "masked share of a lap: 30 of 1600 m"


def test_the_choice_of_laps_has_times_and_part_laps(logbook, runs):
    page, _, _ = opened(logbook, "/", "?run=after")
    buttons = {}
    for part in walk(page):
        if isinstance(part, html.Button) and getattr(part, "data-choose", "") == "lap":
            buttons[getattr(part, "data-value")] = part.title
    assert buttons["whole"] == "The whole run"
    assert buttons["1"].startswith("Lap 1: 0:40.11, quickest; ")
    assert buttons["0"].startswith("Lap 0, part lap: 0:20.00")
    runs_listed = {part.value for part in walk(page) if isinstance(part, html.Option)}
    assert {run.entry.run_id for run in runs} <= runs_listed


def test_without_a_run_several_runs_are_listed(logbook):
    page, title, said = opened(logbook, "/")
    assert title == "Runs" and "After the change" in said and "Suspected loss of rear damping" in said
    assert "/?run=after" in links(page) and "/debrief/after" in links(page)
    assert "/compare?run=before&other=after" in links(page)


def test_without_a_run_the_only_run_is_shown(runs):
    assert opened(MadeUpLogbook(runs[0]), "/")[1] == "Review"
    assert opened(MadeUpLogbook(runs[0]), "/rider")[1] == "Rider"


@pytest.mark.parametrize("path", ["/", "/runs", "/balance", "/rider", "/compare"])
def test_an_empty_logbook_says_what_to_do(path):
    _, _, said = opened(MadeUpLogbook(), path)
    assert "bothends add" in said or "Choose a run" in said


@pytest.mark.parametrize("query", ["?run=nope", "?run=after&other=nope", "?run=nope&other=after"])
@pytest.mark.parametrize("path", ["/", "/balance", "/rider", "/compare"])
def test_an_unknown_run_is_said_and_others_are_offered(logbook, path, query):
    page, title, said = opened(logbook, path, query)
    if path != "/compare" and "run=nope" not in query:
        assert title in ("Review", "Balance", "Rider")
        return
    assert title == "Not found" and "has no run 'nope'" in said
    assert "/?run=before" in links(page)


def test_an_unknown_page_is_said(logbook):
    assert opened(logbook, "/no/such")[2].count("/no/such") == 1


def test_a_failing_page_is_logged_and_said_without_its_insides(logbook, caplog, monkeypatch):
    def breaks(*_):
        raise RuntimeError("secret insides")

    monkeypatch.setattr("dashboard.pages.review.travel_picture", breaks)
    with caplog.at_level(logging.ERROR):
        _, title, said = opened(logbook, "/", "?run=after")
    assert title == "Failed" and "secret" not in said
    reference = said.rpartition(" as ")[2].rstrip(".")
    assert reference in caplog.text and "secret insides" in caplog.text


def test_no_position_no_rear_no_laps_are_said(logbook):
    _, _, said = opened(logbook, "/", "?run=no-gps")
    assert "This log has no position" in said and "cannot tell" in said
    _, _, said = opened(logbook, "/", "?run=front-only")
    assert "Cannot be told: " in said and "Rear not judged: The bike file has no [rear.sensor]." in said
    assert "Neither end" not in said and "the rear was not judged" in said
    _, _, said = opened(logbook, "/", "?run=no-laps")
    assert "No laps were found" in said and "The whole run, 0 complete of 0 laps" in said


def test_the_balance_page_says_what_each_picture_shows(runs):
    page, title, said = opened(MadeUpLogbook(*runs), "/balance", "?run=after")
    assert title == "Balance"
    assert {"bump", "course", "spectra"} <= {getattr(part, "id", None) for part in walk(page)}
    for words in (
        "same bump, all clear bumps (240) 0.80 (0.70 to 0.90)",
        "At 17 of them brake or drive changed: the speed that this adds is subtracted.",
        "Rear: losing damping.",
        "body: coherence 0.80, rear 20 deg behind the front; wheel hop: no clear coherence",
    ):
        assert words in " ".join(said.split())


def test_the_balance_page_of_one_end_says_why_there_is_none(logbook):
    page, _, said = opened(logbook, "/balance", "?run=front-only")
    assert "Balance cannot be told: " in said and "Rear not judged" in said
    assert not {"bump", "course", "spectra"} & {getattr(part, "id", None) for part in walk(page)}


def test_the_rider_reads_plain_sentences(logbook):
    _, title, said = opened(logbook, "/rider", "?run=after")
    assert title == "Rider"
    for sentence in (
        "The front ran out of travel 4 times.",
        "Suspected loss of rear damping: it lost damping from lap to lap and the rear was not settled in 3 stretches.",
        "Going into corner 1",
        "front ran out of travel on laps 1, 2, 3 and 4",
        "Coming out of corner 3",
        "rear was not settled on laps 1, 2 and 3",
        "Suspected loss of front damping: the front was not settled in one stretch.",
        "front was not settled on lap 1",
    ):
        assert sentence in said
    assert "Stop and have the shock inspected" in said


def test_the_rider_gets_one_lap_on_request(logbook):
    _, _, said = opened(logbook, "/rider", "?run=after&lap=2")
    assert "The front ran out of travel once." in said and "on laps" not in said
    _, _, said = opened(logbook, "/rider", "?run=before&lap=2")
    assert "No unsettled stretch of the rear was found on this lap." in said


def test_the_rider_is_told_what_cannot_be_told(logbook):
    _, _, said = opened(logbook, "/rider", "?run=front-only")
    assert "The rear was not judged: The bike file has no [rear.sensor]." in said and "Cannot tell" in said
    assert "rear never" not in said and "stayed settled." not in said
    assert "straight line" in opened(logbook, "/rider", "?run=no-gps")[2]


def test_a_comparison_shows_the_changed_setting_and_the_verdicts(logbook):
    page, title, said = opened(logbook, "/compare", "?run=before&other=after")
    assert title == "Compare"
    assert "front rebound clicks 8 6" in said and "rider sag" not in said.split("Travel used")[0]
    assert "no clear difference" in said and "higher" in said
    assert said.index("Lost damping is suspected in the run after") < said.index("higher by")
    assert "mean over laps ± standard deviation between them" in said


def test_every_lap_of_a_comparison_is_a_dot(logbook):
    found = compare.comparison(Shelf(logbook), parse("?run=before&other=after"))
    rows = compare.dots(found, compare._TRAVEL)
    assert [row.end for row in rows] == ["front"] * 3 + ["rear"] * 3
    assert all([lap for lap, _ in row.before] == [1, 2, 3] for row in rows)
    median = next(row for row in found.metrics if row.key == "front.travel.median_mm")
    assert rows[2].after_mean == median.b.mean and rows[2].clear


def test_a_single_run_is_compared_with_the_one_before_it(logbook):
    view = compare.with_run_before(Shelf(logbook), View(run="after"))
    assert (view.run, view.other) == ("before", "after")
    last = logbook.runs()[-1].run_id
    assert "Choose a run before" in opened(logbook, "/compare", f"?run={last}")[2]


def test_a_comparison_without_an_end_leaves_it_out(logbook):
    _, title, said = opened(logbook, "/compare", "?run=front-only&other=front-only")
    assert title == "Compare" and "Not known in either run." not in said


def _sent(answer):
    return answer.to_plotly_json()["operations"]


def test_another_zoom_sends_the_samples_of_it_alone(logbook):
    shelf = Shelf(logbook)
    scene = open_scene(shelf, parse("?run=after&lap=1&from=400&to=440"))
    travel, shown, said = review.travel_answer(shelf, scene, LIGHT, only_zoom=True)
    trace = review.trace_answer(shelf, scene, LIGHT, only_zoom=True)
    for patch, lines in ((travel, 3), (trace, 6)):
        sent = _sent(patch)
        assert sum(op["location"][-1] == "bdata" or op["location"][-1] == "x" for op in sent) == lines
        assert sent[-1]["location"] == ["layout", "xaxis", "range"]
        assert sent[-1]["params"]["value"] == [400.0, 440.0]
    assert said == "Every sample is drawn (202)."
    assert shown.startswith("Lap 1, 0:40.11, 400 to 440 m: 1.00 s, 20")
    scene = open_scene(shelf, parse("?run=after&lap=whole"))
    _, _, said = review.travel_answer(shelf, scene, LIGHT, only_zoom=True)
    assert said.startswith("Drawn along time: a whole run always is. 780 of 32 000 samples")


def test_what_is_zoomed_is_what_the_numbers_are_of(logbook, runs):
    """Against NumPy on the traces themselves: 95th percentile and deepest point of the stretch."""
    traces = runs[0].traces
    inside = (traces["lap"] == 2) & (traces["distance_m"] >= 500) & (traces["distance_m"] <= 700)
    deepest = np.nanmax(traces["front_wheel_mm"][inside])
    scene = zoomed_scene(open_scene(Shelf(logbook), parse("?run=after&lap=2&from=500&to=700")))
    assert scene.ends["front"].wheel.travel.max_mm == pytest.approx(deepest, abs=0.05)
    assert scene.ends["front"].wheel.travel.max_mm < runs[0].summary.laps[2].ends["front"].wheel.travel.max_mm
    front, rear = (traces[f"{end}_wheel_mm_s"][inside] for end in ("front", "rear"))
    wanted = np.sqrt(np.mean(rear[rear > 0] ** 2) / np.mean(front[front > 0] ** 2))
    assert scene.balance.speed_ratio.compression == pytest.approx(wanted, rel=0.02)
    _, _, said = opened(logbook, "/", "?run=after&lap=2&from=500&to=700")
    assert f" {deepest:.1f} " in said and "Balance here" in said and "are of this stretch" in said


def test_a_zoom_on_a_corner_names_it(logbook, runs):
    places = Places(runs[0].summary)
    low, high = places.corner_span_m(runs[0].summary.corners[1])
    _, _, said = opened(logbook, "/", f"?run=after&lap=2&from={low}&to={high}")
    assert "Lap 2, 0:40.22, corner 2, " in said


def test_a_block_sends_curves_of_what_is_zoomed(logbook):
    shelf = Shelf(logbook)
    whole = review.curves_block(open_scene(shelf, parse("?run=after&lap=2")), LIGHT.theme)
    part = review.curves_block(open_scene(shelf, parse("?run=after&lap=2&from=500&to=700")), LIGHT.theme)
    assert len(whole) == len(part) == 8
    assert list(whole[0].data[0].y) != list(part[0].data[0].y)


def test_corners_are_sorted_by_how_unlike_the_others_the_lap_is(logbook):
    shelf = Shelf(logbook)
    scene = open_scene(shelf, parse("?run=after&lap=2"))
    found = corner_laps(scene.summary, scene.column, "wheel", 2)
    apart = [one.unlike_mm for one in found]
    assert len(found) == len(scene.summary.corners) and apart == sorted(apart, reverse=True)
    pictures, _, grid = review.corners_block(scene, LIGHT.theme)
    rows = [text(row) for row in walk(grid) if isinstance(row, html.Tr)]
    assert len(rows) == 1 + len(found) and rows[0].count("lap") == len(found[0].laps)
    assert [part.href for part in walk(pictures) if isinstance(part, html.A)] == [
        "/" + to_query(replace(scene.view, lap=2, zoom=one.span_m)) for one in found
    ]


def test_what_the_zoom_says_counts_as_numpy_does(logbook):
    x = Shelf(logbook).column("after", "t_s")
    assert review.said_of_thinning(x[:POINTS], None) == "Every sample is drawn (2000)."


def test_columns_are_read_once(runs):
    class Counting(MadeUpLogbook):
        count = 0

        def traces(self, *args):
            self.count += 1
            return super().traces(*args)

    book = Counting(runs[0])
    shelf = Shelf(book)
    for _ in range(3):
        shelf.column("after", "t_s")
    assert book.count == 1
    assert shelf.column("after", "no_such") is None


def test_two_apps_in_one_process_have_all_callbacks_and_their_own_runs(runs):
    first, second = create_app(MadeUpLogbook(runs[0])), create_app(MadeUpLogbook(runs[1]))
    assert list(first.callback_map) == list(second.callback_map)
    for app, own, other in ((first, "after", "before"), (second, "before", "after")):
        client = app.server.test_client()
        assert client.get(f"/debrief/{own}").status_code == 200
        assert client.get(f"/debrief/{other}").status_code == 404


def test_the_debrief_is_the_page_of_the_report(logbook):
    client = create_app(logbook).server.test_client()
    answer = client.get("/debrief/after")
    assert answer.mimetype == "text/html" and "Suspected loss of rear damping" in answer.text
    assert (
        "<h2>Set-up" in answer.text and "rebound clicks" in answer.text and "Setup sheet" not in answer.text
    )
    assert "After the change" in answer.text and "size: A4" in answer.text
    more = client.get("/debrief/after?appendix=1&paper=letter").text
    assert "Setup sheet" in more and "size: letter" in more
    missing = client.get("/debrief/nope")
    assert missing.status_code == 404 and "has no run" in missing.text


def test_callbacks_are_small():
    # House rule: callbacks ask and hand on; what they hand on is tested by itself.
    import inspect

    app = create_app(MadeUpLogbook(made_up()))
    sizes = [
        len(inspect.getsource(inspect.unwrap(entry["callback"])).splitlines())
        for entry in app.callback_map.values()
        if "callback" in entry
    ]
    assert sizes and sorted(sizes)[len(sizes) // 2] <= 14


def test_a_callback_that_fails_is_said(monkeypatch):
    from dashboard import app

    told = []
    monkeypatch.setattr(app, "set_props", lambda name, props: told.append((name, props["children"])))
    app._show_failure(LogbookError("book: has no run 'x'."))
    app._show_failure(RuntimeError("secret insides"))
    assert told[0] == ("notice", "book: has no run 'x'.")
    assert "secret" not in told[1][1]


def test_screens_are_read_from_whatever_a_browser_says():
    assert Screen.read("dark touch") == Screen.read("dark-touch")
    assert Screen.read("dark touch").touch and Screen.read("dark").theme.name == "dark"
    for odd in (None, "", "purple", 7, ["dark"], "touch"):
        assert Screen.read(odd).theme.name == "light"
    assert Screen.read(Screen.read("dark touch").words) == Screen.read("dark touch")


def test_hostile_names_are_text(runs):
    from dataclasses import replace

    entry = replace(runs[0].entry, name="<script>alert(1)</script>", run_id="after")
    page, _, said = opened(MadeUpLogbook(replace(runs[0], entry=entry)), "/runs")
    assert "<script>alert(1)</script>" in said
    assert not [
        part
        for part in walk(page)
        if isinstance(part, dcc.Markdown) or hasattr(part, "dangerously_allow_html")
    ]


def test_quality_without_notes(runs):
    from dataclasses import replace

    calm = replace(runs[0].summary, quality=(), history=(), bike_values={})
    _, _, said = opened(MadeUpLogbook(replace(runs[0], summary=calm)), "/", "?run=after")
    assert "No problem was found" in said


def test_a_damper_lost_all_through_is_not_called_settled_to_the_rider(runs):
    run = runs[0]
    answer = replace(run.summary.oscillation, events=(), front_events=(), course={})
    (changed,) = [replace(run, summary=replace(run.summary, oscillation=answer))]
    _, _, said = opened(MadeUpLogbook(changed), "/rider", "?run=after")
    assert "Suspected loss of rear damping: it had almost no damping over the whole run" in said
    assert "stayed settled" not in said


def test_what_was_hardly_measured_is_said_so_to_the_rider(runs):
    run = runs[0]
    ends = {end: replace(found, valid_share=0.33, bottomed=()) for end, found in run.summary.ends.items()}
    _, _, said = opened(
        MadeUpLogbook(replace(run, summary=replace(run.summary, ends=ends))), "/rider", "?run=after"
    )
    assert "The front never ran out of travel, as far as it was measured (33 % of the time)." in " ".join(
        said.split()
    )


def test_a_damper_in_doubt_heads_the_balance_page(logbook):
    _, _, said = opened(logbook, "/balance", "?run=after")
    assert said.index("Stop and have the shock inspected") < said.index("On the same bump")
    _, _, said = opened(logbook, "/balance", "?run=before")
    assert "Stop and have the shock" not in said


def _with_answer(run, answer):
    """A made-up run with another answer of the detector, and what follows from it."""
    said = run.summary
    words = verdict_sentences(said.run, said.laps, said.quality, said.ends, said.balance, answer)
    found = findings(said.laps, said.ends, said.balance, answer)
    changed = replace(said, oscillation=answer, verdicts=words, findings=found)
    judged = {f"{end}_damper": damper_answer(changed.oscillation, end) for end in ("front", "rear")}
    entry = replace(run.entry, oscillation=answer.verdict, **judged)
    return MadeUpLogbook(replace(run, entry=entry, summary=changed))


LOOK = "The rear wheel rang once: a kerb looks the same."


@pytest.mark.parametrize(
    ("answer", "headline"),
    [
        (Oscillation("no", "Fine.", judged_share=1.0), "The rear stayed settled."),
        # half of the log without a rear sensor
        (
            Oscillation("no", "Fine.", judged_share=0.52),
            "The rear stayed settled, as far as it could be judged (52",
        ),
        # only time, fork and shock were logged
        (
            Oscillation("cannot_tell", "No ground speed."),
            "Cannot tell whether the rear was settled: No ground",
        ),
        (
            Oscillation("cannot_tell", "It rang.", unexplained=7),
            "Rear damping is in doubt: it oscillated 7 times",
        ),
        (
            Oscillation("cannot_tell", "", course={"rear": DamperCourse("doubtful", "Low.", (), None)}),
            "Rear damping is in doubt: its damping was weak",
        ),
        (
            Oscillation("yes", "", course={"rear": DamperCourse("losing damping", "Fell.", (), None)}),
            "Suspected loss of rear damping: it lost damping from lap to lap.",
        ),
        (
            Oscillation(
                "yes", "", course={"rear": DamperCourse("lost damping and recovered", "F.", (), None)}
            ),
            "Suspected loss of rear damping: it lost damping over the laps and recovered.",
        ),
        (
            Oscillation("no", "Fine.", course={"front": DamperCourse("losing damping", "Fell.", (), None)}),
            "Suspected loss of front damping: it lost damping from lap to lap.",
        ),
    ],
)
def test_the_rider_reads_of_a_damper_first_and_never_that_an_unjudged_one_is_fine(runs, answer, headline):
    _, _, said = opened(_with_answer(runs[0], answer), "/rider", "?run=after")
    said = " ".join(said.split())
    assert headline in said
    if dampers_in_doubt(answer):
        assert said.index(headline) < said.index("qualified technician") < said.index("ran out of travel")
    assert ("The rear stayed settled" in said) is (answer.verdict == "no")


def test_runs_with_a_suspected_loss_head_the_list(logbook, runs):
    _, _, said = opened(logbook, "/runs")
    lost = next(run for run in runs if run.entry.oscillation == "yes")
    first = said.index("Suspected loss of rear damping")
    assert first < said.index(lost.entry.name) < said.index("newest first")


def test_a_run_is_a_row_with_the_means_of_its_laps_and_the_change_before_it(logbook, runs):
    page, _, said = opened(logbook, "/runs")
    bodies = [part for part in walk(page) if isinstance(part, html.Tbody)]
    assert len(bodies) == len(logbook.runs())
    record = next(one for one in logbook.season() if one.run_id == "after")
    left = [row.values["front.travel.median_mm"] for row in record.rows if row.at_pace]
    assert f"{sum(left) / len(left):.0f}" in text(bodies[0])
    assert "Since Before the change: front rebound clicks 8 → 6." in said
    trends = [part for part in walk(bodies[0]) if getattr(part, "className", "") == "trend"]
    assert len(trends) == 7 and all("polyline" in part.style["maskImage"] for part in trends)


def test_a_small_line_keeps_its_scale():
    def heights(*values):
        points = re.search("points='([^']*)'", trend_mask(values, 4.0))[1]
        return [float(pair.split(",")[1]) for pair in points.split()]

    low, high = heights(10.0, 10.4)
    assert low - high == pytest.approx(12 * 0.4 / 4.0, abs=0.11), "a tenth of the least height is a tenth"
    assert heights(0.0, 40.0) == [14.0, 2.0]


def test_one_short_stretch_is_shown_as_something_to_look_at(runs):
    event = replace(runs[0].summary.oscillation.events[0], level="look", confidence=0.8)
    logbook = _with_answer(runs[0], Oscillation("cannot_tell", LOOK, (event,)))
    _, _, said = opened(logbook, "/", "?run=after&lap=whole")
    said = " ".join(said.split())
    assert "Rear damping is in doubt" in said and "Suspected loss" not in said
    assert " look " in said
    assert said.count(LOOK) == 1, "a sentence stands once on a page"
    for words in ("One change at a time", "more support here", "clicker"):
        assert words not in said


def _course(state, reason="Said."):
    trend = DampingTrend(0.2, (-1.0, 1.4)) if state == "steady" else None
    return DamperCourse(state, reason, (), trend)


# Whatever calls a damper fine. What is said of the log, of travel and of the sentences of this program is left out.
FINE = re.compile(
    r"no sign of (?:lost|loss)|stayed settled|no unsettled|hop stays damped|damper is sound|"
    r"(?:rear|front): sound",
    re.IGNORECASE,
)
NOT_JUDGED = [
    Oscillation("cannot_tell", "No ground speed."),
    Oscillation(
        "cannot_tell", "Few laps.", course={end: _course("cannot tell") for end in ("front", "rear")}
    ),
]


@pytest.mark.parametrize("answer", NOT_JUDGED)
@pytest.mark.parametrize(
    "path", ["/runs", "/", "/?run=after&lap=2", "/balance", "/rider", "/rider?run=after&lap=2"]
)
def test_no_page_calls_a_damper_fine_that_was_not_judged(runs, path, answer):
    path, _, query = path.partition("?")
    _, _, said = opened(_with_answer(runs[0], answer), path, f"?{query}" if query else "?run=after")
    assert not FINE.search(said), FINE.search(said)
    if path != "/balance":  # it says nothing of dampers then
        assert "cannot be told" in said or "cannot tell" in said.lower() or "rear: not judged" in said


@pytest.mark.parametrize("answer", NOT_JUDGED)
def test_no_comparison_and_no_debrief_calls_a_damper_fine_that_was_not_judged(runs, answer):
    book = _with_answer(runs[0], answer)
    _, _, said = opened(book, "/compare", "?run=after&other=after")
    assert not FINE.search(said)
    assert "Whether the rear damper was sound in the run before cannot be told." in said
    page = debrief_html(book.summary("after"), book.traces("after"), appendix=True)
    assert not FINE.search(page)


@pytest.mark.parametrize("path", ["/runs", "/", "/balance", "/rider"])
def test_no_page_calls_a_damper_fine_whose_slow_loss_was_not_judged(runs, path):
    answer = Oscillation(
        "no", "Nothing.", judged_share=1.0, course={"rear": _course("cannot tell", "4 laps are needed.")}
    )
    _, _, said = opened(_with_answer(runs[0], answer), path, "?run=after&lap=whole")
    for words in ("No sign of lost rear damping", "no sign of loss", "rear: sound"):
        assert words not in said
    if path != "/balance":
        assert "slow loss not judged" in said or "from lap to lap was not judged" in said


@pytest.mark.parametrize(
    ("front", "words"),
    [
        (_course("losing damping"), "Suspected loss of front damping"),
        (_course("doubtful"), "The front damping is in doubt"),
    ],
)
def test_the_list_of_runs_names_a_front_damper_as_well(runs, front, words):
    course = {"front": front, "rear": _course("steady")}
    book = _with_answer(runs[0], Oscillation("no", "Fine.", judged_share=1.0, course=course))
    page, _, said = opened(book, "/runs")
    caution = text(next(part for part in walk(page) if getattr(part, "className", "") == "caution"))
    assert words in caution and "After the change" in caution and "rear" not in caution
    assert "rear: no sign of loss; front: " in said


def test_a_run_of_an_older_version_says_nothing_of_its_front_damper(runs):
    old = replace(runs[1], entry=replace(runs[1].entry, rear_damper="", front_damper="", oscillation="yes"))
    _, _, said = opened(MadeUpLogbook(old), "/runs")
    assert "Suspected loss of rear damping" in said and "front: not known" in said


def test_what_asks_for_a_change_is_said_before_the_log_is_called_sound(runs):
    words = made_up("quiet", oscillation="no", masked=False).summary.verdicts
    assert "bottomed" in words[0] and words[0].startswith("Front")
    assert words[-1].startswith("The log is OK")


def test_a_step_that_cannot_be_tried_says_why_on_every_screen(logbook):
    """No log is kept here: the reason is what `MadeUpLogbook.measured` says."""
    shelf = Shelf(logbook)
    assert not shelf.amounts("before", start=False).ready
    amounts = shelf.amounts("before", wait=True)
    assert amounts.ready and "keeps no log" in amounts.expected.reason
    turned = [one for one in amounts.summary.findings if one.turns]
    assert turned and all("bothends try" not in one.suggestion for one in turned)
    for layout in (review.layout, balance.layout, rider.layout):
        page = layout(shelf, parse("?run=before"), LIGHT)
        said = " ".join(part for part in walk(page) if isinstance(part, str))
        assert "bothends try" not in said and "-tick" not in said
    assert "keeps no log" in text(rider.next_step(amounts)[1])
