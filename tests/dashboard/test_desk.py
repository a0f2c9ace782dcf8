"""Everything that writes from a browser: who may, what arrives, and that it is whole or not there at all."""

import io
import json
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import quote

import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboard import guard
from dashboard.app import create_app, open_page
from dashboard.desk.adding import first_answers, preview_apart, preview_of
from dashboard.desk.correcting import difference_words, history_of, sheet_fields
from dashboard.desk.desk import Desk
from dashboard.pages.parts import Screen
from dashboard.pages.stand import stand_of
from dashboard.shelf import Shelf
from dashboard.urlstate import parse
from telemetry.bike import load_bike, open_geometry
from telemetry.errors import BothEndsError
from telemetry.logbook import Drafts, Logbook, export, verify
from telemetry.report import debrief_html
from telemetry.review import new_bike
from telemetry.setup import parse_sheet
from telemetry.stand import at_stand, parse_change
from tests.dashboard.made_up import MadeUpLogbook, made_up

ROOT = Path(__file__).parents[2]
LOG = ROOT / "fixtures" / "vellmoor-plain.csv"
HOME = "http://127.0.0.1:8417"
OURS = {"Origin": HOME, guard.OWN_HEADER: "1"}
ANSWERS = {
    "bike": "new",
    "front.calibration": "points",
    "front.sensor.points": "0,312 0\n4,420 125",
    "rear.calibration": "points",
    "rear.sensor.points": "0.405\t0\n3.865\t70",
    "front.stroke_mm": "125",
    "rear.shock_stroke_mm": "70",
    "rear.leverage": "table",
    "rear.leverage_table_mm": "shock\twheel\n0\t0\n20\t38,8\n40\t75,1\n70\t125,0",
    "wheelbase_mm": "1410",
    "front.rake_deg": "24",
    "name": "QB-6",
    "run.rider": "Rider <b>A</b>",
}


def client_of(logbook, **settings):
    app = create_app(logbook, **settings)
    return app.server.test_client(), app.server


def writing_rules(server):
    return sorted(
        rule.rule
        for rule in server.url_map.iter_rules()
        if "POST" in rule.methods and not rule.rule.startswith("/_")
    )


def filled(rule):
    return re.sub(r"<int:\w+>", "0", re.sub(r"<(?!int:)[^>]+>", "a" * 32, rule))


@pytest.fixture
def client(tmp_path):
    return client_of(Logbook(tmp_path / "logbook"))[0]


def send(client, to, data=None, **kept):
    answer = client.post(to, base_url=HOME, headers=OURS, json=data or {}, **kept)
    assert answer.status_code == 200, (to, answer.status_code, answer.text)
    return answer.json


def wait(client, told):
    assert "job" in told, told
    for _ in range(600):
        job = client.get(f"/job/{told['job']}", base_url=HOME).json
        if job["state"] not in ("waiting", "working"):
            return job
        time.sleep(0.1)
    raise AssertionError("the job does not end")


def bring(client, path=LOG, pieces=7):
    """Send a file in pieces; returns its token once it was read."""
    content = path.read_bytes()
    token = send(client, "/write/upload", {"name": path.name, "size": str(len(content))})["token"]
    step = -(-len(content) // pieces)
    for at in range(0, len(content), step):
        answer = client.post(
            f"/write/upload/{token}/{at}", base_url=HOME, headers=OURS, data=content[at : at + step]
        )
        told = answer.json
    assert wait(client, told)["state"] == "done"
    return token


def meanings(logbook, token):
    """What the form holds before a person touches it."""
    preview = logbook.path / "drafts" / token / "preview.json"
    data = json.loads(preview.read_text(encoding="utf-8"))
    names = [column["name"] for column in data["columns"]]
    return {f"meaning.{names.index(p['column'])}": p["meaning"] for p in data["meanings"]}


# ---- who may write ------------------------------------------------------------------------------------------

RULES = writing_rules(create_app(MadeUpLogbook(made_up())).server)


def test_every_writing_route_is_below_one_address_and_in_the_list():
    assert len(RULES) > 8
    assert all(rule.startswith(guard.WRITING) for rule in RULES)
    listed = re.findall(r"\| `POST (/write/[^`]*)`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert sorted(listed) == RULES


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize(
    ("host", "headers", "status"),
    [
        ("http://elsewhere.example", OURS, 421),
        (HOME, {guard.OWN_HEADER: "1"}, 403),
        (HOME, {**OURS, "Origin": "http://elsewhere.example"}, 403),
        (HOME, {**OURS, "Origin": "null"}, 403),
        (HOME, {**OURS, "Sec-Fetch-Site": "cross-site"}, 403),
        (HOME, {"Origin": HOME}, 403),
    ],
    ids=["other host", "no origin", "foreign origin", "null origin", "cross-site", "no header of ours"],
)
def test_no_route_writes_for_a_stranger(tmp_path, rule, host, headers, status):
    client, _ = client_of(Logbook(tmp_path))
    before = sorted(tmp_path.rglob("*"))
    assert client.post(filled(rule), base_url=host, headers=headers, json={}).status_code == status
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("rule", RULES)
def test_the_key_is_asked_and_riders_write_their_words_only(tmp_path, rule):
    client, _ = client_of(Logbook(tmp_path), share_key="team", rider_key="rider")
    assert client.post(filled(rule), base_url=HOME, headers=OURS, json={}).status_code == 403
    assert client.get("/?key=rider", base_url=HOME).status_code == 200
    assert client.get("/", base_url=HOME).status_code == 200
    status = client.post(filled(rule), base_url=HOME, headers=OURS, json={}).status_code
    assert (status == 403) is not rule.startswith("/write/rider/")


def test_runs_that_are_only_shown_cannot_be_written():
    client, _ = client_of(MadeUpLogbook(made_up()))
    assert "only be read" in send(client, "/write/upload", {"name": "log.csv", "size": "10"})["message"]


# ---- a log arrives ------------------------------------------------------------------------------------------


def test_a_log_arrives_in_pieces_byte_for_byte(client, tmp_path):
    token = bring(client)
    kept = tmp_path / "logbook" / "drafts" / token / "log" / LOG.name
    assert kept.read_bytes() == LOG.read_bytes()
    assert not list((tmp_path / "logbook" / "drafts").glob("*.part"))


@pytest.mark.parametrize(
    "name", ["../../evil.csv", "..\\evil.csv", "/etc/evil.csv", "C:\\evil.csv", "a/b/evil.csv"]
)
def test_a_name_leads_nowhere_else(client, tmp_path, name):
    token = send(client, "/write/upload", {"name": name, "size": "4"})["token"]
    client.post(f"/write/upload/{token}/0", base_url=HOME, headers=OURS, data=b"a\n1\n")
    assert [path.name for path in tmp_path.rglob("*evil*")] == ["evil.csv"]
    assert (tmp_path / "logbook" / "drafts" / token / "log" / "evil.csv").is_file()


@pytest.mark.parametrize(
    ("name", "size", "words"),
    [
        ("log.csv", "0", "is empty"),
        ("log.csv", "-5", "is empty"),
        ("log.csv", str(10**15), "larger than"),
        ("..", "9", "no name"),
        ("", "9", "no name"),
    ],
)
def test_what_cannot_be_kept_is_refused_before_it_is_sent(client, tmp_path, name, size, words):
    assert words in send(client, "/write/upload", {"name": name, "size": size})["message"]
    assert not list((tmp_path / "logbook").glob("drafts/*"))


def test_pieces_out_of_order_or_past_the_end_are_refused(client, tmp_path):
    token = send(client, "/write/upload", {"name": "log.csv", "size": "6"})["token"]

    def piece(at, content):
        answer = client.post(f"/write/upload/{token}/{at}", base_url=HOME, headers=OURS, data=content)
        return answer.json.get("message", "")

    assert "not the next one" in piece(3, b"abc")
    assert piece(0, b"abc") == ""
    assert "not the next one" in piece(0, b"abc")
    assert "grew" in piece(3, b"defgh")
    assert send(client, f"/write/upload/{token}/stop") == {}
    assert "not arriving" in piece(3, b"def")
    assert not list((tmp_path / "logbook" / "drafts").iterdir())


@pytest.mark.parametrize("token", ["..", "a" * 31, "A" * 32, "....", "a" * 32])
def test_an_unknown_draft_is_one_line(client, token):
    for what in ("", "/bike", "/review", "/discard"):
        answer = client.post(f"/write/draft/{token}{what}", base_url=HOME, headers=OURS, json={})
        assert answer.status_code in (200, 404, 405, 308)
        if answer.status_code == 200:
            assert "draft" in answer.json["message"] or "waiting" in answer.json["message"]


@pytest.mark.parametrize("body", ["[]", "7", '{"a": 3}', '{"a": {"b": 1}}', "x"])
def test_what_is_no_form_is_refused(client, body):
    answer = client.post(
        "/write/upload", base_url=HOME, headers=OURS, data=body, content_type="application/json"
    )
    assert answer.status_code == 400


# ---- from the answers to the review -------------------------------------------------------------------------


def test_answers_become_a_run_with_a_bike_file_in_words(client, tmp_path):
    logbook = Logbook(tmp_path / "logbook")
    token = bring(client)
    job = wait(client, send(client, f"/write/draft/{token}/review", meanings(logbook, token) | ANSWERS))
    assert job["state"] == "done", job
    (entry,) = logbook.runs()
    assert job["then"] == f"/?run={entry.run_id}"
    assert (entry.bike, entry.rider) == ("QB-6", "Rider <b>A</b>")
    bike = load_bike(logbook.store.bike(entry.run_id))
    assert bike.front.sensor.points == ((0.312, 0.0), (4.420, 125.0))
    assert bike.rear.leverage_table_mm == ((0, 0), (20, 38.8), (40, 75.1), (70, 125.0))
    text = logbook.store.bike(entry.run_id).read_text(encoding="utf-8")
    assert re.search(r'(?m)^channel = "fork" +# named', text)
    assert logbook.original(entry.run_id).read_bytes() == LOG.read_bytes()
    assert not list((tmp_path / "logbook" / "drafts").iterdir())
    # the same motorcycle again, with its columns remembered: nothing is asked
    token = bring(client)
    again = meanings(logbook, token) | {"bike": entry.run_id, "run.name": "Second"}
    assert wait(client, send(client, f"/write/draft/{token}/review", again))["state"] == "done"
    assert logbook.runs()[0].bike == "QB-6"


def test_faults_stand_at_their_fields_in_the_words_of_the_bike_file(client, tmp_path):
    token = bring(client)
    form = meanings(Logbook(tmp_path / "logbook"), token) | ANSWERS
    form |= {"wheelbase_mm": "1,41", "rear.sensor.points": "0.4 0", "name": ""}
    faults = send(client, f"/write/draft/{token}/review", form)["faults"]
    assert faults["wheelbase_mm"].endswith("In metres? Then write 1410.")
    assert "two pairs" in faults["rear.sensor.points"]
    assert faults["name"] == "is still to be filled in."
    form |= {"wheelbase_mm": "1410", "rear.sensor.points": "0.4 0\n0.4 70", "name": "QB-6"}
    form |= {"rear.leverage_table_mm": "0 0\n38.8 20\n75 40\n125 70"}
    faults = send(client, f"/write/draft/{token}/review", form)["faults"]
    assert "other way about" in faults["rear.leverage_table_mm"], faults
    form[next(key for key, value in form.items() if value == "rear")] = "front"
    assert any(
        "already" in words for words in send(client, f"/write/draft/{token}/review", form)["faults"].values()
    )
    assert Logbook(tmp_path / "logbook").runs() == ()


def test_what_is_not_known_stays_open_and_the_review_says_what_it_cannot_answer(client, tmp_path):
    book = Logbook(tmp_path / "logbook")
    token = bring(client)
    open_keys = ("wheelbase_mm", "front.stroke_mm", "front.rake_deg", "rear.shock_stroke_mm")
    said = {key: text for key, text in ANSWERS.items() if key not in open_keys}
    made = send(client, f"/write/draft/{token}/bike", meanings(book, token) | said)
    assert made["faults"] == {} and "# wheelbase_mm = " in made["text"]
    assert (
        wait(client, send(client, f"/write/draft/{token}/review", meanings(book, token) | said))["state"]
        == "done"
    )
    entry, _ = only(book)
    summary = book.summary(entry.run_id)
    assert open_geometry(book.bike(entry.run_id)) == open_keys
    said_of = [note.message for note in summary.quality if note.code == "open_key"]
    assert len(said_of) == 4 and all(key in " ".join(said_of) for key in open_keys)
    assert summary.balance.pitch.mean_deg is None
    for end in summary.ends.values():
        assert end.judged and end.stroke_open and end.wheel.travel.max_mm > 0 and not end.bottomed
    assert any("whether it bottomed is not known" in words for words in summary.verdicts)
    assert "never bottomed" not in " ".join(summary.verdicts)
    shelf = Shelf(book)
    shelf.desk = Desk(shelf)
    shown = [debrief_html(summary, book.traces(entry.run_id), appendix=True)]
    for path in ("/", "/balance", "/rider", "/runs", "/sheet", "/stand", "/sensors", "/season"):
        page, _ = open_page(shelf, path, parse(f"?run={entry.run_id}"), Screen.read("light"))
        shown.append(json.dumps(page, cls=PlotlyJSONEncoder))
    for page in shown:
        assert not re.search(r"(?<![a-zA-Z])nan(?![a-zA-Z])", page, re.IGNORECASE)


def test_a_sensor_the_other_way_round_is_proposed_by_what_braking_does_to_it(tmp_path):
    """A fork compresses under braking, a shock extends: load transfer (J. Y. Wong, Theory of Ground Vehicles)."""
    header, *lines = LOG.read_text().splitlines()
    names = header.split(",")
    place = names.index("fork")
    rows = [line.split(",") for line in lines]
    turned = [
        [*row[:place], f"{5 - float(row[place]):.4f}" if row[place] else "", *row[place + 1 :]]
        for row in rows
    ]
    (tmp_path / "turned.csv").write_text("\n".join([header, *map(",".join, turned)]) + "\n")
    said = first_answers(preview_of(tmp_path / "turned.csv"), {})
    assert said.get("front.falls") == "yes" and "rear.falls" not in said
    assert "front.falls" not in first_answers(preview_of(LOG), {})
    sheet = {"front.calibration": "sheet", "front.sensor.mm_per_unit": "31", "front.sensor.zero": "4.6"}
    for falls, written in (("", "mm_per_unit = 31 "), ("yes", "mm_per_unit = -31 ")):
        assert written in new_bike({**ANSWERS, **sheet, "front.falls": falls}).text


def test_an_end_of_which_nothing_is_known_is_left_out_and_the_review_says_so(client, tmp_path):
    book = Logbook(tmp_path / "logbook")
    token = bring(client)
    said = meanings(book, token) | ANSWERS | {"rear.calibration": "none", "rear.leverage": "whole"}
    said |= {"rear.leverage_table_mm": "", "rear.wheel_travel_mm": "125"}
    assert wait(client, send(client, f"/write/draft/{token}/review", said))["state"] == "done"
    entry, _ = only(book)
    ends = book.summary(entry.run_id).ends
    assert ends["front"].judged and not ends["rear"].judged
    assert ends["rear"].reason
    text = book.store.bike(entry.run_id).read_text(encoding="utf-8")
    assert "only its ends are known" in text and "[rear.sensor]" not in text.split("# What else")[0]


def test_what_was_answered_is_still_there_after_a_new_start(client, tmp_path):
    token = bring(client)
    send(client, f"/write/draft/{token}", {"name": "Half <i>typed", "wheelbase_mm": "14"})
    anew, _ = client_of(Logbook(tmp_path / "logbook"))
    shown = anew.post(
        "/_dash-update-component",
        base_url=HOME,
        json={
            "output": "..page.children...title.data..",
            "outputs": [{"id": "page", "property": "children"}, {"id": "title", "property": "data"}],
            "inputs": [
                {"id": "url", "property": "pathname", "value": "/add"},
                {"id": "url", "property": "search", "value": f"?draft={token}"},
            ],
            "state": [{"id": "screen", "property": "data", "value": "light"}],
            "changedPropIds": ["url.pathname"],
        },
    )
    assert "Half <i>typed" in json.loads(shown.text)["response"]["page"]["children"].__str__()


# ---- putting a run right ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    """A logbook with one run, made once and copied for each test."""
    path = tmp_path_factory.mktemp("reviewed") / "logbook"
    Logbook(path).add(LOG, ROOT / "fixtures" / "qb-6.toml", name="First")
    return path


@pytest.fixture
def book(reviewed, tmp_path):
    shutil.copytree(reviewed, tmp_path / "book")
    return Logbook(tmp_path / "book")


def only(book):
    (entry,) = book.runs()
    return entry, book.version(entry.run_id)


def test_words_are_put_right_kept_and_undone(book):
    client, _ = client_of(book)
    entry, version = only(book)
    note = "<script>alert(1)</script> & 'quoted'"
    told = send(
        client, f"/write/run/{entry.run_id}/words", {"version": version, "run.name": "Q1", "run.notes": note}
    )
    assert told["then"] == f"/edit?run={entry.run_id}"
    after, changed = only(book)
    assert (after.name, after.notes, after.run_id) == ("Q1", note, entry.run_id)
    assert changed != version
    assert Logbook(book.path).runs() == (after,)
    step = history_of(book, entry.run_id)[0]
    assert step.what == "Words changed: name, notes"
    send(client, f"/write/run/{entry.run_id}/back", {"version": changed, "to": step.back_to})
    assert (only(book)[0].name, only(book)[0].notes) == ("First", "")


def test_the_second_of_two_is_told_and_nothing_is_lost(book):
    one, two = client_of(book)[0], client_of(Logbook(book.path))[0]
    entry, version = only(book)
    to = f"/write/run/{entry.run_id}/words"
    assert "then" in send(one, to, {"version": version, "run.notes": "mine"})
    assert (
        "changed this run meanwhile" in send(two, to, {"version": version, "run.notes": "yours"})["message"]
    )
    assert only(book)[0].notes == "mine"
    for what in ("again", "back", "bin"):
        told = send(two, f"/write/run/{entry.run_id}/{what}", {"version": version, "to": entry.run_id})
        assert "changed this run meanwhile" in told["message"]
    assert "then" in send(two, to, {"version": book.version(entry.run_id), "run.notes": "mine, yours"})


@pytest.mark.parametrize(
    ("said", "words"), [({"run.date": "1.5.2026"}, "is not a date"), ({"run.name": "a\x1b[31mb"}, "\ufffd")]
)
def test_words_that_cannot_be_kept_are_refused(book, said, words):
    client, _ = client_of(book)
    entry, version = only(book)
    assert words in send(client, f"/write/run/{entry.run_id}/words", {"version": version, **said})["message"]
    assert only(book)[0] == entry


def test_laps_columns_and_bike_file_make_a_new_version_that_can_be_undone(book):
    client, _ = client_of(book)
    entry, version = only(book)
    to = f"/write/run/{entry.run_id}/again"
    assert "why" in send(client, to, {"version": version, "laps.1": ""})["faults"]["cut.why"]
    assert (
        "column"
        in send(client, to, {"version": version, "column.speed": "nonsense"})["faults"]["column.speed"]
    )
    text = book.store.bike(entry.run_id).read_text(encoding="utf-8")
    wrong = text.replace("wheelbase_mm = ", "wheelbase_mm = 0.00")
    assert "wheelbase_mm" in send(client, to, {"version": version, "bike.text": wrong})["faults"]["bike.text"]
    assert send(client, to, {"version": version, "bike.text": text}) == {"words": "Nothing was changed."}
    said = {
        "version": version,
        "laps.1": "",
        "cut.why": "rain",
        "column.throttle": "",
        "bike.text": text + "\n# new\n",
    }
    job = wait(client, send(client, to, said))
    assert job["state"] == "done", job
    now, newer = only(book)
    assert now.run_id != entry.run_id and job["then"] == f"/edit?run={now.run_id}"
    assert book.store.cut(now.run_id).leave_out == (1,) and book.store.cut(now.run_id).why == "rain"
    assert book.store.channels(now.run_id)["throttle"] == ""
    assert any("rain" in note.message for note in book.summary(now.run_id).quality)
    steps = history_of(book, now.run_id)
    assert steps[0].what == "Reviewed again: bike file, columns, which laps count"
    send(client, f"/write/run/{now.run_id}/back", {"version": newer, "to": steps[0].back_to})
    assert only(book)[0].run_id == entry.run_id
    assert {one.run_id for one in book.history(entry.run_id)} == {entry.run_id, now.run_id}


def test_a_run_goes_to_the_bin_with_its_history_and_comes_back(book):
    client, _ = client_of(book)
    entry, version = only(book)
    assert send(client, f"/write/run/{entry.run_id}/bin", {"version": version}) == {"then": "/runs"}
    assert book.runs() == () and book.in_bin() == (entry,)
    assert Logbook(book.path).runs() == ()
    assert send(client, f"/write/bin/{entry.run_id}/back")["then"].endswith(entry.run_id)
    assert book.runs() == (entry,) and book.in_bin() == ()
    assert verify(Logbook(book.path)).damages == ()
    assert "no run" in send(client, f"/write/bin/{entry.run_id}/back")["message"]


def test_killed_between_bin_and_catalogue_it_is_in_the_bin(book):
    entry, _ = only(book)
    book.store.bin.mkdir()
    book.store.home(entry.run_id).rename(book.store.bin / entry.run_id)  # as a killed process leaves it
    anew = Logbook(book.path)
    assert anew.runs() == () and anew.in_bin() == (entry,)


# ---- setup sheet and rider's words --------------------------------------------------------------------------


def test_a_setup_sheet_is_kept_with_its_limits_and_told_in_words(book):
    client, _ = client_of(book)
    entry, version = only(book)
    to = f"/write/run/{entry.run_id}/sheet"
    assert send(client, to, {"version": version, "set.front.preload_mm": "x"})["faults"] == {
        "set.front.preload_mm": "That is no number."
    }
    assert (
        "set.front.preload_mm"
        in send(client, to, {"version": version, "set.front.preload_mm": "-4000"})["faults"]
    )
    said = {
        "version": version,
        "set.front.preload_mm": "8,5",
        "set.rear.rebound_clicks": "12",
        "set.tyres": "<b>new</b>",
    }
    assert wait(client, send(client, to, {**said, "version": version}))["state"] == "done"
    now, version = only(book)
    sheet = book.sheet(now.run_id)
    assert (sheet.front.preload_mm, sheet.rear.rebound_clicks, sheet.tyres) == (8.5, 12, "<b>new</b>")
    assert sheet_fields(sheet)["set.front.preload_mm"] == "8.5"
    to = f"/write/run/{now.run_id}/sheet"
    assert send(client, to, {**said, "version": version}) == {"words": "Nothing was changed."}
    other = parse_sheet({"front": {"preload_mm": 9.5}, "rear": {"rebound_clicks": 10}})
    assert difference_words(sheet, other) == (
        "front preload: 8.5 mm to 9.5 mm.",
        "rear rebound clicks: 12 to 10.",
        "2 settings were changed at once: what came of it cannot be told apart between them.",
    )


def test_what_a_rider_says_is_kept_at_its_place_with_the_riders_key_alone(book):
    client, _ = client_of(book, share_key="team", rider_key="rider")
    client.get("/?key=rider", base_url=HOME)
    entry, version = only(book)
    note = "pushes <img src=x onerror=alert(1)>"
    send(client, f"/write/rider/{entry.run_id}", {"corner": "2", "felt": "felt"})
    send(client, f"/write/rider/{entry.run_id}", {"corner": "2", "lap": "3", "text": note})
    assert "Say whether" in send(client, f"/write/rider/{entry.run_id}", {"corner": "2"})["message"]
    assert "letters" in send(client, f"/write/rider/{entry.run_id}", {"text": "x" * 501})["message"]
    felt, sentence = book.rider_words(entry.run_id)
    assert (felt.corner, felt.lap, felt.felt) == (2, None, "felt")
    assert (sentence.corner, sentence.lap, sentence.text) == (2, 3, note)
    refused = client.post(
        f"/write/run/{entry.run_id}/words",
        base_url=HOME,
        headers=OURS,
        json={"version": version, "run.notes": "x"},
    )
    assert refused.status_code == 403 and only(book)[0].notes == ""


def test_what_is_ticked_off_at_the_stand_is_seen_by_another_device(book):
    client, _ = client_of(book)
    entry, _ = only(book)
    to, check = f"/write/ticks/{entry.run_id}", "c:front.preload_mm=+2 front sag: it moved."
    assert send(client, to, {"check": check, "on": "yes"}) == {"words": "kept"}
    elsewhere = Logbook(book.path)
    assert elsewhere.ticks(entry.run_id) == {check}
    assert "letters" in send(client, to, {"check": "x" * 501, "on": "yes"})["message"]
    send(client, to, {"check": check, "on": ""})
    assert elsewhere.ticks(entry.run_id) == frozenset()


def test_the_stand_is_as_the_command_line_has_it(book):
    client, _ = client_of(book)
    entry, _ = only(book)
    bike = book.bike(entry.run_id)
    asked = "c:front.preload_mm=+2,m:front.rider_sag_mm=36,t:rear.rider_sag_mm=30"
    found = stand_of(bike, parse(f"?stand={quote(asked)}").stand)
    theirs = at_stand(
        bike,
        [parse_change("front.preload_mm=+2")],
        targets={"rear.rider_sag_mm": 30.0},
        measured={"front.rider_sag_mm": 36.0},
    )
    assert found.stand == theirs.stand
    page = client.get(f"/stand-sheet/{entry.run_id}?stand={quote(asked)}", base_url=HOME)
    assert page.status_code == 200 and "<script" not in page.text
    for hostile in ("c:front.preload_mm=<b>", "x:a=1", "c:..=1;" * 99, "c:" + "a" * 999 + "=1"):
        assert parse(f"?stand={quote(hostile)}").stand == ""
    assert client.get("/stand-sheet/nonsense", base_url=HOME).status_code == 404


KILLED = """
import sys, threading
from pathlib import Path
sys.path.insert(0, {root!r})
from tests.dashboard.test_desk import ANSWERS, LOG, OURS, HOME, bring, client_of, meanings, only, send
from telemetry.logbook import Drafts, Logbook, verify
from telemetry.setup import parse_sheet
from telemetry.stand import at_stand, parse_change
book = Logbook(Path(sys.argv[1]))
client, _ = client_of(book)
token = bring(client)
print("ready", token, flush=True)
entry, version = only(book)
for turn in range(50):
    said = {{"version": book.version(entry.run_id), "run.notes": "note " * turn}}
    send(client, f"/write/run/{{entry.run_id}}/words", said)
    if turn == 20:
        send(client, f"/write/draft/{{token}}/review", meanings(book, token) | ANSWERS)
        send(client, f"/write/run/{{entry.run_id}}/again",
             {{"version": book.version(entry.run_id), "laps.1": "", "cut.why": "kill"}})
import time
time.sleep(60)
"""


@pytest.mark.parametrize("after_s", [0.05, 1.5])
def test_killed_in_the_middle_nothing_is_lost_or_half(book, after_s, tmp_path):
    # another log than the one that is there, by a byte
    code = KILLED.format(root=str(ROOT))
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(book.path)], stdout=subprocess.PIPE, text=True
    )
    word, token = process.stdout.readline().split()
    assert word == "ready"
    time.sleep(after_s)
    process.kill()
    process.wait()
    process.stdout.close()
    anew = Logbook(book.path)
    assert verify(anew).damages == ()
    assert anew.left_out() == () and list((anew.path / "incoming").iterdir()) == []
    waiting = Drafts(anew.path).all()
    assert [draft.token for draft in waiting] in ([token], [])
    if not waiting:
        assert len(anew.history(anew.runs()[0].run_id)) >= 2  # the review was through
    else:
        assert waiting[0].log.read_bytes() == LOG.read_bytes()
    notes = anew.runs()[0].notes
    assert notes == ("note " * (len(notes.split()))).strip() or notes == "note " * len(notes.split())


def test_a_large_log_is_read_in_a_process_of_its_own_and_its_faults_come_back(tmp_path, monkeypatch):
    monkeypatch.setattr("dashboard.desk.adding.LARGE_BYTES", 10)
    assert preview_apart(LOG) == preview_of(LOG)
    (tmp_path / "words.csv").write_text("no table at all\n")
    with pytest.raises(BothEndsError, match="words"):
        preview_apart(tmp_path / "words.csv")


def test_a_colleagues_export_is_dropped_like_a_log(book, tmp_path):
    export(book, tmp_path / "out")
    packed = Path(shutil.make_archive(str(tmp_path / "theirs"), "zip", tmp_path, "out"))
    mine = Logbook(tmp_path / "mine")
    client, _ = client_of(mine)
    bring(client, packed)
    assert [one.log_sha256 for one in mine.runs()] == [one.log_sha256 for one in book.runs()]
    assert Drafts(mine.path).all() == ()


SENDING = """
import io, sys
sys.path.insert(0, {tests!r})
from tests.dashboard.test_desk import LOG, only
from telemetry.logbook import Drafts, Logbook
book = Logbook(sys.argv[1])
entry, _ = only(book)
content, drafts = LOG.read_bytes(), Drafts(book.path)
token = drafts.begin(LOG.name, len(content))
print(token, flush=True)
for at in range(0, len(content), 3000):
    drafts.append(token, at, io.BytesIO(content[at : at + 3000]))
    book.add_rider_word(entry.run_id, corner=1 + at // 3000, text="word " * 90)
    print(at, flush=True)
"""


@pytest.mark.parametrize("seen", [2, 15])
def test_killed_while_a_log_arrives_and_a_rider_speaks_nothing_is_lost_or_half(book, seen):
    """What was answered for is there, and what was on its way is whole or not there; the log can be sent on."""
    code = SENDING.format(tests=str(Path(__file__).parent))
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(book.path)], stdout=subprocess.PIPE, text=True
    )
    token = process.stdout.readline().strip()
    for _ in range(seen):
        process.stdout.readline()
    process.kill()
    rest = process.communicate()[0].split()
    anew, content = Logbook(book.path), LOG.read_bytes()
    assert verify(anew).damages == ()
    words = anew.rider_words(only(anew)[0].run_id)
    answered = seen + len(rest)
    assert len(words) - answered in (0, 1) and {word.text for word in words} == {("word " * 90).strip()}
    drafts = Drafts(anew.path)
    assert drafts.all() == (), "half a log is no draft"
    (part,) = (anew.path / "drafts" / f"{token}.part" / "log").iterdir()
    there = part.stat().st_size
    assert part.read_bytes() == content[:there] and there >= 3000 * answered
    assert drafts.append(token, there, io.BytesIO(content[there:])) == 0
    assert drafts.draft(token).log.read_bytes() == content


def test_the_demo_leads_to_a_logbook_of_ones_own(tmp_path):
    Logbook(tmp_path / "demo")
    client, _ = client_of(Logbook(tmp_path / "demo"), own_logbook=tmp_path / "mine")
    assert send(client, "/write/logbook") == {"then": "/add"}
    token = bring(client)
    assert (tmp_path / "mine" / "drafts" / token).is_dir()
    assert not (tmp_path / "demo" / "drafts").exists()
    assert "already" in send(client_of(Logbook(tmp_path / "demo"))[0], "/write/logbook")["message"]
