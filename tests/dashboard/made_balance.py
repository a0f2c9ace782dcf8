"""Made-up values of the balance page: a rear that answers the same bump by a known share, bands and laps."""

from dataclasses import replace

import numpy as np

from telemetry.balance.balance import BumpGroup, BumpMeasure, BumpResponse, Ratio, SameBump
from telemetry.damping.verdict import (
    Check,
    DamperCourse,
    DetectionLimit,
    EventEvidence,
    LapDamping,
    RejectedCandidate,
)
from telemetry.motion.summary import Band, BandUse, EndFrequencies, Frequencies, Together
from telemetry.summary import Summary

REAR_SHARE = 0.8
RATIO = Ratio(REAR_SHARE, (0.7, 0.9))


def with_balance(summary: Summary) -> Summary:
    """The summary with a same-bump response, spectra and a damper course of both ends."""
    lag_ms = tuple(np.arange(-20.0, 200.0, 5.0))
    front = tuple(12.0 * np.exp(-max(t, 0.0) / 60.0) * np.sin(max(t, 0.0) / 20.0) for t in lag_ms)
    response = BumpResponse(
        lag_ms, front, tuple(REAR_SHARE * x for x in front), (BumpMeasure("depth_mm", 8.0, 6.4, RATIO),)
    )
    bump = SameBump(
        240, *(REAR_SHARE, (0.7, 0.9)) * 2, delay_residual_ms=0.4, disturbed_pairs=17, response=response,
        groups=(BumpGroup("size", "4 to 8 mm", 120, RATIO, RATIO),),
    )  # fmt: skip
    hz = tuple(np.arange(0.0, 40.0, 0.5))
    bands = (Band("body", 1.5, 4.0, "bike file"), Band("wheel hop", 11.0, 18.0, "bike file"))
    density = tuple(900.0 / (1.0 + (f - 2.5) ** 2) for f in hz)
    used = tuple(BandUse(band, 60.0, 0.4, 2.5) for band in bands)
    frequencies = Frequencies(
        frequency_hz=hz,
        ends={"front": EndFrequencies(used, density), "rear": EndFrequencies(used, density[::-1])},
        bands=(Together("body", 0.8, -20.0, True), Together("wheel hop", 0.1, None, False)),
    )
    laps = tuple(LapDamping(lap, 0.4 - 0.05 * lap, (0.3 - 0.05 * lap, 0.5 - 0.05 * lap)) for lap in (1, 2, 3))
    course = {
        "front": DamperCourse("steady", "No change beyond chance.", laps[::-1], None),
        "rear": DamperCourse("losing damping", "Down from 0.35 to 0.25.", laps, None),
    }
    seen = EventEvidence(
        60.0, 0.02, tuple(2.0 * np.sin(np.arange(80) / 2.0)), tuple(0.2 * np.sin(np.arange(80) / 2.0)),
        hz, tuple(4.0 / (1.0 + (f - 15.0) ** 2) for f in hz), (0.3,) * len(hz),
    )  # fmt: skip
    checks = (Check("Did the front feel the same?", "No: a healthy damper explains 24 % of it."),)
    events = tuple(replace(event, seen=seen, checks=checks) for event in summary.oscillation.events)
    front = tuple(replace(event, frequency_hz=18.5) for event in events[:1])
    rejected = tuple(
        RejectedCandidate(event.end_s + 2.0, event.end_s + 2.5, event.lap, 1309.0, "It was a single impact.")
        for event in events
    )
    limits = (DetectionLimit(0.05, 0.5, 0.06), DetectionLimit(0.12, 0.75, 0.06))
    return replace(
        summary,
        balance=replace(summary.balance, same_bump=bump),
        frequencies=frequencies,
        oscillation=replace(
            summary.oscillation,
            course=course,
            events=events,
            limits=limits,
            front_events=front,
            rejected=rejected,
        ),
    )
