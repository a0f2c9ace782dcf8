"""Words made from numbers: the right sentence for every kind of answer, and the caution where one is due."""

from dataclasses import replace

import pytest

from telemetry.balance import Balance, DampingBalance, PitchSummary, Ratio, SameBump, SpeedRatio
from telemetry.damping import CAUTION as DAMPING_CAUTION
from telemetry.damping import Oscillation, OscillationEvent
from telemetry.damping.verdict import DamperCourse, DampingTrend
from telemetry.findings import balance_sentence, damping_sentence
from telemetry.findings.damping import oscillation_sentence
from telemetry.findings.rank import findings, travel_sentence, trust_sentence, verdict_sentences
from telemetry.motion import StopEvent, not_judged
from telemetry.motion.summary import (
    EndSummary,
    PlaneSummary,
    SpeedHistogram,
    SpeedSide,
    SpeedSummary,
    TravelHistogram,
    TravelSummary,
)
from telemetry.notes import QualityNote
from telemetry.summary import LapSummary, RunInfo, Turn, place_words

NO_PITCH = PitchSummary(None, None, None, None)
RUN = RunInfo("log.csv", "QB-6", 300.0, 500.0, 8000.0, "lap channel", ("lean",))


def an_end(max_mm=110.0, stroke=125.0, bottomed=()):
    side = SpeedSide(0.5, 150, 100, 300, 500, 900, 0.3, 0.2)
    plane = PlaneSummary(
        TravelSummary(0.0, 50.0, 48.0, 90.0, max_mm, 100 * max_mm / stroke, stroke - max_mm),
        TravelHistogram((0.0, stroke), (1.0,)),
        SpeedSummary(side, side, 3.0, 60.0),
        SpeedHistogram((-1500.0, 1500.0), (1.0,)),
    )
    return EndSummary(stroke, stroke, 1.0, plane, plane, tuple(bottomed), ())


def a_stop(lap, corner=3):
    return StopEvent(
        "front", "bottomed", 10.0 * lap, 0.05, lap, 640.0, corner, "braking", 124.0, 124.0, 700.0
    )


def a_balance(down=(1.0, (0.97, 1.03)), up=(1.0, (0.97, 1.03)), pairs=80):
    bump = SameBump(pairs, down[0], down[1], up[0], up[1], 0.5)
    return Balance(SpeedRatio(1.0, 1.0), bump, NO_PITCH, ())


def some_laps(n):
    ends = {"front": an_end(), "rear": an_end()}
    return tuple(
        LapSummary(i, 80.0 * i, 80.0 * i + 80, 80.0, 2700.0, True, {}, ends, a_balance())
        for i in range(1, n + 1)
    )


EVENT = OscillationEvent(
    30.0, 31.6, 2, 1240.0, 5, "drive", 16.2, 0.05, (0.02, 0.09), 1.1, 0.6, 0.9, "The front did not feel it."
)
LOST = Oscillation("yes", "1 stretch out of corner 5.", (EVENT,))
STEADY = DamperCourse("steady", "It did not fall.", (), DampingTrend(0.2, (-1.0, 1.4)))
SOUND = Oscillation("no", "Nothing suggests lost damping over 280 s of riding.", course={"rear": STEADY})


@pytest.mark.parametrize(
    ("ratio", "says"),
    [
        ((1.0, (0.97, 1.03)), "both ends go down at the same rate"),
        ((1.05, (0.8, 1.4)), "no clear difference in how they go down"),
        ((1.3, (1.2, 1.4)), "the rear goes down 30 % faster"),
        ((0.8, (0.7, 0.9)), "the rear goes down 20 % slower"),
        ((None, None), "too few clear bumps"),
    ],
)
def test_same_bump_sentence_follows_the_interval(ratio, says):
    if ratio[0] is None:
        assert "too few clear bumps to compare how they come up" in balance_sentence(a_balance(up=ratio))
    else:
        assert says in balance_sentence(a_balance(down=ratio))


def test_the_wide_interval_never_names_an_end_and_the_narrow_one_does():
    assert findings((), {}, a_balance(up=(1.3, (0.9, 1.8))), SOUND) == ()
    (found,) = findings((), {}, a_balance(up=(1.3, (1.2, 1.4))), SOUND)
    assert found.title == "The front comes up slower than the rear"
    assert "rebound" in found.suggestion
    assert "maker's limits" in found.caution


def test_a_damping_ratio_that_does_not_show_on_the_same_bump_is_said_to_ask_for_nothing():
    even, more = Ratio(1.0, (0.95, 1.05)), Ratio(1.3, (1.2, 1.4))
    carried = DampingBalance(more, even, {}, 0.0, 0.5, 20)
    quiet = replace(a_balance(down=(1.0, (0.8, 1.25))), damping=carried)
    assert findings((), {}, quiet, SOUND) == ()
    assert damping_sentence(quiet).endswith(
        "Where the same bump shows no clear difference, no change is advised."
    )
    for other in (
        replace(quiet, damping=replace(carried, compression=even)),
        replace(a_balance(down=(0.7, (0.6, 0.8))), damping=carried),
        replace(a_balance(down=(None, None)), damping=carried),
    ):
        assert damping_sentence(other).endswith("both ends are alike in rebound.")


def test_an_end_without_valid_travel_cannot_be_told():
    said = travel_sentence("rear", not_judged(70.0, 125.0, "Its wire is off."))
    assert said == "Rear not judged: Its wire is off."


def test_an_end_measured_for_a_part_of_the_time_says_until_when():
    said = travel_sentence("rear", replace(an_end(), valid_share=0.49, measured_until_s=173.2))
    assert said.startswith("Rear (measured for 49 % of the time, until 173 s) used ")


def test_suspected_loss_comes_first_with_its_caution():
    ends = {"front": an_end(), "rear": an_end()}
    first = verdict_sentences(RUN, some_laps(3), (), ends, a_balance(), LOST)[0]
    assert first.startswith("Suspected loss of rear damping")
    assert "inspected by a qualified technician before riding on" in first
    found = findings(some_laps(3), ends, a_balance(), LOST)[0]
    assert found.caution == DAMPING_CAUTION
    assert "corner 5, drive in lap 2" in found.evidence
    assert "0.02 to 0.09" in found.evidence


def test_a_sound_damper_and_an_unknown_one_are_different_sentences():
    assert oscillation_sentence(SOUND) == SOUND.reason
    too_few = replace(SOUND, course={})
    assert oscillation_sentence(too_few).endswith("Whether its damping falls over the laps was not judged.")
    unknown = Oscillation("cannot_tell", "the log has 50 samples a second.")
    assert "Cannot tell" in oscillation_sentence(unknown)


def test_bottoming_twice_at_one_corner_is_a_finding_once_is_not():
    once = {"front": an_end(124.0, bottomed=[a_stop(1)])}
    twice = {"front": an_end(124.0, bottomed=[a_stop(1), a_stop(3)])}
    assert findings(some_laps(3), once, a_balance(), SOUND) == ()
    (found,) = findings(some_laps(3), twice, a_balance(), SOUND)
    assert found.title == "Front bottoms at corner 3"
    assert "laps 1 and 3" in found.evidence
    assert "qualified technician" not in found.caution  # none of them hard
    hard = {"front": an_end(124.0, bottomed=[replace(a_stop(lap), hard=True) for lap in (1, 3)])}
    (found,) = findings(some_laps(3), hard, a_balance(), SOUND)
    assert "qualified technician" in found.caution
    # two laps of ten is no pattern
    assert findings(some_laps(10), twice, a_balance(), SOUND) == ()


def test_travel_left_unused_is_a_fact_and_no_finding():
    ends = {"front": an_end(), "rear": an_end(60.0)}
    assert findings(some_laps(3), ends, a_balance(), SOUND) == ()
    assert "used 48 % of its travel, 65 mm left" in travel_sentence("rear", ends["rear"])


def test_trust_names_the_first_fault():
    assert "OK" in trust_sentence(RUN, some_laps(3), ())
    warned = trust_sentence(RUN, some_laps(1), (QualityNote("warning", "spikes", "3 spikes masked."),))
    assert "1 warning" in warned
    assert "3 spikes masked." in warned
    refused = trust_sentence(RUN, (), (QualityNote("refused", "too_slow", "50 Hz is too slow."),))
    assert "cannot answer everything" in refused


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ((5, "drive", 1240.4), "corner 5, drive"),
        ((None, "straight", None), "straight"),
        ((None, None, 300.0), "300 m into the lap"),
        ((None, None, None), "place not known"),
    ],
)
def test_places_in_words(place, words):
    assert place_words(*place) == words


def test_bottoming_in_three_of_five_laps_at_one_place_of_a_straight_is_a_finding():
    def stop(lap, at_m):
        return replace(a_stop(lap, corner=None), distance_m=at_m, hard=lap == 1)

    def told(stops):
        ends = {"front": an_end(bottomed=stops), "rear": an_end()}
        return [f for f in findings(some_laps(5), ends, a_balance(), SOUND) if "bottoms" in f.title]

    (finding,) = told([stop(1, 640.0), stop(2, 655.0), stop(4, 648.0)])
    assert finding.title == "Front bottoms at 648 m into the lap"  # the median
    assert "3 times in laps 1, 2 and 4; wheel speed at the stop up to" in finding.evidence
    assert told([stop(1, 640.0), stop(2, 900.0), stop(4, 1200.0)]) == []
    assert told([stop(1, 640.0), stop(2, 655.0)]) == []


def damped(down=(1.0, (0.95, 1.05)), up=(1.0, (0.95, 1.05))):
    return DampingBalance(Ratio(*down), Ratio(*up), {}, 0.1, 0.98, 20)


def test_a_difference_of_damping_is_named_with_what_else_it_may_be():
    balance = replace(a_balance(up=(0.8, (0.75, 0.86))), damping=damped(up=(1.3, (1.2, 1.4))))
    (found,) = findings((), {}, balance, SOUND)
    assert found.title == "The rear comes up slower than the front"
    assert "Damping ratio: the rear is 30 % higher in rebound (95 % +20 to +40 %)." in found.evidence
    assert found.turns == (
        Turn("rear", "rebound damping", "less"),
        Turn("front", "rebound damping", "more"),
    )
    assert "tyre pressure" in found.suggestion and found.caution
    assert "the rear is 30 % higher in rebound" in damping_sentence(balance)


def test_ends_damped_alike_that_move_unlike_are_not_sent_to_the_clickers():
    balance = replace(a_balance(up=(1.3, (1.2, 1.4))), damping=damped())
    (found,) = findings((), {}, balance, SOUND)
    assert "spring, sag, leverage, tyre pressure" in found.suggestion and found.turns == ()
    assert not found.caution
    assert "both ends are alike in compression" in damping_sentence(balance)


def test_bump_and_damping_that_point_apart_give_no_direction():
    # more damped in compression, yet clearly the faster down: something else parts them
    balance = replace(a_balance(down=(1.2, (1.1, 1.3))), damping=damped(down=(1.3, (1.2, 1.4))))
    (found,) = findings((), {}, balance, SOUND)
    assert found.turns == () and "No change of a setting is advised" in found.suggestion


def test_without_a_damping_balance_nothing_is_said_of_it():
    assert damping_sentence(a_balance()) == ""


def test_more_damping_that_the_bump_does_not_show_asks_for_no_change():
    balance = replace(a_balance(), damping=damped(down=(1.3, (1.2, 1.4))))
    assert findings((), {}, balance, SOUND) == ()


@pytest.mark.parametrize(
    ("interval", "says"),
    [
        ((0.01, 0.48), "the rear is lower in compression, cannot tell by how much"),
        ((0.94, 12.9), "cannot tell which end is higher in compression"),
    ],
)
def test_a_wide_interval_of_damping_says_what_it_leaves(interval, says):
    said = damping_sentence(replace(a_balance(), damping=damped(down=(0.3, interval))))
    assert f"{says};" in said and "1190" not in said


def test_with_a_damper_in_doubt_no_change_of_set_up_is_proposed():
    ends = {"front": an_end(124.0, bottomed=[a_stop(1), a_stop(3)]), "rear": an_end(60.0)}
    balance = replace(a_balance(down=(1.3, (1.2, 1.4))), damping=damped(down=(1.3, (1.2, 1.4))))
    found = findings(some_laps(3), ends, balance, LOST)
    assert [one.title for one in found] == ["Rear damping suspected lost", "Front bottoms at corner 3"]
    assert "Do not change the set-up" in found[0].suggestion
    assert not any("Damping ratio" in said for said in verdict_sentences(RUN, (), (), ends, balance, LOST))


def test_damping_lost_all_through_is_said_once_and_not_against_its_own_start():
    reason = "The rear wheel hop was damped at a ratio of 0.04 all through the outing."
    worn = DamperCourse("worn all along", "Near 0.04.", (), None)
    found = findings(some_laps(3), {}, a_balance(), Oscillation("yes", reason, course={"rear": worn}))
    (one,) = found
    assert one.title == "Rear damping suspected lost" and "start of the outing" not in one.suggestion


def course(end, state, reason):
    return {end: DamperCourse(state, reason, (), None)}


FELL = "From lap 1 to lap 6 the damping ratio of the {} wheel hop fell by 41 %."
UNEVEN = a_balance(down=(1.53, (1.45, 1.6)), up=(1.75, (1.6, 1.9)))  # what a faded rear damper looks like
LOOK = replace(EVENT, level="look", confidence=0.8)
IN_DOUBT = {
    "rear fades": Oscillation(
        "yes", FELL.format("rear"), course=course("rear", "losing damping", FELL.format("rear"))
    ),
    "front fades": Oscillation(
        "no", "Nothing.", course=course("front", "losing damping", FELL.format("front"))
    ),
    "recovered": Oscillation(
        "yes", "It came back.", course=course("rear", "lost damping and recovered", "Back.")
    ),
    "one short stretch": Oscillation("cannot_tell", "It rang once.", (LOOK,)),
    "rang, not logged why": Oscillation(
        "cannot_tell", "It rang 9 times without ground speed.", unexplained=9
    ),
    "weak or rough": Oscillation("cannot_tell", "Low.", course=course("rear", "doubtful", "Low.")),
    "front rang": Oscillation("no", "Nothing.", front_events=(EVENT,)),
}


@pytest.mark.parametrize("found", IN_DOUBT.values(), ids=IN_DOUBT)
def test_a_damper_in_doubt_comes_first_with_a_caution_and_without_set_up_advice(found):
    ends = {"front": an_end(124.0, bottomed=[a_stop(1), a_stop(3)]), "rear": an_end(70.0)}
    first = verdict_sentences(RUN, some_laps(3), (), ends, UNEVEN, found)[0]
    end = "Front" if "front" in first.lower().split(":")[0] else "Rear"
    assert (end == "Front") is (found.verdict == "no")
    assert "qualified technician" in first
    said = findings(some_laps(3), ends, UNEVEN, found)
    assert said and "qualified technician" in said[0].caution
    text = " ".join(f"{one.title} {one.suggestion} {one.caution}" for one in said)
    for advice in ("softer", "more support", "damping at the", "Change one thing", "spring"):
        assert advice not in text
    assert "Front bottoms at corner 3" in text  # a fact stays one


def test_the_same_is_said_once():
    for found in IN_DOUBT.values():
        sentences = verdict_sentences(RUN, some_laps(3), (), {}, a_balance(), found)
        said = [*sentences, *(one.evidence for one in findings(some_laps(3), {}, a_balance(), found))]
        assert len(said) == len(set(said))
        assert not any(
            reason in one.evidence for one in findings((), {}, UNEVEN, found) for reason in [found.reason]
        )


def test_a_sound_rear_is_said_beside_a_fading_front_and_named_as_the_rear():
    found = IN_DOUBT["front fades"]
    sentences = verdict_sentences(RUN, some_laps(3), (), {}, a_balance(), found)
    assert sentences[0].startswith("Suspected loss of front damping")
    unjudged = "Whether its damping falls over the laps was not judged."  # there is no course of the rear
    assert sentences[-2:] == (
        f"{found.reason} {unjudged}",
        "The log is OK: 3 complete laps at 500 Hz, no warnings.",
    )


def test_a_suspected_front_comes_before_a_rear_in_doubt():
    low, fell = course("rear", "doubtful", "Low."), course("front", "losing damping", FELL.format("front"))
    found = Oscillation("cannot_tell", "Low.", course={**low, **fell})
    first, second, *_ = verdict_sentences(RUN, some_laps(3), (), {}, a_balance(), found)
    assert second.endswith(
        "while the damping of the front changes over the laps, the rear can seem to lose damping."
    )
    assert first.startswith("Suspected loss of front damping. From lap 1") and second.startswith(
        "Rear damping is in doubt"
    )
