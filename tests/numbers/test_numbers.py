"""No number of the numerical rooms changes unseen.

What is kept says what the numbers were, not that they are right: that is for the other tests. After a change that was
meant, `python -m tests.numbers.record` keeps the new ones, and the commit shows which.
"""

import pytest

from tests.numbers.cases import CASES
from tests.numbers.fingerprint import differences, fingerprint
from tests.numbers.record import kept

SHARE = 1e-5  # processors round differently; a path's greatest number is 1


@pytest.mark.parametrize("case", CASES)
def test_no_number_changes_unseen(case):
    changed = differences(kept(case), fingerprint(CASES[case]()), share=SHARE)
    assert changed == [], f"{len(changed)} paths changed; if meant: python -m tests.numbers.record"


def test_a_change_of_a_number_a_text_or_a_length_is_seen():
    was = fingerprint({"travel_mm": [10.0, 20.0, 30.0], "words": ["no", "look"], "left": None})
    for now in (
        {"travel_mm": [10.0, 20.0, 30.01], "words": ["no", "look"], "left": None},
        {"travel_mm": [20.0, 10.0, 30.0], "words": ["no", "look"], "left": None},
        {"travel_mm": [10.0, 20.0, 30.0], "words": ["no", "danger"], "left": None},
        {"travel_mm": [10.0, 20.0, 30.0], "words": ["no", "look"], "left": 3.0},
        {"travel_mm": [10.0, 20.0], "words": ["no", "look"], "left": None},
    ):
        assert differences(was, fingerprint(now), share=SHARE)
    rounded = {"travel_mm": [10.0, 20.0, 30.0 + 1e-9], "words": ["no", "look"], "left": None}
    assert not differences(was, fingerprint(rounded), share=SHARE)
