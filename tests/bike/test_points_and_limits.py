"""Points of a linkage that fall together, and mean leverage ratios about their limits."""

import pytest

from telemetry.bike import build_mechanism
from telemetry.bike.bikefile import parse_bike
from telemetry.bike.leverage import LinkageError
from telemetry.errors import BikeFileError
from tests.bike.rear_linkages import LINKAGES, SWINGARM


@pytest.mark.parametrize(
    ("name", "far"), [("frame, pull", "rod_swingarm_mm"), ("swingarm, pull", "rod_frame_mm")]
)
def test_a_rocker_pivot_on_the_far_end_of_its_rod_is_one_point(name, far):
    # the loop of four links would have one without length (any text on four-bar linkages)
    linkage = LINKAGES[name].model_copy(update={far: LINKAGES[name].rocker_pivot_mm})
    with pytest.raises(LinkageError, match=f"rocker_pivot_mm and {far} are the same point"):
        build_mechanism(SWINGARM, linkage)


@pytest.mark.parametrize(("ratio", "fits"), [(0.89, False), (0.91, True), (5.9, True), (6.1, False)])
def test_the_mean_leverage_ratio_is_wheel_over_shock_travel_at_the_whole_stroke(ratio, fits):
    # 0.9 to 6: common practice, as the constant says. The first tenth, half as steep, does not decide.
    table = [[0.0, 0.0], [6.0, 3.0 * ratio], [60.0, 60.0 * ratio]]
    data = {"name": "a bike", "front": {}, "rear": {"leverage_table_mm": table}}
    if fits:
        assert parse_bike(data).rear.leverage_table_mm is not None
    else:
        with pytest.raises(BikeFileError, match=f"moves {ratio:.2f} mm for each mm"):
            parse_bike(data)
