"""``bothends serve``: the dashboard on a logbook."""

import argparse

from telemetry.logbook import Logbook


def serve(arguments: argparse.Namespace) -> None:
    """Serve until Ctrl+C."""
    serve_logbook(Logbook(arguments.logbook, create=False), arguments)


def serve_logbook(logbook: Logbook, arguments: argparse.Namespace) -> None:
    """Serve a logbook as the arguments say."""
    from dashboard import serve as dashboard

    port = dashboard.PORT if arguments.port is None else arguments.port
    dashboard.serve(
        logbook,
        port=port,
        open_browser=not arguments.no_browser,
        share=arguments.share,
        say=lambda words: print(words, flush=True),
    )
