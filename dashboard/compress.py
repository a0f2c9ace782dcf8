"""Answers made small on their way to the browser: text as gzip where it is taken; scripts are kept for good."""

import gzip
import re

from flask import Flask, Response, request

_TEXT = ("application/json", "text/", "application/javascript", "image/svg+xml")
# Less than this gains nothing in one network packet.
_LEAST_BYTES = 1400
# Scripts are the same for all and large: packed once, harder. Answers are packed for each, quickly.
_SCRIPTS = "/_dash-component-suites/"
_HARD, _QUICK = 6, 3


def install(server: Flask) -> None:
    """Compress every text answer of a server.

    Parameters
    ----------
    server : Flask
    """
    packed: dict[str, bytes] = {}

    @server.after_request
    def compress(response: Response) -> Response:
        if response.status_code == 200 and _is_named_for_good():
            response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        if not _worth_it(response):
            return response
        response.direct_passthrough = False
        if request.path.startswith(_SCRIPTS):
            if request.full_path not in packed:
                packed[request.full_path] = gzip.compress(response.get_data(), _HARD)
            body = packed[request.full_path]
        else:
            data = response.get_data()
            if len(data) < _LEAST_BYTES:
                return response
            body = gzip.compress(data, _QUICK)
        response.set_data(body)
        response.headers["Content-Encoding"] = "gzip"
        response.headers.add("Vary", "Accept-Encoding")
        return response


def _is_named_for_good() -> bool:
    """Whether the address changes with the file: Dash writes version and time of a script into it."""
    ours = request.path.startswith("/assets/") and "m" in request.args
    return ours or re.match(_SCRIPTS + r".*\.v[\w.-]*m\d+\.", request.path) is not None


def _worth_it(response: Response) -> bool:
    """Whether the browser takes gzip, and the answer is whole text that is not packed yet."""
    return (
        response.status_code == 200
        and "gzip" in request.headers.get("Accept-Encoding", "")
        and "Content-Encoding" not in response.headers
        and (response.mimetype or "").startswith(_TEXT)
    )
