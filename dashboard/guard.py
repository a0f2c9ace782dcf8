"""Checks of every request: host, origin, own header, key; so only this machine and invited phones get an answer.

The dashboard has no users or passwords: it answers on this machine only. A web page from elsewhere, open in the
same browser, must not read it (DNS rebinding) or make it do something (cross-site requests). When it is shared
with a phone in the same network, a random key in the printed address lets that phone in.
"""

import gzip
import hmac
import io
import logging
import re
import secrets
from collections.abc import Callable, Iterable
from html import escape
from urllib.parse import urlsplit

import segno
from flask import Flask, Request, Response, abort, request
from werkzeug.exceptions import HTTPException

from telemetry.errors import BothEndsError, unexpected

log = logging.getLogger(__name__)

LOCAL_HOSTS = ("127.0.0.1", "localhost")
KEY_COOKIE = "bothends-key"
KEY_ARGUMENT = "key"
MAX_BODY_BYTES = 4 * 1024 * 1024
_LEADS_ON = '<!doctype html><title>Both Ends</title><meta http-equiv="refresh" content="0;url=/">'
_READING = ("GET", "HEAD", "OPTIONS")
# Whatever changes something goes to an address below this one, from our own page and with our own header, which a
# page from elsewhere cannot send without asking first (Fetch standard, CORS-preflight).
WRITING = "/write/"
OWN_HEADER = "X-Both-Ends"
RIDERS_MAY = ("/_dash-update-component", "/write/rider/")
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def install(
    server: Flask,
    *,
    hosts: Iterable[str],
    script_hashes: Callable[[], Iterable[str]],
    share_key: str | None,
    rider_key: str | None = None,
) -> None:
    """Put the checks before, and the headers behind, every answer of a server.

    Parameters
    ----------
    hosts : iterable of str
        Names it answers to, without port.
    script_hashes : callable
        CSP hashes of the page's inline scripts; asked at the first answer, when Dash has added them all.
    share_key : str or None
        Asked of everyone but this machine's own browser is not possible over one address, so when there is
        a key, everyone needs it.
    rider_key : str or None
        With it a browser reads, and writes nothing but a rider's words.
    """
    allowed = frozenset(name.lower() for name in hosts)
    policy: list[str] = []

    @server.before_request
    def check() -> Response | None:
        refuse_strangers(request, allowed)
        return ask_for_key(request, share_key, rider_key) if share_key else None

    @server.after_request
    def seal(response: Response) -> Response:
        if not policy:
            policy.append(content_security_policy(script_hashes()))
        response.headers["Content-Security-Policy"] = policy[0]
        for name, value in _HEADERS.items():
            response.headers[name] = value
        return response

    @server.errorhandler(BothEndsError)
    def not_there(error: BothEndsError) -> Response:
        return Response(str(error), status=404, mimetype="text/plain")

    @server.errorhandler(Exception)
    def tell(error: Exception) -> Response | HTTPException:
        return error if isinstance(error, HTTPException) else _failed(error)

    server.config["MAX_CONTENT_LENGTH"] = MAX_BODY_BYTES


def _failed(error: Exception) -> Response:
    """The answer to a request that went wrong before a page was asked: a line in the log, and no word of the inside.

    What a browser sends to `/_dash-update-component` is made by Dash's own script; anything else there is not ours.
    """
    reference = secrets.token_hex(4)
    log.error("request failed (%s): %s %s: %s", reference, request.method, request.path, unexpected(error))
    malformed = request.path.startswith("/_dash")
    words = "This is no request of this page" if malformed else "Something went wrong here"
    return Response(
        f"{words}; it is in the log of the server as {reference}.",
        status=400 if malformed else 500,
        mimetype="text/plain",
    )


def content_security_policy(script_hashes: Iterable[str]) -> str:
    """Only what this server sends may be loaded or asked; inline styles are Dash's own."""
    scripts = " ".join(("'self'", *script_hashes))
    return "; ".join(
        (
            "default-src 'self'",
            f"script-src {scripts}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "worker-src 'self' blob:",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def refuse_strangers(asked: Request, allowed: frozenset[str]) -> None:
    """Refuse another host name (421), a foreign origin (403), and a callback that is not JSON (415)."""
    if host_name(asked.host) not in allowed:
        abort(421)
    if asked.method not in _READING:
        origin = asked.headers.get("Origin")
        if origin is not None and urlsplit(origin).netloc.lower() != asked.host.lower():
            abort(403)
        if asked.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none"):
            abort(403)
        if asked.path.startswith("/_dash") and not asked.is_json:
            abort(415)
        if asked.path.startswith(WRITING) and (origin is None or OWN_HEADER not in asked.headers):
            abort(403)


def host_name(host: str) -> str:
    """The name in a Host header, without its port."""
    return (urlsplit(f"//{host}").hostname or "").lower()


def ask_for_key(asked: Request, share_key: str, rider_key: str | None = None) -> Response | None:
    """Let in who has a key: once in the address, from then on in a cookie; others get 403.

    Who has the riders' key reads, and writes only below `RIDERS_MAY`.

    The answer to the key is a page that leads on, not a redirect: after a redirect from a link on another site
    the browser would not send a SameSite=Strict cookie.
    """
    held = asked.cookies.get(KEY_COOKIE, "")
    if same(held, share_key):
        return None
    if rider_key and same(held, rider_key):
        if asked.method not in _READING and not asked.path.startswith(RIDERS_MAY):
            abort(403)
        return None
    given = asked.args.get(KEY_ARGUMENT, "")
    if not same(given, share_key) and not (rider_key and same(given, rider_key)):
        abort(403)
    answer = Response(_LEADS_ON, mimetype="text/html")
    answer.set_cookie(KEY_COOKIE, given, httponly=True, samesite="Strict")
    return answer


def same(given: str, key: str) -> bool:
    """Whether a key is the right one, in the same time for any."""
    return hmac.compare_digest(given.encode(), key.encode())


SHARE_PATH = "/share"
_CODES = """<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Share</title><style>body{{font:1.1rem/1.4 system-ui,sans-serif;margin:2rem;background:#fff;color:#111}}
main{{display:flex;flex-wrap:wrap;gap:3rem}}svg{{display:block;width:min(20rem,80vw);height:auto}}
p{{max-width:20rem;overflow-wrap:anywhere}}</style><main>{codes}</main></html>"""


def terminal_code(address: str) -> str:
    """A QR code of an address as lines for a terminal."""
    out = io.StringIO()
    segno.make(address, micro=False).terminal(out, compact=True)
    return out.getvalue().rstrip("\n")


def register_codes(server: Flask, share_key: str, rider_key: str) -> None:
    """The page with both codes; 403 for who came with the riders' key."""

    @server.get(SHARE_PATH)
    def share() -> str:
        if not same(request.cookies.get(KEY_COOKIE, ""), share_key):
            abort(403)
        codes = (
            _code("Riders: they read, and write what they felt and nothing else.", rider_key),
            _code("Engineers: they read and write everything.", share_key),
        )
        return _CODES.format(codes="".join(codes))


def _code(words: str, key: str) -> str:
    address = f"{request.host_url}?{KEY_ARGUMENT}={key}"
    code = segno.make(address, micro=False).svg_inline(scale=6, omitsize=True)
    return f"<section><h1>{escape(words.partition(':')[0])}</h1>{code}<p>{escape(words)}</p></section>"


_TEXT = ("application/json", "text/", "application/javascript", "image/svg+xml")
# Less than this gains nothing in one network packet.
_LEAST_BYTES = 1400
# Scripts are the same for all and large: packed once, harder. Answers are packed for each, quickly.
_SCRIPTS = "/_dash-component-suites/"
_HARD, _QUICK = 6, 3


def compress_answers(server: Flask) -> None:
    """Compress every text answer of a server."""
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
