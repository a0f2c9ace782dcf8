"""Small inputs on both sides of a limit, whose answer follows from the definition or from arithmetic."""

import numpy as np
import pytest

from telemetry.balance.balance import Ratio
from telemetry.balance.bounce import _verdict
from telemetry.balance.transfer import _pieces, _ridden_gain


@pytest.mark.parametrize(
    ("low", "value", "high", "word"),
    [
        (0.86, 1.0, 1.14, "together"),  # the whole interval within 15 % of 1
        (0.84, 1.0, 1.14, "cannot tell"),  # part of it is not, and 1 is in it
        (0.86, 1.0, 1.16, "cannot tell"),
        (1.01, 1.1, 1.20, "rear faster"),  # 1 is not in it
        (0.80, 0.9, 0.99, "rear slower"),
        (1.05, 1.08, 1.12, "together"),  # surely not 1, but too little to matter
    ],
)
def test_ends_are_told_apart_only_where_their_interval_leaves_1(low, value, high, word):
    assert _verdict(Ratio(value, (low, high))) == word


def test_a_slope_known_in_one_stretch_only_has_no_interval_and_is_not_told():
    # leaving out the one stretch with values leaves nothing to solve
    push = np.sin(np.arange(120) / 5.0)
    stretches = _pieces(20 * np.arange(6), 20 * np.arange(1, 7))
    known_once = np.where(np.arange(120) < 20, 3.0 * push, np.nan)
    assert _ridden_gain(known_once, push, stretches) is None
    found = _ridden_gain(3.0 * push, push, stretches)
    assert found.value == pytest.approx(3.0)
    assert found.ci95 == pytest.approx((3.0, 3.0))
