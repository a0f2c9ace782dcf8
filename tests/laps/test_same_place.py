"""What counts as one place of the lap: corners by number, stretches by distance, the line in between."""

from hypothesis import given
from hypothesis import strategies as st

from telemetry.laps import SAME_PLACE_M, Lap, Place, by_place, lap_length_m

LAP_M = 3200.0


def at(distance_m=None, corner=None, lap=1, phase=None):
    return Place(lap, distance_m, corner, phase)


def groups(*places, lap_m=LAP_M):
    return sorted(shared.events for shared in by_place(places, lap_m))


def test_a_corner_is_one_place_from_braking_to_drive():
    (place,) = by_place(
        [at(800.0, 4, 1, "braking"), at(1010.0, 4, 2, "drive"), at(900.0, 4, 2, "braking")], LAP_M
    )
    assert (place.corner, place.phase, place.distance_m, place.laps) == (4, None, 900.0, (1, 2))


def test_two_laps_a_metre_apart_on_a_straight_are_one_place_and_two_straights_are_two():
    assert groups(at(58.0, lap=1), at(59.0, lap=2), at(1500.0, lap=1)) == [(0, 1), (2,)]


def test_both_sides_of_the_line_are_one_place():
    before, after = at(LAP_M - 10.0, lap=1), at(20.0, lap=2)
    (place,) = by_place([before, after], LAP_M)
    assert place.distance_m == 5.0
    assert groups(before, after, lap_m=None) == [(0,), (1,)]


def test_a_row_of_events_does_not_become_one_long_place():
    shared = by_place([at(50.0 * i, lap=i) for i in range(20)], LAP_M)
    assert all(50.0 * (one.events[-1] - one.events[0]) <= SAME_PLACE_M for one in shared)


def test_where_the_stretch_of_a_corner_ends_is_no_border():
    # the stretch ends where the rider opens the throttle, a little elsewhere on each lap
    assert groups(at(640.0, 3, 1), at(645.0, None, 2), at(1000.0, None, 2)) == [(0, 1), (2,)]


def test_events_of_which_the_place_is_not_known_are_told_by_phase_and_share_no_place():
    shared = by_place([at(phase="braking"), at(phase="braking", lap=2), at(phase="drive"), at(900.0)], None)
    assert [(one.phase, one.located, len(one.events)) for one in shared] == [
        (None, True, 1),
        ("braking", False, 2),
        ("drive", False, 1),
    ]


def test_the_lap_is_as_long_as_the_complete_laps():
    laps = [Lap(1, 0, 80, 3190.0, True), Lap(2, 80, 160, 3210.0, True), Lap(3, 160, 180, 700.0, False)]
    assert lap_length_m(laps) == 3200.0
    assert lap_length_m(laps[2:]) is None


placed = st.builds(
    Place,
    st.integers(1, 5),
    st.none() | st.floats(0.0, LAP_M),
    st.none() | st.integers(1, 3),
    st.sampled_from([None, "braking"]),
)


@given(st.lists(placed, max_size=12), st.randoms(use_true_random=False))
def test_each_event_has_one_place_whatever_the_order(events, random):
    shared = by_place(events, LAP_M)
    assert sorted(i for place in shared for i in place.events) == list(range(len(events)))
    for place in shared:
        if place.corner is None and place.located:
            distances = [events[i].distance_m for i in place.events]
            apart = [min(abs(a - b), LAP_M - abs(a - b)) for a in distances for b in distances]
            assert max(apart) <= SAME_PLACE_M
    mixed = list(range(len(events)))
    random.shuffle(mixed)
    again = by_place([events[i] for i in mixed], LAP_M)
    assert sorted(len(place.events) for place in again) == sorted(len(place.events) for place in shared)
