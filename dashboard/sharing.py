"""QR codes of a shared dashboard's addresses: at the terminal, and on a page for who holds the engineer's key."""

import io
from html import escape

import flask
import segno

from dashboard import guard

PATH = "/share"
_PAGE = """<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Share</title><style>body{{font:1.1rem/1.4 system-ui,sans-serif;margin:2rem;background:#fff;color:#111}}
main{{display:flex;flex-wrap:wrap;gap:3rem}}svg{{display:block;width:min(20rem,80vw);height:auto}}
p{{max-width:20rem;overflow-wrap:anywhere}}</style><main>{codes}</main></html>"""


def terminal_code(address: str) -> str:
    """A QR code of an address as lines for a terminal."""
    out = io.StringIO()
    segno.make(address, micro=False).terminal(out, compact=True)
    return out.getvalue().rstrip("\n")


def register(server: flask.Flask, share_key: str, rider_key: str) -> None:
    """The page with both codes; 403 for who came with the riders' key."""

    @server.get(PATH)
    def share() -> str:
        if not guard.same(flask.request.cookies.get(guard.KEY_COOKIE, ""), share_key):
            flask.abort(403)
        codes = (
            _code("Riders: they read, and write what they felt and nothing else.", rider_key),
            _code("Engineers: they read and write everything.", share_key),
        )
        return _PAGE.format(codes="".join(codes))


def _code(words: str, key: str) -> str:
    address = f"{flask.request.host_url}?{guard.KEY_ARGUMENT}={key}"
    code = segno.make(address, micro=False).svg_inline(scale=6, omitsize=True)
    return f"<section><h1>{escape(words.partition(':')[0])}</h1>{code}<p>{escape(words)}</p></section>"
