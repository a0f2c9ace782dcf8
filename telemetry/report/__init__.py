"""What a person reads: a document is built once, and printed in the terminal, on paper and on the screen."""

from rich.console import Console

from telemetry.report.blocks import (
    AROUND_M,
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
    Places,
    RunName,
    Said,
    Section,
    Sentence,
    Sentences,
    Spot,
    Table,
)
from telemetry.report.check import HEADINGS as SENSOR_HEADINGS
from telemetry.report.check import WANTED, check_log, check_to_json, print_check, sensor_checks, sensor_rows
from telemetry.report.damping import (
    bounce_damper_document,
    damper_document,
    damping_headline,
    history_document,
)
from telemetry.report.debrief import (
    Details,
    Paper,
    card_svg,
    debrief_document,
    debrief_html,
    section_times,
    usual_lap_s,
)
from telemetry.report.document import (
    damping_cell,
    named_corners,
    quality_section,
    review_document,
    runs_section,
    stretch_document,
)
from telemetry.report.figures import (
    MARKS,
    Curve,
    CurveNote,
    DotRow,
    Dots,
    Halves,
    Line,
    Lines,
    Scope,
    SeasonPicture,
    Shade,
    Spectrum,
    Upright,
    ZoneColumn,
    ZoneDots,
    whole_run,
)
from telemetry.report.lap import (
    M_S_TO_KM_H,
    POINTS,
    Against,
    Band,
    CornerLaps,
    Drawn,
    Label,
    Overlay,
    Ribbon,
    StopSpot,
    TrackPicture,
    TravelPicture,
    Usual,
    corner_laps,
    overlay,
    quickest_lap,
    stretch,
    thinned,
    track_picture,
    travel_picture,
    usual_travel,
)
from telemetry.report.printers import (
    UNIT_CHOICES,
    UNITS,
    Unit,
    document_html,
    find_browser,
    heading_in,
    heading_unit,
    notebook_html,
    page_to_pdf,
    picture_in,
    print_document,
    print_section,
    row_changes,
    text_in,
    unit_of,
)
from telemetry.report.runs import (
    CLEAR,
    CORNER,
    both_rides,
    comparison_document,
    prediction_document,
    prediction_html,
    season_document,
    worked_words,
)
from telemetry.report.stand import (
    bounce_document,
    bounce_html,
    stand_document,
    stand_html,
    stand_picture,
)
from telemetry.setup import Comparison, SetupSheet
from telemetry.summary import Summary

__all__ = [
    "AROUND_M", "Advice", "Against", "Answer", "Band", "Blank", "Block", "CLEAR", "CORNER", "Caution",
    "Cell", "Column", "CornerLaps", "Curve", "CurveNote", "Details", "Document", "DotRow", "Dots",
    "Drawn", "Facts", "Figure", "Fold", "Halves", "Label", "LapName", "Line", "Lines", "MARKS",
    "M_S_TO_KM_H", "Medium", "Number", "Overlay", "POINTS", "Paper", "Places", "Ribbon", "RunName",
    "SENSOR_HEADINGS", "Said", "Scope", "SeasonPicture", "Section", "Sentence",
    "Sentences", "Shade", "Spectrum", "Spot", "StopSpot", "Table", "TrackPicture", "TravelPicture",
    "UNITS", "UNIT_CHOICES", "Unit", "Upright", "Usual", "WANTED", "ZoneColumn", "ZoneDots", "both_rides",
    "bounce_damper_document", "bounce_document", "bounce_html", "card_svg", "check_log", "check_to_json",
    "comparison_document", "comparison_html", "corner_laps", "damper_document", "damping_cell",
    "damping_headline", "debrief_document", "debrief_html", "document_html",
    "find_browser", "heading_in", "heading_unit", "history_document",
    "named_corners", "overlay", "page_to_pdf", "picture_in", "prediction_document",
    "prediction_html", "print_check", "print_comparison", "print_document",
    "print_review", "print_section", "quality_section", "quickest_lap",
    "review_document", "row_changes", "runs_section", "season_document", "section_times", "sensor_checks",
    "sensor_rows", "stand_document", "stand_html", "stand_picture", "stretch",
    "stretch_document", "summary_html", "text_in", "thinned", "track_picture", "travel_picture",
    "unit_of", "usual_lap_s", "usual_travel", "whole_run", "worked_words",
]  # fmt: skip


def print_review(summary: Summary, console: Console, *, sheet: SetupSheet | None = None) -> None:
    """Print a review: sentences, both ends, balance, places, laps, the setup sheet where given, faults of the log."""
    print_document(review_document(whole_run(summary), sheet=sheet), console)


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison: sentences first, what was changed, every number, what was left out."""
    print_document(comparison_document(comparison), console)


def summary_html(summary: Summary) -> str:
    """What a notebook shows of a review."""
    return notebook_html(review_document(whole_run(summary)))


def comparison_html(comparison: Comparison) -> str:
    """What a notebook shows of a comparison."""
    return notebook_html(comparison_document(comparison))
