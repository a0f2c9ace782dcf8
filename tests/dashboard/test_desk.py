"""Everything that writes from a browser: who may, what arrives, and that it is whole or not there at all."""

import json
import re
import time
from pathlib import Path

import pytest
from made_up import MadeUpLogbook, made_up

from dashboard import guard
from dashboard.app import create_app
from telemetry.bike import load_bike
from telemetry.logbook import Logbook

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


def test_the_demo_leads_to_a_logbook_of_ones_own(tmp_path):
    Logbook(tmp_path / "demo")
    client, _ = client_of(Logbook(tmp_path / "demo"), own_logbook=tmp_path / "mine")
    assert send(client, "/write/logbook") == {"then": "/add"}
    token = bring(client)
    assert (tmp_path / "mine" / "drafts" / token).is_dir()
    assert not (tmp_path / "demo" / "drafts").exists()
    assert "already" in send(client_of(Logbook(tmp_path / "demo"))[0], "/write/logbook")["message"]
