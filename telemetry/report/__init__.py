"""What a person reads: the debrief in the terminal and on paper, and comparisons."""

from telemetry.report.debrief import debrief_html
from telemetry.report.terminal import print_notes, print_review
from telemetry.report.terminal_comparison import print_comparison
from telemetry.report.terminal_damper import (
    print_bounce_comparison,
    print_damper_comparison,
    print_damper_history,
)

__all__ = [
    "debrief_html",
    "print_bounce_comparison",
    "print_comparison",
    "print_damper_comparison",
    "print_damper_history",
    "print_notes",
    "print_review",
]
