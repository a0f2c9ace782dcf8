"""Serve the dashboard from this machine: one address, printed when it answers, opened in the browser."""

import secrets
import select
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

from dashboard import guard
from dashboard.app import create_app
from dashboard.shelf import Logbook

HOST = "127.0.0.1"
PORT = 8417
SHARED = (
    "This address is plain HTTP: whoever can listen in on this network can read along, key and all. "
    "Share in a network you trust."
)
# Who sends half a request holds a connection: there are many, and one that says nothing is closed soon. With the files
# of this process they stay within the 1024 that systems commonly allow.
CONNECTIONS, SILENT_S, LOOK_EVERY_S = 900, 20, 5
# An address that is documentation only (RFC 5737): asking the way to it sends nothing.
_NOWHERE = ("192.0.2.1", 9)


def serve(
    logbook: Logbook,
    *,
    port: int = PORT,
    open_browser: bool = True,
    share: bool = False,
    own_logbook: Path | None = None,
    say: Callable[[str], None] = print,
) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    port : int
        Taken when free; otherwise any free one.
    share : bool
        Also answer to other machines of the network, such as a phone; they need the key in the address.
    own_logbook : Path or None
        Where the reader's own logbook is to be made, when the one shown is a demo.
    say : callable
        Gets the lines for the person at the terminal, ``READY http://...`` when it answers.
    """
    riders = secrets.token_urlsafe(16)
    server, address = make_server(logbook, port=port, share=share, rider_key=riders, own_logbook=own_logbook)
    if open_browser:
        threading.Timer(0.3, webbrowser.open, (address,)).start()
    say(f"READY {address}")
    if share:
        say(
            f"For riders, who can write what they felt and nothing else: {address.partition('?')[0]}?key={riders}"
        )
        if sys.stdout.isatty():
            say(guard.terminal_code(f"{address.partition('?')[0]}?key={riders}"))
        say(f"Both addresses as QR codes: {address.partition('?')[0]}{guard.SHARE_PATH.lstrip('/')}")
        say(SHARED)
    say("Stop with Ctrl+C.")
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.close()


def make_server(  # noqa: ANN201 - waitress has no types
    logbook: Logbook,
    *,
    port: int = 0,
    share: bool = False,
    rider_key: str | None = None,
    own_logbook: Path | None = None,
):
    """A server ready to run, and the address to open.

    Parameters
    ----------
    port : int
        0 takes any free one.
    rider_key : str or None
        With ``share``: who brings this one reads, and writes a rider's words only.

    Returns
    -------
    server, address
    """
    from waitress import create_server

    host = network_address() if share else HOST
    key = secrets.token_urlsafe(16) if share else None
    app = create_app(
        logbook,
        hosts=(*guard.LOCAL_HOSTS, host),
        share_key=key,
        rider_key=rider_key if share else None,
        own_logbook=own_logbook,
    )
    settings = {
        "host": "0.0.0.0" if share else HOST,
        "threads": 8,
        "ident": "bothends",
        "max_request_body_size": guard.MAX_BODY_BYTES,
        "connection_limit": CONNECTIONS,
        "channel_timeout": SILENT_S,
        "cleanup_interval": LOOK_EVERY_S,
        "asyncore_use_poll": hasattr(select, "poll"),
    }
    try:
        server = create_server(app.server, port=port, **settings)
    except OSError:
        server = create_server(app.server, port=0, **settings)
    query = f"?{guard.KEY_ARGUMENT}={key}" if key else ""
    return server, f"http://{host}:{server.effective_port}/{query}"


def network_address() -> str:
    """The address of this machine in its network, or the local one when it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_NOWHERE)
            return str(probe.getsockname()[0])
        except OSError:
            return HOST
