"""``--from``, ``--to``, ``--leave-out``: what of a log counts."""

import argparse

from telemetry.review import Cut


def given_cut(arguments: argparse.Namespace) -> Cut:
    """Part of the log to review, from the options."""
    if None not in (arguments.from_s, arguments.to_s) and arguments.from_s >= arguments.to_s:
        arguments.parser.error("--to must be later than --from")
    return Cut(arguments.from_s, arguments.to_s, arguments.leave_out)
