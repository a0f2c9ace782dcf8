"""The card of a run, a picture that stands by itself for a phone; and the times of the sections of a lap."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from statistics import median
from textwrap import wrap

from telemetry.laps import lap_length_m, laps_at_pace
from telemetry.report import svg
from telemetry.report.drawings import drawn
from telemetry.report.lap import Drawn, track_picture
from telemetry.setup import section_time_s, sections
from telemetry.summary import LapSummary, Summary

# Size of the card, and how many letters of its three sizes of type fit beside each other.
WIDTH, _MARGIN = 720.0, 28.0
_BIG, _PLAIN = (30.0, 38), (22.0, 54)


@dataclass(frozen=True)
class SectionTime:
    """A section of the lap: the best time and its lap, and the median over the laps at pace. [s]"""

    name: str
    best_s: float
    best_lap: int
    typical_s: float


def section_times(summary: Summary) -> tuple[SectionTime, ...]:
    """Times of the sections between the corners over the complete laps at pace; empty where they are not known."""
    laps = [lap for lap in laps_at_pace(summary.laps) if lap.passing_s]
    found = []
    for name, start, end in sections(summary.corners, lap_length_m(summary.laps)) if laps else ():
        times = [(time, lap.lap) for lap in laps if (time := section_time_s(lap.passing_s, start, end))]
        if times:
            best_s, lap = min(times)
            found.append(SectionTime(name, best_s, lap, median(time for time, _ in times)))
    return tuple(found)


def usual_lap_s(laps: Sequence[LapSummary]) -> float | None:
    """Median time of the complete laps at pace; None without one. [s]"""
    times = [lap.time_s for lap in laps_at_pace(laps)]
    return median(times) if times else None


def card_svg(scene: Drawn, title: str, says: Sequence[str], places: Sequence[str]) -> str:
    """The rider's page as one picture file: what matters, the map, the places.

    Parameters
    ----------
    title : str
        Which run.
    says : sequence of str
        The first is the largest.
    places : sequence of str
        Worst first.
    """
    body, y = [], _MARGIN + 20.0
    body.append(svg.text(_MARGIN, y, title[:70], font_size="20", class_="quiet-words"))
    for number, words in enumerate(says):
        y, lines = _lines(y + 14, words, *(_BIG if number == 0 else _PLAIN), bold=number == 0)
        body += lines
    whole = track_picture(scene)
    inner = drawn(replace(whole, spots=tuple(spot for spot in whole.spots if spot.kind == "bottomed")))
    box = inner.partition('viewBox="0 0 ')[2].partition('"')[0].split()
    height = float(box[1]) * (WIDTH - 2 * _MARGIN) / float(box[0])
    across = WIDTH - 2 * _MARGIN
    placed = f'<svg x="{_MARGIN}" y="{y + 14:.0f}" width="{across}" height="{height:.0f}"'
    body.append(inner.replace("<svg", placed, 1))
    y += 20 + height
    for words in places:
        y, lines = _lines(y + 8, words, *_PLAIN)
        body += lines
    return with_rules(svg.picture(WIDTH, y + _MARGIN, f"{title}. {' '.join(says)}", body))


def _lines(y: float, words: str, size: float, letters: int, *, bold: bool = False) -> tuple[float, list[str]]:
    """Words broken into lines from ``y`` on; where they end, and the lines."""
    weight = "700" if bold else "400"
    made = []
    for line in wrap(words, letters):
        y += 1.25 * size
        made.append(svg.text(_MARGIN, y, line, font_size=f"{size:g}", font_weight=weight))
    return y, made


def with_rules(picture: str) -> str:
    """A picture with its own colours and a white ground: it can be kept, sent and shown by itself."""
    head, mark, rest = picture.partition("</title>")
    width, height = picture.partition('viewBox="0 0 ')[2].partition('"')[0].split()
    ground = svg.element("rect", x=0, y=0, width=float(width), height=float(height), fill="#ffffff")
    sized = head.replace("<svg", f'<svg width="{width}" height="{height}"', 1)
    return f"{sized}{mark}<style>{_rules()}</style>{ground}{rest}"


@cache
def _rules() -> str:
    """Rules of the style sheet that are about pictures."""
    sheet = files("telemetry.report").joinpath("debrief.css").read_text(encoding="utf-8")
    kept = [line for line in sheet.splitlines() if line.startswith((":root", "svg"))]
    told = (
        "svg { font: 10.5px system-ui, sans-serif; fill: var(--ink); } .quiet-words { fill: var(--quiet); } "
        "svg .corner { font-size: 24px; }"
    )
    own = [line for line in kept if "figure" not in line and "display: block" not in line]
    return " ".join([*own, told])
