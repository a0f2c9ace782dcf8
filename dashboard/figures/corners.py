"""Small pictures of one corner each, all laps over each other: drawn as SVG, since a page has a dozen of them."""

import base64

import numpy as np

from dashboard.theme import Theme
from telemetry.arrays import ENDS, End, FloatArray
from telemetry.report import CornerLaps

# Size of a picture. [px]
WIDTH, HEIGHT = 220.0, 130.0
_MIDDLE = HEIGHT / 2


def corner_picture(corner: CornerLaps, chosen: int | None, span_mm: float, theme: Theme) -> str:
    """Front above the middle line and rear below, other laps grey, the chosen one in colour, as a data address.

    Parameters
    ----------
    span_mm : float
        What each half reaches to: one scale for all corners.
    """
    lines = []
    for end in ENDS:
        travel = corner.travel_mm.get(end)
        if travel is None:
            continue
        for lap, values in zip(corner.laps, travel, strict=True):
            if lap != chosen:
                lines.append(_line(values, end, span_mm, theme.soft, 0.9, 0.45))
        if chosen in corner.laps:
            own = travel[corner.laps.index(chosen)]
            lines.append(_line(own, end, span_mm, theme.of(end), 2.0, 1.0))
    apex_x = WIDTH * (corner.corner.apex_m - corner.span_m[0]) / (corner.span_m[1] - corner.span_m[0])
    written = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" '
        f'height="{HEIGHT:g}"><line x1="{apex_x:.1f}" x2="{apex_x:.1f}" y1="0" y2="{HEIGHT:g}" stroke="{theme.rule}"/>'
        f'<line x1="0" x2="{WIDTH:g}" y1="{_MIDDLE:g}" y2="{_MIDDLE:g}" stroke="{theme.ink}" stroke-width="0.8"/>'
        f"{''.join(lines)}</svg>"
    )
    return "data:image/svg+xml;base64," + base64.b64encode(written.encode()).decode()


def _line(values: FloatArray, end: End, span_mm: float, colour: str, width: float, opacity: float) -> str:
    side = -1 if end == "front" else 1
    x = (np.arange(len(values)) + 0.5) * WIDTH / len(values)
    y = _MIDDLE + side * np.clip(values / span_mm, -0.1, 1.0) * (_MIDDLE - 2)
    parts, pen = [], "M"
    for at_x, at_y in zip(x, y, strict=True):
        if np.isfinite(at_y):
            parts.append(f"{pen}{at_x:.1f} {at_y:.1f}")
            pen = "L"
        else:
            pen = "M"
    pen = f'stroke="{colour}" stroke-width="{width}" stroke-opacity="{opacity}"'
    return f'<path d="{"".join(parts)}" fill="none" {pen}/>'
