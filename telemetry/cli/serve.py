"""``bothends serve``: the dashboard on a logbook."""

import argparse
from pathlib import Path

from telemetry.logbook import Logbook


def serve(arguments: argparse.Namespace) -> None:
    """Serve until Ctrl+C."""
    serve_logbook(Logbook(arguments.logbook, create=False), arguments)


def serve_logbook(
    logbook: Logbook, arguments: argparse.Namespace, *, own_logbook: Path | None = None
) -> None:
    """Serve a logbook as the arguments say; ``own_logbook`` is where a demo's reader may start one."""
    from dashboard import serve as dashboard

    port = dashboard.PORT if arguments.port is None else arguments.port
    dashboard.serve(
        logbook,
        port=port,
        open_browser=not arguments.no_browser,
        share=arguments.share,
        own_logbook=own_logbook,
        say=lambda words: print(words, flush=True),
    )
