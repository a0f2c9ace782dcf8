"""Pictures of the document as figures: a table of functions by kind."""

from collections.abc import Callable
from typing import Any

import plotly.graph_objects as go

from dashboard.figures.curves import dots_figure, lines_figure, zones_figure
from dashboard.figures.halves import halves_figure, spectrum_figure
from dashboard.figures.season import season_figure
from dashboard.theme import Theme
from telemetry.report import Dots, Halves, Lines, SeasonPicture, Spectrum, ZoneDots

DRAW: dict[type, Callable[[Any, Theme], go.Figure]] = {
    Halves: halves_figure,
    SeasonPicture: season_figure,
    Spectrum: spectrum_figure,
    Lines: lines_figure,
    Dots: dots_figure,
    ZoneDots: zones_figure,
}


def drawn(picture: Any, theme: Theme) -> go.Figure:
    """A picture of the document as a figure."""
    return DRAW[type(picture)](picture, theme)
