"""The machine of the demo data, invented: QB-6 of Team Quillback."""

import tomllib

from telemetry.bike import Bike, parse_bike

DEMO_BIKE_TOML = """\
# Demo data: an invented motorcycle. Lengths mm, rates N/mm, damper rates N s/mm, masses kg.
name = "QB-6, Team Quillback (demo)"
wheelbase_mm = 1410

[front]
stroke_mm = 125
rake_deg = 24.0
fork_offset_mm = 30
tyre_radius_mm = 300
spring_rate_n_per_mm = 19.0      # both legs
preload_mm = 12
tyre_rate_n_per_mm = 170
tyre_damping_n_s_per_mm = 0.15
unsprung_mass_kg = 15

[front.damper]                   # both legs, along the legs
friction_n = 18
compression = { low_n_s_per_mm = 0.75, high_n_s_per_mm = 0.42, knee_mm_s = 150 }
rebound = { low_n_s_per_mm = 1.25, high_n_s_per_mm = 0.70, knee_mm_s = 150 }

[front.sensor]                   # bench points: volts, mm of fork travel
channel = "fork"
points = [[0.312, 0.0], [1.298, 30.0], [2.284, 60.0], [3.270, 90.0], [4.420, 125.0]]

[rear]
shock_stroke_mm = 70
leverage_table_mm = [
    [0.0, 0.000], [10.0, 19.694], [20.0, 38.776], [30.0, 57.245], [40.0, 75.102],
    [50.0, 92.347], [60.0, 108.980], [70.0, 125.000],
]
tyre_radius_mm = 320
spring_rate_n_per_mm = 70
preload_mm = 12
tyre_rate_n_per_mm = 180
tyre_damping_n_s_per_mm = 0.20
unsprung_mass_kg = 20

[rear.damper]                    # along the shock
friction_n = 15
compression = { low_n_s_per_mm = 3.4, high_n_s_per_mm = 1.8, knee_mm_s = 80 }
rebound = { low_n_s_per_mm = 6.0, high_n_s_per_mm = 3.2, knee_mm_s = 80 }

[rear.sensor]                    # bench points: volts, mm of shock travel
channel = "shock"
points = [[0.405, 0.0], [2.135, 35.0], [3.865, 70.0]]

[chassis]                        # sprung part with rider
sprung_mass_kg = 212
com_to_rear_axle_mm = 700
com_height_mm = 610
pitch_inertia_kg_m2 = 26

[channels]
time = "time"
speed = "speed"
latitude = "latitude"
longitude = "longitude"
throttle = "throttle"
brake = "brake"
lean = "lean"
lap = "lap"
"""


def demo_bike() -> Bike:
    """The motorcycle of the demo data.

    Returns
    -------
    Bike
    """
    return parse_bike(tomllib.loads(DEMO_BIKE_TOML), source="demo bike")
