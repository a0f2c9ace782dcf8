"""What a person reads: a document is built once, and printed in the terminal, on paper and on the screen."""

from typing import TYPE_CHECKING, Any

from rich.console import Console

from telemetry.report.blocks import (
    Advice,
    Answer,
    Blank,
    Block,
    Caution,
    Cell,
    Column,
    Document,
    Facts,
    Figure,
    Fold,
    LapName,
    Medium,
    Number,
    RunName,
    Said,
    Section,
    Sentence,
    Sentences,
    Spot,
    Table,
)
from telemetry.report.bounce import bounce_document, bounce_html, print_bounce
from telemetry.report.card import SectionTime, card_svg, section_times, usual_lap_s
from telemetry.report.check import HEADINGS as SENSOR_HEADINGS
from telemetry.report.check import WANTED, check_log, check_to_json, print_check, sensor_checks, sensor_rows
from telemetry.report.comparison import CLEAR, CORNER, comparison_document, worked_words
from telemetry.report.curves import CurveNote, DotRow, Dots, Line, Lines, ZoneColumn, ZoneDots
from telemetry.report.damping import (
    bounce_damper_document,
    damper_document,
    damping_headline,
    history_document,
)
from telemetry.report.debrief import (
    Details,
    Paper,
    debrief_document,
    debrief_html,
    details_of,
    expected_table,
)
from telemetry.report.document import (
    damping_cell,
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
from telemetry.report.overlay import Overlay, overlay
from telemetry.report.paper import document_html
from telemetry.report.pdf import find_browser, page_to_pdf
from telemetry.report.places import AROUND_M, Places
from telemetry.report.season import MARKS, SeasonPicture, season_document
from telemetry.report.stand import print_stand, side_view, stand_document, stand_html, stand_picture
from telemetry.report.terminal import print_document, print_section
from telemetry.report.units import (
    UNIT_CHOICES,
    UNITS,
    Unit,
    heading_in,
    heading_unit,
    page_in,
    picture_in,
    row_changes,
    text_in,
    unit_of,
)
from telemetry.report.usual import CornerLaps, Usual, corner_laps, usual_travel
from telemetry.setup import Comparison, SetupSheet
from telemetry.summary import Summary

if TYPE_CHECKING:
    from telemetry.report.prediction import both_rides as both_rides
    from telemetry.report.prediction import prediction_document as prediction_document
    from telemetry.report.prediction import prediction_html as prediction_html
    from telemetry.report.prediction import print_prediction as print_prediction

__all__ = [
    "SENSOR_HEADINGS",
    "sensor_checks",
    "sensor_rows",
    "stretch_document",
    "Band",
    "usual_travel",
    "Overlay",
    "overlay",
    "corner_laps",
    "Usual",
    "Lines",
    "ZoneColumn",
    "ZoneDots",
    "Line",
    "Dots",
    "DotRow",
    "CurveNote",
    "CornerLaps",
    "AROUND_M",
    "Advice",
    "Blank",
    "Details",
    "Facts",
    "Paper",
    "debrief_document",
    "details_of",
    "expected_table",
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
    "MARKS",
    "M_S_TO_KM_H",
    "Medium",
    "POINTS",
    "Number",
    "Places",
    "Ribbon",
    "Said",
    "RunName",
    "Scope",
    "SeasonPicture",
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
    "bounce_document",
    "bounce_html",
    "check_log",
    "check_to_json",
    "CORNER",
    "comparison_document",
    "worked_words",
    "damper_document",
    "SectionTime",
    "card_svg",
    "damping_cell",
    "section_times",
    "usual_lap_s",
    "damping_headline",
    "debrief_html",
    "document_html",
    "facts_of",
    "find_browser",
    "page_to_pdf",
    "history_document",
    "named_corners",
    "prediction_html",
    "print_bounce",
    "print_check",
    "print_comparison",
    "print_document",
    "both_rides",
    "prediction_document",
    "print_prediction",
    "print_review",
    "print_section",
    "print_stand",
    "quality_section",
    "quickest_lap",
    "review_document",
    "runs_section",
    "season_document",
    "side_view",
    "stand_document",
    "stand_html",
    "stand_picture",
    "stretch",
    "thinned",
    "track_picture",
    "travel_picture",
    "whole_run",
    "UNIT_CHOICES",
    "UNITS",
    "Unit",
    "heading_in",
    "heading_unit",
    "page_in",
    "picture_in",
    "row_changes",
    "text_in",
    "unit_of",
]


def __getattr__(name: str) -> Any:
    if name in (
        "both_rides",
        "prediction_document",
        "prediction_html",
        "print_prediction",
    ):  # compiles; imported when needed
        from telemetry.report import prediction

        return getattr(prediction, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


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
