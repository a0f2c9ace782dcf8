from dashboard.scene import rider_place
from telemetry.report.lap import stop_sentence
from tests.dashboard.made_up import made_up


def test_a_place_for_the_rider():
    assert rider_place(3, "drive") == "coming out of corner 3"
    assert rider_place(3, "drive", names={3: "Old Gate", 4: ""}) == "coming out of Old Gate (corner 3)"
    assert rider_place(4, None, names={3: "Old Gate", 4: ""}) == "at corner 4"
    assert rider_place(None, "braking") == "under braking"
    assert rider_place(None, None, 1234.0) == "1230 metres after the start line"
    assert rider_place(None, None) == "place not known"


def test_a_stop_in_one_sentence():
    stop = made_up().summary.ends["front"].bottomed[0]
    assert stop_sentence("front", stop).startswith("front bottomed, corner 1, entry: 114.2 mm at the wheel")
