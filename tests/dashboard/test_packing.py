"""Compressed answers and kept scripts, by RFC 9110 (content coding) and RFC 8246 (immutable)."""

import gzip
import re

import pytest
from made_up import MadeUpLogbook, made_up

from dashboard.app import create_app

HOST = {"Host": "localhost"}


@pytest.fixture(scope="module")
def client():
    return create_app(MadeUpLogbook(made_up())).server.test_client()


def scripts(client):
    return re.findall(r'(?:src|href)="(/[^"]+)"', client.get("/", headers=HOST).text)


def test_a_browser_that_takes_gzip_gets_the_same_in_gzip(client):
    for address in scripts(client):
        plain = client.get(address, headers=HOST)
        for _ in range(2):  # the second one comes from memory
            packed = client.get(address, headers={**HOST, "Accept-Encoding": "gzip, br"})
            assert "Content-Encoding" not in plain.headers
            if len(plain.data) < 1400:
                assert packed.data == plain.data
                continue
            assert packed.headers["Content-Encoding"] == "gzip"
            assert int(packed.headers["Content-Length"]) == len(packed.data) < len(plain.data)
            assert gzip.decompress(packed.data) == plain.data
        assert "Accept-Encoding" in plain.headers["Vary"]


def test_scripts_are_kept_for_good_and_pages_are_not(client):
    found = scripts(client)
    assert len(found) > 5
    for address in found:
        assert client.get(address, headers=HOST).headers["Cache-Control"].endswith("immutable")
    assert "immutable" not in client.get("/", headers=HOST).headers.get("Cache-Control", "")
    plain_name = client.get("/assets/view.js", headers=HOST)
    assert "immutable" not in plain_name.headers.get("Cache-Control", "")
