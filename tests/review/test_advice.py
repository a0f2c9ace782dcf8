"""The table of rules: what is advised, that no two findings pull one adjuster both ways, and where each word is from.

What may be advised is common practice, with no source; the tests hold the review to the table.
"""

from dataclasses import replace
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.findings import findings, nothing_asks
from telemetry.findings.rules import RULES
from telemetry.motion import PackingEvent
from telemetry.summary import CHANGE_CAUTION, Trend, Turn
from tests.review.advice_judge import ENDS, both_ways, told_turns, traced, uses_travel_that_is_not_there
from tests.review.test_findings import SOUND, a_balance, a_stop, an_end, damped, some_laps

FRONT_SLOW = (1.4, (1.3, 1.5))
REAR_SLOW = (0.7, (0.62, 0.79))


def packed(end, lap):
    return PackingEvent(end, 10.0 * lap, 10.0 * lap + 1, lap, 640.0, 4, "straight", 7, 8.0, 700.0, 250.0)


def shifting(end):
    return Trend(
        f"{end}.travel.median_mm", f"{end} median travel", "mm", 8, 48.0, 51.5, 0.5, (0.3, 0.7), True
    )


@st.composite
def reviews(draw):
    """Ends, balance, packing and trends of any kind together, as no motorcycle would have them."""
    stroke = draw(st.floats(100.0, 140.0))
    ends = {}
    for end in ENDS:
        stops = [
            replace(a_stop(lap), end=end, corner=draw(st.sampled_from([3, 7])), hard=draw(st.booleans()))
            for lap in draw(st.lists(st.integers(1, 5), max_size=6))
        ]
        used = 1.0 if stops else draw(st.floats(0.3, 1.0))
        ends[end] = an_end(used * stroke, stroke, stops)
    ratios = st.floats(0.3, 3.0).flatmap(
        lambda ratio: st.floats(1.01, 1.6).map(lambda w: (ratio, (ratio / w, ratio * w)))
    )
    maybe = st.one_of(st.just((None, None)), ratios)
    balance = a_balance(draw(maybe), draw(maybe))
    if draw(st.booleans()):
        balance = replace(balance, damping=damped(draw(ratios), draw(ratios)))
    packing = tuple(packed(end, lap) for end in ENDS if draw(st.booleans()) for lap in (1, 2, 4))
    trends = tuple(shifting(end) for end in ENDS if draw(st.booleans()))
    clicks = {
        f"{end}.{side}_clicks": draw(st.sampled_from([0.0, 1.0, 12.0]))
        for end, side in product(ENDS, ("compression", "rebound"))
        if draw(st.booleans())
    }
    return ends, balance, packing, trends, clicks


@settings(max_examples=400, deadline=None)
@given(reviews())
def test_whatever_is_found_never_pulls_one_adjuster_both_ways(review):
    ends, balance, packing, trends, clicks = review
    found = findings(some_laps(5), ends, balance, SOUND, packing=packing, trends=trends, clicks=clicks)
    assert not both_ways(found)
    assert not uses_travel_that_is_not_there(found, ends)
    for one in found:
        assert traced(one), one.suggestion
        assert told_turns(one.suggestion) == {(turn.end, turn.adjuster, turn.direction) for turn in one.turns}
        assert (CHANGE_CAUTION in one.caution) is bool(one.turns)
        for turn in one.turns:
            if turn.direction == "more":
                assert clicks.get(f"{turn.end}.{turn.adjuster.split()[0]}_clicks") != 0.0


def test_an_end_that_bottoms_gets_no_less_compression_damping_and_the_finding_says_why():
    ends = {"front": an_end(124.8, bottomed=[a_stop(1), a_stop(3)]), "rear": an_end(90.0)}
    bottoms, slower = findings(some_laps(3), ends, a_balance(down=FRONT_SLOW), SOUND)
    assert bottoms.title == "Front bottoms at corner 3"
    assert Turn("front", "compression damping", "more") in bottoms.turns
    assert slower.title == "The front goes down slower than the rear"
    assert slower.turns == () and "the front bottomed 2 times" in slower.suggestion
    assert not slower.caution  # no change, no caution for one


@pytest.mark.parametrize(("left_mm", "advised"), [(12.0, True), (7.0, True), (6.0, False), (0.0, False)])
def test_less_compression_damping_needs_travel_in_hand(left_mm, advised):
    # 5 % of 125 mm are 6.25 mm
    ends = {"front": an_end(125.0 - left_mm), "rear": an_end()}
    (found,) = findings(some_laps(3), ends, a_balance(down=FRONT_SLOW), SOUND)
    assert (found.turns == (Turn("front", "compression damping", "less"),)) is advised
    assert (f"the front has {left_mm:.0f} mm of travel left" in found.suggestion) is not advised


def test_an_end_that_bottoms_at_several_places_is_one_finding_with_all_of_them():
    stops = [replace(a_stop(lap, corner=corner), hard=corner == 7) for corner in (3, 7) for lap in (1, 2)]
    ends = {"front": an_end(124.8, bottomed=stops), "rear": an_end(90.0)}
    (found,) = findings(some_laps(3), ends, a_balance(), SOUND)
    assert found.title == "Front bottoms at corner 3 and corner 7"
    assert "corner 3: braking, twice in laps 1 and 2; wheel speed at the stop up to" in found.evidence
    assert "corner 7: braking, twice in laps 1 and 2; wheel speed at the stop up to" in found.evidence
    in_corner_3, in_corner_7 = found.evidence.split("; corner 7")
    assert in_corner_3.endswith("no hard impact") and in_corner_7.endswith("2 hard impacts.")
    assert "qualified technician" in found.caution


def test_travel_in_hand_is_not_known_of_an_end_that_was_measured_in_part():
    ends = {"front": replace(an_end(60.0), valid_share=0.5), "rear": an_end()}
    (found,) = findings(some_laps(3), ends, a_balance(down=FRONT_SLOW), SOUND)
    assert found.turns == () and "is not known" in found.suggestion


def test_an_end_that_packs_is_not_told_to_take_more_rebound_damping():
    packing = tuple(packed("front", lap) for lap in (1, 2, 4))
    ends = {end: an_end(90.0) for end in ENDS}
    packs, slower = findings(some_laps(5), ends, a_balance(up=REAR_SLOW), SOUND, packing=packing)
    assert packs.turns == (Turn("front", "rebound damping", "less"),)
    assert slower.turns == (Turn("rear", "rebound damping", "less"),)
    assert (
        "Not advised: more rebound damping at the front (the front packs down at corner 4, straight"
        in slower.suggestion
    )


def test_a_step_has_an_amount_and_where_its_size_is_found_or_why_not():
    ends = {end: an_end(90.0) for end in ENDS}
    known = frozenset({"rear.rebound_clicks"})
    (found,) = findings(some_laps(3), ends, a_balance(up=REAR_SLOW), SOUND, sized=known)
    assert "less rebound damping at the rear: one click" in found.suggestion
    # clicks are counted from fully closed: one more is softer
    assert (
        "How much on these laps: run 'bothends try' with --change rear.rebound_clicks=+1." in found.suggestion
    )
    (found,) = findings(some_laps(3), ends, a_balance(up=REAR_SLOW), SOUND, sized=frozenset())
    assert "is not known: the bike file lacks rear.rebound_clicks or the dyno table" in found.suggestion


def test_a_closed_adjuster_is_not_closed_further():
    (found,) = findings(
        some_laps(3), {end: an_end(90.0) for end in ENDS}, a_balance(up=REAR_SLOW), SOUND,
        clicks={"front.rebound_clicks": 0.0, "rear.rebound_clicks": 9.0},
    )  # fmt: skip
    assert found.turns == (Turn("rear", "rebound damping", "less"),)
    assert "one click (now 9 from closed)" in found.suggestion and "fully closed" in found.suggestion


def test_nothing_to_change_is_an_answer_with_what_was_not_judged(reviewed_summary):
    quiet = replace(reviewed_summary, findings=(), balance=a_balance(), oscillation=SOUND)
    said = " ".join(nothing_asks(quiet))
    assert said.startswith("Nothing in this log asks for a change, as far as it can be judged.")
    assert "front damping" in said  # its course over the laps was not judged
    wide = replace(quiet, balance=a_balance(up=(1.05, (0.8, 1.4))))
    assert "how the ends come up on the same bump (they may differ by up to 40 %)" in " ".join(
        nothing_asks(wide)
    )
    (found,) = findings((), {}, a_balance(down=FRONT_SLOW), SOUND)
    assert nothing_asks(replace(quiet, findings=(found,))) == ()


@pytest.fixture(scope="module")
def reviewed_summary():
    from telemetry.summary import Summary
    from tests.review.test_findings import RUN

    ends = {end: an_end(90.0) for end in ENDS}
    return Summary(RUN, (), (), some_laps(3), (), ends, a_balance(), SOUND, ())


def test_the_table_never_gives_two_rules_one_key_and_says_why():
    assert len({rule.key for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.pattern and rule.first and rule.reason
        assert bool(rule.steps) is bool(rule.expect) is bool(rule.recheck)
        assert not (rule.waits and rule.steps)
