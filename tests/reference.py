"""The API reference as HTML pages, made from the docstrings.

    python tests/reference.py OUT

Needs the extra ``docs``. A room is documented by what its door names, as other rooms use it.
"""

import sys
from importlib import import_module
from pathlib import Path

ROOMS = (
    "telemetry", "telemetry.bike", "telemetry.logs", "telemetry.signals", "telemetry.motion", "telemetry.laps",
    "telemetry.balance", "telemetry.damping", "telemetry.summary", "telemetry.review", "telemetry.setup",
    "telemetry.prediction", "telemetry.stand", "telemetry.season", "telemetry.logbook", "telemetry.report",
)  # fmt: skip


def main(out: Path) -> None:
    """Write the pages."""
    import pdoc.render  # of the extra, which the tests do not need

    for name in ROOMS:
        room = import_module(name)
        for each in room.__all__:  # what a door imports on demand is documented as well
            setattr(room, each, getattr(room, each))
    pdoc.render.configure(docformat="numpy")
    pdoc.pdoc(*ROOMS, output_directory=out)
    print(f"{out / 'index.html'}: {len(list(out.rglob('*.html')))} pages")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
