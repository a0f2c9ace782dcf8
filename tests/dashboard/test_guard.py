import re
import socket
import threading
import urllib.request
from contextlib import ExitStack

import pytest

from dashboard import guard
from dashboard.app import create_app
from dashboard.serve import make_server
from tests.dashboard.made_up import MadeUpLogbook, made_up

HOME = "http://127.0.0.1:8417"
CALLBACK = "/_dash-update-component"


def client_of(**settings):
    return create_app(MadeUpLogbook(made_up()), **settings).server.test_client()


@pytest.fixture(scope="module")
def client():
    return client_of()


@pytest.mark.parametrize("host", ["127.0.0.1:8417", "localhost:8417", "LOCALHOST"])
def test_this_machine_is_answered(client, host):
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host", ["elsewhere.example", "127.0.0.1.elsewhere.example", "192.0.2.7", "[::1", ""]
)
def test_another_name_for_this_machine_is_refused(client, host):
    # DNS rebinding: RFC 9110, 421 Misdirected Request
    assert client.get("/", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_page_cannot_make_it_do_something(client, headers):
    answer = client.post(CALLBACK, base_url=HOME, headers=headers, json={})
    assert answer.status_code == 403


def test_a_callback_has_to_be_json(client):
    # A form or text post needs no permission from this server (Fetch standard, "simple" requests); JSON does.
    answer = client.post(CALLBACK, base_url=HOME, data="{}", content_type="text/plain")
    assert answer.status_code == 415


@pytest.mark.parametrize(
    "body", ["[]", "{}", "7", '{"output": 3}', "[" * 5000, '{"output":"a.b","inputs":{}}', ""]
)
def test_a_malformed_callback_is_refused_in_one_line(client, body, caplog):
    answer = client.post(CALLBACK, base_url=HOME, data=body, content_type="application/json")
    assert answer.status_code == 400
    assert "Traceback" not in caplog.text and all(record.exc_info is None for record in caplog.records)
    assert b"telemetry" not in answer.data and b"dash" not in answer.data


def test_a_very_large_callback_is_refused(client):
    answer = client.post(
        CALLBACK, base_url=HOME, data=b"1" * (guard.MAX_BODY_BYTES + 1), content_type="application/json"
    )
    assert answer.status_code == 413


def test_every_answer_says_what_may_be_loaded(client):
    headers = client.get("/", base_url=HOME).headers
    policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["object-src"] == "'none'"
    assert "unsafe" not in policy["script-src"] and "sha256-" in policy["script-src"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"


def test_inline_scripts_are_the_hashed_ones(client):
    import base64
    import hashlib
    import re

    answer = client.get("/", base_url=HOME)
    policy = answer.headers["Content-Security-Policy"]
    inline = re.findall(r"<script(?![^>]*src=)(?![^>]*json)[^>]*>(.*?)</script>", answer.text, re.S)
    assert inline
    for script in inline:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_the_codes_of_both_addresses_are_for_the_engineer_alone():
    for key, status in (("k-all", 200), ("k-ride", 403)):
        client = client_of(share_key="k-all", rider_key="k-ride")
        client.get(f"/?key={key}", base_url=HOME)
        answer = client.get("/share", base_url=HOME)
        assert answer.status_code == status
        assert answer.text.count("<svg") == (2 if key == "k-all" else 0)
        assert "k-all" not in answer.text and "k-ride" not in answer.text


def test_a_shared_dashboard_asks_for_the_key_once():
    client = client_of(share_key="right")
    assert client.get("/", base_url=HOME).status_code == 403
    assert client.get("/?key=wrong", base_url=HOME).status_code == 403
    let_in = client.get("/?key=right", base_url=HOME)
    assert let_in.status_code == 200 and "url=/" in let_in.text and "right" not in let_in.text
    cookie = let_in.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert client.get("/", base_url=HOME).status_code == 200


def test_a_busy_port_is_left_to_whom_has_it():
    first, address = make_server(MadeUpLogbook(), port=0)
    try:
        port = int(address.rstrip("/").rpartition(":")[2])
        second, other = make_server(MadeUpLogbook(), port=port)
        second.close()
        assert other != address and other.startswith("http://127.0.0.1:")
    finally:
        first.close()


def test_a_shared_server_prints_its_key():
    server, address = make_server(MadeUpLogbook(), share=True)
    server.close()
    assert len(address.partition("?key=")[2]) >= 20


def test_half_sent_requests_do_not_shut_a_shared_server():
    server, address = make_server(MadeUpLogbook(made_up()), share=True)
    threading.Thread(target=server.run, daemon=True).start()
    key, port = address.partition("?key=")[2], server.effective_port
    with ExitStack() as opened:
        opened.callback(server.close)
        for _ in range(150):  # more than the 100 that a waitress server takes by itself
            half = opened.enter_context(socket.create_connection(("127.0.0.1", port), timeout=10))
            half.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
        asked = urllib.request.Request(
            f"http://127.0.0.1:{port}/", headers={"Cookie": f"{guard.KEY_COOKIE}={key}"}
        )
        with urllib.request.urlopen(asked, timeout=30) as answer:
            assert answer.status == 200


def test_who_shares_is_told_that_others_can_read_along(monkeypatch):
    from dashboard import serve

    said = []
    monkeypatch.setattr("waitress.server.BaseWSGIServer.run", lambda self: None, raising=False)
    monkeypatch.setattr("waitress.server.MultiSocketServer.run", lambda self: None, raising=False)
    serve.serve(MadeUpLogbook(), port=0, open_browser=False, share=True, say=said.append)
    assert said[0].startswith("READY") and any("plain HTTP" in line for line in said)
    team, riders = (re.search(r"key=(\S+)", line)[1] for line in said[:2])
    assert team != riders and "nothing else" in said[1]


def test_serving_says_where_it_answers(monkeypatch):
    from dashboard import serve

    said = []
    monkeypatch.setattr("waitress.server.BaseWSGIServer.run", lambda self: said.append("ran"), raising=False)
    monkeypatch.setattr(
        "waitress.server.MultiSocketServer.run", lambda self: said.append("ran"), raising=False
    )
    serve.serve(MadeUpLogbook(), port=0, open_browser=False, say=said.append)
    assert said[0].startswith("READY http://127.0.0.1:") and said[-1] == "ran"
