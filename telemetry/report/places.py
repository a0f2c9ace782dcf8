"""The places that sentences name: each with the lap and the stretch of it that it stands for."""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

from telemetry.laps import PHASES, Corner, lap_length_m
from telemetry.report.blocks import (
    Advice,
    Answer,
    Block,
    Caution,
    Cell,
    Document,
    Fold,
    LapName,
    Said,
    Section,
    Sentence,
    Sentences,
    Spot,
    Table,
)
from telemetry.summary import LapSummary, Summary

# Shown of the lap on both sides of a point, and before and after a corner, its neighbours left out. Own choices. [m]
AROUND_M = 100.0
BEFORE_CORNER_M, AFTER_CORNER_M = 150.0, 60.0
# Shown before and after a moment that has no place on the lap. An own choice. [s]
AROUND_S = 2.0

_PHASE = "|".join(PHASES)
_DISTANCE = r"\d[\d \u202f\u00a0]*"
# What `telemetry.summary.place_words`, `laps_words` and the notes on the log write.
_NAMED = re.compile(
    rf"\b[Cc]orner (?P<corner>\d+)(?:(?: \([^()\d]*\))?, (?:{_PHASE})\b| \((?:{_PHASE})\))?"
    rf"|\b(?:{_PHASE}) \((?P<along>{_DISTANCE}) m\)"
    rf"|(?<![\d.])(?P<into>{_DISTANCE}) m into the lap\b"
    rf"|\b(?:at|t =) (?P<time>{_DISTANCE}\.\d+)(?: to (?P<until>{_DISTANCE}\.\d+))? s\b"
    r"|\b[Ll]aps (?P<laps>\d+(?:, \d+)* and \d+)\b"
    r"|\b[Ll]ap (?P<lap>\d+)\b"
)


class Places:
    """The places of one review.

    Parameters
    ----------
    summary : Summary
    """

    def __init__(self, summary: Summary) -> None:
        self._summary = summary
        self._laps = {lap.lap: lap for lap in summary.laps}
        self._corners = {corner.number: corner for corner in summary.corners}

    def said(self, text: str) -> str:
        """The same text; it knows its places where it names any that the review has."""
        if isinstance(text, Said):
            return text
        parts = list(self._parts(text))
        return Said(parts) if any(not isinstance(part, str) for part in parts) else text

    def _parts(self, text: str) -> Iterator[str | Spot | LapName]:
        at = 0
        for found in _NAMED.finditer(text):
            place = self._place(found, text)
            if place is None:
                continue
            yield text[at : found.start()]
            yield from place
            at = found.end()
        if at < len(text):
            yield text[at:]

    def _place(self, found: re.Match[str], text: str) -> Sequence[str | Spot | LapName] | None:
        words, named = found.group(), found.groupdict()
        if named["lap"] or named["laps"]:
            return self._lap_names(words)
        if named["time"]:
            return self._moment(words, _value(named["time"]), _value(named["until"] or named["time"]))
        if named["corner"]:
            corner = self._corners.get(int(named["corner"]))
            if corner is None:
                return None
            lap = self._lap_in(text[found.end() :], corner.start_m, corner.end_m, corner.number)
            return [Spot(words, lap, corner.apex_m, self.corner_span_m(corner))]
        distance_m = _value(named["along"] or named["into"])
        near = (distance_m - AROUND_M, distance_m + AROUND_M)
        return [Spot(words, self._lap_in(text[found.end() :], *near), distance_m, self._within_lap(*near))]

    def _lap_names(self, words: str) -> list[str | LapName] | None:
        parts = re.split(r"(\d+)", words)
        if not all(int(number) in self._laps for number in parts[1::2]):
            return None
        if len(parts) == 3:  # one lap: the word with its number
            return [LapName(int(parts[1]), words)]
        return [LapName(int(part), part) if i % 2 else part for i, part in enumerate(parts) if part]

    def _moment(self, words: str, start_s: float, end_s: float) -> list[Spot] | None:
        if not 0 <= start_s <= self._summary.run.duration_s:
            return None
        lap = next((lap for lap in self._summary.laps if lap.start_s <= start_s < lap.end_s), None)
        zero_s = lap.start_s if lap else 0.0
        span_s = (max(start_s - zero_s - AROUND_S, 0.0), end_s - zero_s + AROUND_S)
        return [Spot(words, lap.lap if lap else None, None, span_s=span_s)]

    def _lap_in(self, after: str, start_m: float, end_m: float, corner: int | None = None) -> int | None:
        """The lap of a place: of those that the sentence goes on to name, the one with the worst event there."""
        clause = re.split(r"[;.](?:\s|$)", after, maxsplit=1)[0]
        named = [
            int(number)
            for found in _NAMED.finditer(clause)
            if found["lap"] or found["laps"]
            for number in re.findall(r"\d+", found.group())
        ]
        there = [
            event.lap
            for event in self._events
            if event.lap in self._laps
            and (not named or event.lap in named)
            and (
                (corner is not None and event.corner == corner)
                or (event.distance_m is not None and start_m <= event.distance_m <= end_m)
            )
        ]
        return next(iter(there), next((lap for lap in named if lap in self._laps), None))

    @cached_property
    def _events(self) -> list[Any]:
        """What happened at a place, the worst first: rings by their length, stops by their speed, packing."""
        found, summary = self._summary.oscillation, self._summary
        rings = sorted((*found.events, *found.front_events), key=_ring_rank)
        stops = [stop for end in summary.ends.values() for stop in (*end.bottomed, *end.topped_out)]
        stops.sort(key=lambda stop: (stop.kind != "bottomed", not stop.hard, -abs(stop.speed_mm_s)))
        packing = sorted(summary.packing, key=lambda event: -event.sink_mm)
        return [*rings, *stops, *packing]

    def corner_span_m(self, corner: Corner) -> tuple[float, float]:
        """A corner with its braking and drive, as far as its neighbours leave room. [m]"""
        before = max((c.end_m for c in self._corners.values() if c.end_m < corner.start_m), default=-1e9)
        after = min((c.start_m for c in self._corners.values() if c.start_m > corner.end_m), default=1e9)
        return self._within_lap(
            max(corner.start_m - BEFORE_CORNER_M, before), min(corner.end_m + AFTER_CORNER_M, after)
        )

    def _within_lap(self, start_m: float, end_m: float) -> tuple[float, float]:
        longest = max((lap.distance_m or 0.0 for lap in self._summary.laps), default=0.0)
        length_m = lap_length_m(self._summary.laps) or longest or end_m
        return max(start_m, 0.0), min(end_m, max(length_m, longest))

    def worst_lap(self) -> LapSummary | None:
        """The lap on which what the first finding is about was worst; else the lap of the worst event.

        Topping out counts for nothing here: over a crest it is normal.
        """
        doubt = {"damping lost at places": "rear", "damping in doubt": "rear", "front rings": "front"}
        first = self._summary.findings[0] if self._summary.findings else None
        events = [event for event in self._events if getattr(event, "kind", "") != "topped_out"]
        if first is not None:
            alike = [event for event in events if _is_about(first.rule, first.title, event, doubt)]
            events = alike or events
        return next((self._laps[event.lap] for event in events if event.lap in self._laps), None)


def _ring_rank(event: Any) -> tuple[bool, float]:
    return event.level != "alarm", -(event.end_s - event.start_s)


def _is_about(rule: str, title: str, event: Any, doubt: dict[str, str]) -> bool:
    """Whether a finding is about events of this kind and end."""
    if rule in doubt or rule.startswith("damping"):
        return hasattr(event, "damping_ratio")
    words = title.lower()
    if rule == "bottoms":
        return getattr(event, "kind", "") == "bottomed" and words.startswith(event.end)
    if rule == "packs":
        return hasattr(event, "sink_mm") and event.end in words
    return False


def _value(text: str) -> float:
    return float(re.sub(r"[^\d.]", "", text))


def linked(document: Document, summary: Summary) -> Document:
    """A document of which every sentence and cell knows the places that it names."""
    places = Places(summary)
    return replace(document, sections=tuple(_section(one, places) for one in document.sections))


def _section(one: Section, places: Places) -> Section:
    return replace(
        one, blocks=tuple(_block(block, places) for block in one.blocks), note=places.said(one.note)
    )


def _block(block: Block, places: Places) -> Block:
    link = _LINK.get(type(block))
    return block if link is None else link(block, places)


def _texts(texts: Sequence[str], places: Places) -> tuple[str, ...]:
    return tuple(map(places.said, texts))


def _table(block: Table, places: Places) -> Table:
    def cell(one: Cell) -> Cell:
        return places.said(one) if isinstance(one, str) else one

    return replace(block, rows=tuple(tuple(map(cell, row)) for row in block.rows))


_LINK: dict[type, Callable[[Any, Places], Block]] = {
    Answer: lambda block, places: replace(
        block,
        headline=places.said(block.headline),
        why=places.said(block.why),
        todo=places.said(block.todo),
        others=_texts(block.others, places),
    ),
    Sentence: lambda block, places: replace(block, text=places.said(block.text)),
    Sentences: lambda block, places: replace(block, items=_texts(block.items, places)),
    Caution: lambda block, places: replace(block, texts=_texts(block.texts, places)),
    Advice: lambda block, places: replace(
        block,
        title=places.said(block.title),
        evidence=places.said(block.evidence),
        suggestion=places.said(block.suggestion),
    ),
    Table: _table,
    Fold: lambda block, places: replace(block, blocks=tuple(_block(one, places) for one in block.blocks)),
}
