"""Findings of a review in their order, and the rules of what each may advise."""

from telemetry.findings.balance import TWO_BALANCES, WIDEST, balance_sentence, bounce_advice, damping_sentence
from telemetry.findings.damping import (
    DOUBTFUL,
    LOST,
    NO_SIGN,
    NO_SUDDEN,
    NOT_JUDGED,
    as_far_as_measured,
    damper_answer,
    front_suspected,
    lost_all_through,
    slow_loss_judged,
    suspicions,
)
from telemetry.findings.rank import findings, nothing_asks, travel_sentence, trust_sentence, verdict_sentences
from telemetry.findings.rules import EXPECTED, HOW_MUCH, turn_words, without_amount

__all__ = [
    "DOUBTFUL", "EXPECTED", "HOW_MUCH", "LOST", "NOT_JUDGED", "NO_SIGN", "NO_SUDDEN", "TWO_BALANCES",
    "WIDEST", "as_far_as_measured", "balance_sentence", "bounce_advice", "damper_answer",
    "damping_sentence", "findings", "front_suspected", "lost_all_through", "nothing_asks",
    "slow_loss_judged", "suspicions", "travel_sentence", "trust_sentence", "turn_words",
    "verdict_sentences", "without_amount",
]  # fmt: skip
