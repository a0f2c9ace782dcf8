"""Compressed answers, read back by the standard library."""

import gzip

import pytest
from flask import Flask, Response

from dashboard import compress


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

    compress.install(server)
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
