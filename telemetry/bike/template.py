"""Template of a new bike file: every key with its meaning; required values left open."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from telemetry.tomlfile import TO_FILL_IN

# The end of the file, and of the demo bike at the stand: keys that few need.
OTHER_KEYS = """\
# What else a bike file may hold. In [front] or [rear]:
#   tyre_circumference_mm = 1885           in place of tyre_radius_mm: what one turn rolls
#   speed_split_mm_s = 150                 between low and high damper speed, at the shaft
#   high_speed_compression_clicks = 10     clicks that are only written down, as high_speed_rebound_clicks
#   damper.dyno = [[12, 50, 180], …]       rows of clicks, speed mm/s, force N in place of dyno_file
#   sensor.measures = "wheel"              points are then signal and vertical wheel travel, measured as it sits
#   sensor.table = "bench.csv"             points in a file beside this one: two columns, signal and mm
#   sensor.shape = "curve"                 or "line": insists on it, where the points alone would decide
#   sensor.mm_per_unit = 30.4              with a zero, in place of points: as on the data sheet, mm for one volt
#   sensor.zero = 0.40                     signal logged at full extension, on the bike
#   sensor.zero_interval_s = [2.0, 6.5]    in its place: from when to when of the log the wheels hung free
#   sensor.zero_topped_out = true          or: zero is where the end tops out in the log
#   sensor.supply = "5V"                   column of the voltage that feeds the sensor, and
#   sensor.supply_reference = 4.98         what it read at the bench
#   sensor.frame_mm, sensor.swingarm_mm    mounts of a sensor from frame to swingarm, in the terms of [rear.swingarm];
#                                          its points are then signal and distance between the mounts
#   spring.gas_force_n = 150               steady push of a gas-charged damper
#   spring.air                             with displacing_mm, legs, pressure_bar as well
#   measured.static_sag_mm                 ready to ride, without rider; free_sag_mm and rider_sag_mm as above
# In [rear], in place of [rear.linkage]:
#   leverage_table_mm = [[0, 0], [10, 19.7], …]     shock and vertical wheel travel, smooth, taken as it is
#   leverage_points_mm = [[0, 0.4], [5, 10.1], …]   the same as measured, with its noise: a smooth curve is fitted
# Other kinds of [rear.linkage]:
#   kind = "direct"                with shock_frame_mm and shock_swingarm_mm
#   kind = "rocker_on_swingarm"    with rod_frame_mm in place of rod_swingarm_mm; the rocker turns on the swingarm
#   shock_swingarm_mm              in place of shock_frame_mm, where the far eye of the shock moves with the swingarm
# [rear.eccentric]    moves = "axle_mm" or "pivot_mm", radius_mm, angle_deg (from forward, up positive)
# rear.chain.pitch_mm = 15.875
# channels.beacon = "beacon"
# channels.acceleration = "ax"             along the motorcycle, forward positive
# channels.rate_hz = 200                   for a log without a column of time
# [conditions]    columns of the log that stand beside the difference of two runs: track_temperature,
#                 air_temperature, fuel, front_tyre_pressure, rear_tyre_pressure, front_tyre_temperature,
#                 rear_tyre_temperature, front_oil_temperature, rear_oil_temperature
# [adjusters] entries may have per_click in place of per_turn.
# [measured_at]    what stood on the bike when wheelbase, rake, masses and points were measured, where that is not
#                  what the file says now: front_tyre_radius_mm, rear_tyre_radius_mm, fork_height_mm,
#                  fork_offset_mm, shock_length_mm, axle_back_mm, mount_insert, eccentric_deg
"""

_OPTIONAL = "#: "  # before a key of the template that a review can do without
_INSTEAD = "#| "  # before a key that may stand in place of those before it
_TEMPLATE = """\
# A motorcycle for bothends. Lengths in mm, rates in N/mm, damper rates in N s/mm, masses in kg, angles in degrees.
# Replace every "?" by a value; wheelbase, strokes, rake and leverage may be taken out, and the review says what it
# cannot answer without. A key with # directly before it answers more: take the # away and write the number of this
# motorcycle. The numbers there are those of an invented one, to show the form.
name = "?"
wheelbase_mm = "?"               # axle to axle, both ends extended

[front]
stroke_mm = "?"                  # of the fork along its legs, from stop to stop
rake_deg = "?"                   # steering axis from the vertical, both ends extended
# For sag: both legs together
#: spring_rate_n_per_mm = 19.0
#: preload_mm = 12
#: tyre_radius_mm = 300          # unloaded; also for ride height and trail
# For trail, and for changes at the stand
#: fork_offset_mm = 30           # axle ahead of the steering axis
#: fork_height_mm = 6            # legs above the upper clamp: more lowers the front
#: compression_clicks = 10       # from fully closed
#: rebound_clicks = 12
# For vibration and the damping balance
#: tyre_rate_n_per_mm = 170
#: tyre_damping_n_s_per_mm = 0.15
#: unsprung_mass_kg = 15         # wheel, tyre, brakes and lower legs

[front.sensor]                   # take the whole section out where the log has no such sensor
channel = "?"                    # its column in the log
zero = "?"                       # its signal with the fork fully extended
mm_per_unit = "?"                # travel of one volt or count, from its data sheet; negative where the signal falls
# In place of zero: from when to when of the log the wheels hung free, or the moments at which the end tops out
#| zero_interval_s = [2.0, 6.5]
#| zero_topped_out = true
# In place of zero and mm_per_unit, from the bench: pairs of signal and mm of fork travel
#| points = [[0.312, 0.0], [2.284, 60.0], [4.420, 125.0]]

# What works beside the coil, both legs
#: [front.spring]
#: top_out = { length_mm = 12, rate_n_per_mm = 20 }
#: bump_stop = { length_mm = 40, force_n = 600, power = 2.5 }
# air = { oil_level_mm = 110, bore_mm = 40, exponent = 1.2 }     # in place of such a bump stop
# second_rate_n_per_mm = 21                                     # dual-rate: from so much spring compression on
# second_from_mm = 80

#: [front.damper]                # both legs, along the legs
#: friction_n = 18
#: compression = { low_n_s_per_mm = 0.75, high_n_s_per_mm = 0.42, knee_mm_s = 150 }
#: rebound = { low_n_s_per_mm = 1.25, high_n_s_per_mm = 0.70, knee_mm_s = 150 }

#: [front.measured]              # with a tape, at the wheel
#: rider_sag_mm = 34

[rear]
shock_stroke_mm = "?"            # of the shock, from stop to stop
leverage_table_mm = "?"          # pairs of shock and vertical wheel travel: [[0, 0], [10, 19.7], [20, 38.8], ...]
#| leverage_points_mm = [[0, 0.4], [5, 10.1]]    # the same as measured, in any number: a smooth curve is fitted
# For sag
#: spring_rate_n_per_mm = 70
#: preload_mm = 12
#: tyre_radius_mm = 320
# For changes at the stand
#: shock_length_mm = 332         # eye to eye, extended
#: axle_back_mm = 0              # in the chain adjuster
#: compression_clicks = 12
#: rebound_clicks = 12
# For vibration and the damping balance
#: tyre_rate_n_per_mm = 180
#: tyre_damping_n_s_per_mm = 0.20
#: unsprung_mass_kg = 20

[rear.sensor]                    # as [front.sensor]; mm are those of the shock
channel = "?"
zero = "?"
mm_per_unit = "?"
#| zero_interval_s = [2.0, 6.5]
#| zero_topped_out = true
#| points = [[0.405, 0.0], [3.870, 70.0]]

#: [rear.spring]
#: top_out = { length_mm = 7, rate_n_per_mm = 115 }
#: bump_stop = { length_mm = 12, force_n = 3000, power = 2.0 }

#: [rear.damper]                 # along the shock
#: id = "R1"                     # engraved on it: "bothends damper R1 --logbook DIR" lists what it has been through
#: serviced = 2026-04-20         # the last time
#: friction_n = 15
#: compression = { low_n_s_per_mm = 3.8, high_n_s_per_mm = 2.4, knee_mm_s = 80 }
#: rebound = { low_n_s_per_mm = 6.8, high_n_s_per_mm = 3.9, knee_mm_s = 80 }
# dyno_file = "dyno.csv"         # in place of both: columns clicks, speed_mm_s, force_n

#: [rear.measured]
#: free_sag_mm = 11
#: rider_sag_mm = 31

# Points are [x, z] from an origin of your choice, x forward and z up, on its wheels with both ends extended.
#: [rear.swingarm]
#: pivot_mm = [0, 0]
#: axle_mm = [-566, -122]

#: [rear.chain]
#: front_sprocket_mm = [80, 20]
#: front_teeth = 16
#: rear_teeth = 42

# In place of leverage_table_mm: the linkage, here a rocker on the frame pulled by a rod from the swingarm
# [rear.linkage]
# kind = "rocker_on_frame"
# rod = "pull"
# rocker_pivot_mm = [-60.2, -64.0]
# rod_rocker_mm = [-104.9, -85.2]
# rod_swingarm_mm = [-192.2, 5.0]
# shock_rocker_mm = [-162.7, -72.0]
# shock_frame_mm = [-88.7, 251.7]
# [rear.mount_insert]               # insert at the upper shock mount
# moves = "shock_frame_mm"
# selected = "standard"
# positions = [{ name = "standard", offset_mm = [0, 0] }, { name = "high", offset_mm = [0, -3] }]

#: [chassis]                     # sprung part with rider and fuel: all but wheels, tyres, brakes and lower legs
#: sprung_mass_kg = 212
#: com_to_rear_axle_mm = 700     # centre of mass ahead of the rear axle, both ends extended
#: com_height_mm = 610           # above the ground
#: pitch_inertia_kg_m2 = 26      # for vibration only
#: rider = { mass_kg = 76, com_to_rear_axle_mm = 610, com_height_mm = 800 }    # for free and static sag
#: fuel = { mass_kg = 9, com_to_rear_axle_mm = 690, com_height_mm = 740 }

[channels]                       # columns of the log; each of them answers more questions
time = "time"
#| rate_hz = 200                 # in place of time, for a log without: samples a second
#: speed = "speed"
#: latitude = "latitude"
#: longitude = "longitude"
#: throttle = "throttle"
#: brake = "brake"
#: lean = "lean"
#: acceleration = "ax"           # along the motorcycle, forward positive
#: lap = "lap"                   # a lap counter
#: beacon = "beacon"             # a switch that closes at the line

# What one turn or click moves, and the maker's limits; for values that stand above
# [adjusters]
# "rear.preload_mm" = { per_turn = 1.0, min = 4, max = 22 }
# "rear.rebound_clicks" = { min = 4, max = 20 }

"""


@dataclass(frozen=True)
class Answer:
    """Known value of a key as TOML text, and its reason as a comment; ``value`` "" leaves the key out."""

    value: str
    why: str = ""


LEFT_OUT = Answer("")
LEFT_OPEN = Answer("", "left open")  # the key stays as a comment, for later


def toml_text(text: str) -> str:
    """A string as TOML."""
    return json.dumps(text, ensure_ascii=False)


def new_bike_text(answers: Mapping[str, Answer]) -> str:
    """A bike file (TOML) to fill in, in which ``"?"`` stands for what a review still needs.

    Parameters
    ----------
    answers : mapping of str to Answer
        By dotted key: ``front.stroke_mm``, ``channels.speed``; by section to leave the whole of it out.
    """
    lines: list[str] = []
    section, skipped = "", False
    for line in _TEMPLATE.splitlines():
        if line.startswith("["):
            section = line[1 : line.index("]")] + "."
            skipped = answers.get(section[:-1]) == LEFT_OUT
        if skipped and line:
            continue
        skipped = False
        lines += _answered(line, section, answers)
    return "\n".join(lines) + "\n" + OTHER_KEYS


def _answered(line: str, section: str, answers: Mapping[str, Answer]) -> list[str]:
    """A line of the template as it stands in the new file."""
    shown = line.removeprefix(_OPTIONAL).removeprefix(_INSTEAD)
    key = shown.partition(" =")[0]
    answer = answers.get(section + key)
    if answer == LEFT_OUT:
        return []
    if answer == LEFT_OPEN:
        return [_with_comment(f"# {key} = ", f"{LEFT_OPEN.why}: {_comment(shown)}")]
    if answer is not None:
        return [_with_comment(f"{key} = {answer.value}", answer.why or _comment(shown))]
    if line.startswith(_OPTIONAL):
        return [_with_comment(f"#{shown.partition('#')[0].rstrip()}", _comment(shown))]
    return [f"# {shown}" if line.startswith(_INSTEAD) else line]


def _comment(line: str) -> str:
    return line.partition("#")[2].strip()


def _with_comment(line: str, comment: str) -> str:
    return f"{line:<32} # {comment}" if comment else line


def left_open(text: str) -> tuple[str, ...]:
    """Dotted keys of a bike file that are still to be filled in."""
    open_keys, section = [], ""
    for line in text.splitlines():
        if line.startswith("["):
            section = line[1 : line.index("]")] + "."
        name, equals, value = line.partition(" = ")
        if equals and not line.startswith("#") and value.startswith(f'"{TO_FILL_IN}"'):
            open_keys.append(section + name)
    return tuple(open_keys)
