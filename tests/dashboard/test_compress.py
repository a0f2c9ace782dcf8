"""Compressed answers, read back by the standard library."""

import gzip
import re

import pytest
from flask import Flask, Response

from dashboard import guard
from dashboard.app import create_app
from tests.dashboard.made_up import MadeUpLogbook, made_up


@pytest.fixture
def client():
    server = Flask("compress")

    @server.get("/long")
    def long():
        return Response("a word " * 1000, mimetype="application/json")

    @server.get("/short")
    def short():
        return Response("a word", mimetype="application/json")

    @server.get("/picture")
    def picture():
        return Response(b"\x89PNG" * 1000, mimetype="image/png")

    guard.compress_answers(server)
    return server.test_client()


def test_text_is_sent_as_gzip_where_the_browser_takes_it(client):
    answer = client.get("/long", headers={"Accept-Encoding": "gzip, deflate"})
    assert answer.headers["Content-Encoding"] == "gzip" and "Accept-Encoding" in answer.headers["Vary"]
    assert len(answer.data) < 200 and int(answer.headers["Content-Length"]) == len(answer.data)
    assert gzip.decompress(answer.data).decode() == "a word " * 1000


@pytest.mark.parametrize(
    ("path", "accepts"), [("/long", "identity"), ("/short", "gzip"), ("/picture", "gzip"), ("/none", "gzip")]
)
def test_everything_else_is_sent_as_it_is(client, path, accepts):
    answer = client.get(path, headers={"Accept-Encoding": accepts})
    assert "Content-Encoding" not in answer.headers


def test_scripts_are_kept_for_good_and_pages_are_not():
    """RFC 8246: what never changes under its address is immutable."""
    client = create_app(MadeUpLogbook(made_up())).server.test_client()
    host = {"Host": "localhost"}
    page = client.get("/", headers=host)
    scripts = re.findall(r'(?:src|href)="(/[^"]+)"', page.text)
    assert len(scripts) > 5 and "immutable" not in page.headers.get("Cache-Control", "")
    for address in scripts:
        assert client.get(address, headers=host).headers["Cache-Control"].endswith("immutable")
    assert "immutable" not in client.get("/assets/view.js", headers=host).headers.get("Cache-Control", "")
