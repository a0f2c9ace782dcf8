"""What a person reads: a document is built once, and printed in the terminal, on paper and on the screen."""

from rich.console import Console

from telemetry.report.blocks import (
    Advice,
    Answer,
    Block,
    Caution,
    Cell,
    Column,
    Document,
    Figure,
    Fold,
    LapName,
    Medium,
    Number,
    Said,
    Section,
    Sentence,
    Sentences,
    Spot,
    Table,
)
from telemetry.report.bounce import bounce_html, print_bounce
from telemetry.report.check import WANTED, check_log, check_to_json, print_check
from telemetry.report.comparison import CLEAR, comparison_document
from telemetry.report.curves import CurveNote, DotRow, Dots, Line, Lines
from telemetry.report.damping import (
    bounce_damper_document,
    damper_document,
    damping_headline,
    history_document,
)
from telemetry.report.document import (
    CLOSING,
    facts_of,
    named_corners,
    quality_section,
    review_document,
    runs_section,
    stretch_document,
)
from telemetry.report.figures import Curve, Halves, Scope, Shade, Spectrum, Upright, whole_run
from telemetry.report.lap import (
    M_S_TO_KM_H,
    POINTS,
    Against,
    Band,
    Drawn,
    Label,
    Ribbon,
    StopSpot,
    TrackPicture,
    TravelPicture,
    quickest_lap,
    stretch,
    thinned,
    track_picture,
    travel_picture,
)
from telemetry.report.paper import document_html
from telemetry.report.places import AROUND_M, Places
from telemetry.report.prediction import print_prediction
from telemetry.report.stand import print_stand, stand_html
from telemetry.report.terminal import print_document, print_section
from telemetry.report.usual import CornerLaps, Usual, corner_laps, usual_travel
from telemetry.setup import Comparison, SetupSheet
from telemetry.summary import Summary, Traces

__all__ = [
    "stretch_document",
    "Band",
    "usual_travel",
    "corner_laps",
    "Usual",
    "Lines",
    "Line",
    "Dots",
    "DotRow",
    "CurveNote",
    "CornerLaps",
    "AROUND_M",
    "Advice",
    "Against",
    "Answer",
    "Block",
    "CLEAR",
    "Caution",
    "Cell",
    "Column",
    "Curve",
    "Document",
    "Drawn",
    "Figure",
    "Fold",
    "Halves",
    "Label",
    "LapName",
    "M_S_TO_KM_H",
    "Medium",
    "POINTS",
    "Number",
    "Places",
    "Ribbon",
    "Said",
    "Scope",
    "Section",
    "Sentence",
    "Sentences",
    "Shade",
    "Spectrum",
    "Spot",
    "StopSpot",
    "Table",
    "TrackPicture",
    "TravelPicture",
    "Upright",
    "WANTED",
    "bounce_damper_document",
    "bounce_html",
    "check_log",
    "check_to_json",
    "comparison_document",
    "damper_document",
    "damping_headline",
    "debrief_html",
    "document_html",
    "facts_of",
    "history_document",
    "named_corners",
    "print_bounce",
    "print_check",
    "print_comparison",
    "print_document",
    "print_prediction",
    "print_review",
    "print_section",
    "print_stand",
    "quality_section",
    "quickest_lap",
    "review_document",
    "runs_section",
    "stand_html",
    "stretch",
    "thinned",
    "track_picture",
    "travel_picture",
    "whole_run",
]


def print_review(summary: Summary, console: Console, *, sheet: SetupSheet | None = None) -> None:
    """Print a review: sentences first, then both ends, balance, places, laps, and what is wrong with the log.

    Parameters
    ----------
    console : Console
        Readable from 80 columns on, with and without colour.
    sheet : SetupSheet, optional
        Printed as well when given.
    """
    print_document(review_document(whole_run(summary), sheet=sheet), console)


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison: sentences first, what was changed, every number, what was left out."""
    print_document(comparison_document(comparison), console)


def debrief_html(
    summary: Summary,
    traces: Traces,
    comparison: Comparison | None = None,
    *,
    sheet: SetupSheet | None = None,
) -> str:
    """The debrief of a run as one HTML page: no script, nothing loaded from anywhere, printable on A4.

    Parameters
    ----------
    traces : Traces
        Of the same run.
    comparison : Comparison, optional
        Printed as well when given.
    sheet : SetupSheet, optional
        Printed as well when given.

    Returns
    -------
    str
        HTML; every text in it is escaped.
    """
    document = review_document(whole_run(summary), traces, sheet=sheet)
    if comparison is not None:
        document = document.followed_by(comparison_document(comparison))
    return document_html(document, heading="Debrief: ", closing=CLOSING)
