"""A log of the demo bike pushed by hand, as its logger would write it."""

import numpy as np

from telemetry.arrays import ENDS
from telemetry.simulate import DEMO_BIKE_TOML, Sensors, Vehicle, demo_bike, with_fork_rebound
from telemetry.simulate.sensors import travel_signal
from telemetry.simulate.vehicle import exact_shaft_mm
from tests.randomised.pushes import push_test


def pushed_log(folder, clicks, pushes):
    """Log and bike file in a folder; fork rebound at these clicks from closed."""
    bike = with_fork_rebound(demo_bike(), clicks)
    length_s = max(push.at_s for push in pushes) + 3.0
    ridden = push_test(Vehicle(bike), tuple(pushes), length_s, sample_rate_hz=200.0)
    rng = np.random.default_rng(3)
    columns = {"time": ridden.t_s}
    for end, wheel_m in zip(ENDS, (ridden.front_m, ridden.rear_m), strict=True):
        shaft = exact_shaft_mm(bike, end, 1e3 * wheel_m)
        columns[bike.end(end).sensor.channel] = travel_signal(shaft, bike, end, Sensors(), rng=rng)
    rows = [
        ",".join(columns),
        *(",".join(f"{x:.4f}" for x in row) for row in zip(*columns.values(), strict=True)),
    ]
    (folder / "push.csv").write_text("\n".join(rows) + "\n")
    (folder / "bike.toml").write_text(DEMO_BIKE_TOML)
    return folder / "push.csv", folder / "bike.toml"
