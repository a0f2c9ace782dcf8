"""The bounce test: known oscillators, a worked example, pushes that cannot be used, the command and its page."""

import json

import numpy as np
import pytest

from telemetry.balance.bounce import bounce_test, bounce_to_json, fit_free_modes
from telemetry.bike import half_vehicle, modes
from telemetry.bike.springs import SpringEnd
from telemetry.cli import main
from telemetry.findings import bounce_advice
from telemetry.findings.rules import RULES
from telemetry.motion import EndMotion, Motion
from telemetry.report.stand import bounce_html
from tests.balance.pushed_log import pushed_log
from tests.randomised.pushes import HandPush

RATE_HZ = 200.0


def end_motion(end, travel_mm):
    speed = np.gradient(travel_mm) * RATE_HZ
    return EndMotion(
        end, 125.0, 125.0, travel_mm, speed, travel_mm, speed, np.ones(len(travel_mm), bool), 1.0, 1.0, 60.0, 100.0
    )  # fmt: skip


def motion_of(front_mm, rear_mm):
    ends = {"front": end_motion("front", front_mm), "rear": end_motion("rear", rear_mm)}
    t = np.arange(len(front_mm)) / RATE_HZ
    return Motion("pushed by hand", t, RATE_HZ, ends, np.zeros(len(t)), 1400.0)


def pressed(times_s, courses, length_s):
    """Rest at 30 mm; pressed down evenly over 0.25 s, then the course from the deepest point on."""
    travel = np.full(int(length_s * RATE_HZ), 30.0)
    for at, course in zip(times_s, courses, strict=True):
        first = int(at * RATE_HZ)
        rise = 0.5 * (1 - np.cos(np.pi * np.linspace(0, 1, 50, endpoint=False)))
        travel[first : first + 50] += course[0] * rise
        travel[first + 50 : first + 50 + len(course)] += course
    return travel


def single(depth_mm, fn_hz, zeta, length_s=2.4):
    """Free decay from rest at a depth (any vibration text)."""
    t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    w, wd = 2 * np.pi * fn_hz, 2 * np.pi * fn_hz * np.sqrt(1 - zeta**2)
    return depth_mm * np.exp(-zeta * w * t) * (np.cos(wd * t) + zeta / np.sqrt(1 - zeta**2) * np.sin(wd * t))


TIMES_S = (2.0, 5.0, 8.0, 11.0)
DEPTHS_MM = (22.0, 25.0, 28.0, 24.0)


def two_ends(front, rear):
    return motion_of(
        pressed(TIMES_S, [single(d, *front) for d in DEPTHS_MM], 15.0),
        pressed(TIMES_S, [single(d, *rear) for d in DEPTHS_MM], 15.0),
    )


def test_a_quarter_in_half_a_cycle_is_the_textbook_damper():
    # S. S. Rao, Mechanical Vibrations, 5th ed., example 2.11 (motorcycle shock absorber): m = 200 kg, damped period
    # 2 s, amplitude down to one fourth in half a cycle: delta = ln 16 = 2.7726, zeta = 0.4037, wn = 3.4338 rad/s
    wn, zeta = 3.4338, 0.4037
    course = single(40.0, wn / (2 * np.pi), zeta, length_s=5.0)
    times = (3.0, 10.0, 17.0)
    travel = pressed(times, [course] * 3, 24.0)
    found = bounce_test(motion_of(travel, travel), "QB-6")
    for end in ("front", "rear"):
        assert found.ends[end].overshoot_share == pytest.approx(0.25, rel=0.01)
        assert found.ends[end].damping_ratio == pytest.approx(0.4037, rel=0.01)


@pytest.mark.parametrize(("front", "rear"), [((2.0, 0.35), (2.6, 0.3)), ((1.9, 0.5), (2.4, 0.25))])
def test_damping_ratios_of_both_ends_come_back(front, rear):
    found = bounce_test(two_ends(front, rear), "QB-6")
    assert found.ends["front"].damping_ratio == pytest.approx(front[1], rel=0.05)
    assert found.ends["rear"].damping_ratio == pytest.approx(rear[1], rel=0.05)


def motorcycle_modes(cf, cr):
    """Half vehicle: m 220 kg, J 26 kg m2, arms 0.70 m, wheels 15 and 20 kg, springs 20 and 24 kN/m, tyres 170, 180."""
    return half_vehicle(
        220.0, 26.0, 0.70, 0.70, SpringEnd(15.0, 20e3, 170e3, cf), SpringEnd(20.0, 24e3, 180e3, cr)
    )


@pytest.mark.parametrize(("cf", "cr"), [(300.0, 400.0), (500.0, 300.0), (600.0, 700.0)])
def test_two_modes_of_a_half_vehicle_come_back_within_5_percent(cf, cr):
    from scipy.signal import StateSpace, lsim

    matrices = motorcycle_modes(cf, cr)
    inverse = np.linalg.inv(matrices.mass)
    state = np.block(
        [[np.zeros((4, 4)), np.eye(4)], [-inverse @ matrices.stiffness, -inverse @ matrices.damping]]
    )
    # travel of an end: wheel less mount; heave up, pitch nose down
    travel = np.array([[-1, 0.7, 1, 0, 0, 0, 0, 0], [-1, -0.7, 0, 1, 0, 0, 0, 0]], dtype=float)
    system = StateSpace(state, np.zeros((8, 1)), travel, np.zeros((2, 1)))
    t = np.arange(0, 1.8, 1 / RATE_HZ)
    decays = []
    for heave, pitch in ((-0.025, 0.004), (-0.02, -0.01), (-0.015, 0.02)):
        _, out, _ = lsim(system, np.zeros(len(t)), t, X0=np.array([heave, pitch, 0, 0, 0, 0, 0, 0]))
        noise = np.random.default_rng(1).normal(0, 0.02, out.T.shape)
        decays.append(1e3 * out.T[:, 20:] + noise[:, 20:])
    found = fit_free_modes(decays, RATE_HZ)
    true = modes(matrices)[:2]
    assert len(found) == 2
    for mode, exact in zip(found, true, strict=True):
        assert mode.frequency_hz == pytest.approx(exact.fn_hz, rel=0.05)
        assert mode.damping_ratio == pytest.approx(exact.damping_ratio, rel=0.05)


def test_ends_that_move_alike_are_together_and_unlike_ends_are_named():
    # slower by more damping at the same frequency: x(t) of an oscillator released at a depth
    alike = bounce_test(two_ends((2.2, 0.35), (2.2, 0.35)), "QB-6")
    assert (alike.down.verdict, alike.up.verdict) == ("together", "together")
    slower = bounce_test(two_ends((2.2, 0.3), (2.2, 0.75)), "QB-6")
    assert slower.up.verdict == "rear slower"
    assert slower.up.rear_later_ms > 0
    (rule,) = [rule for rule in RULES if rule.key == "comes up slower by hand"]
    advice = bounce_advice(slower)
    assert (
        "Then one step: less rebound damping at the rear: one click; or more rebound damping at the front: one click."
        in advice
    )
    assert rule.first.format(end="rear") in advice
    assert bounce_advice(alike) == ""
    faster = bounce_test(two_ends((2.2, 0.75), (2.2, 0.3)), "QB-6")
    assert faster.up.verdict == "rear faster"


def test_bad_pushes_are_named_and_left_out():
    fine = [single(d, 2.2, 0.35) for d in DEPTHS_MM]
    times = (*TIMES_S, 14.0, 17.0)
    held = 24.0 - 14.0 * (1 - np.exp(-np.arange(480) / 60.0))  # stays 10 mm down: someone is still on it
    front = pressed(times, [*fine, single(30.0, 2.2, 0.35), held], 21.0)
    rear = pressed(times, [*fine, single(4.0, 2.2, 0.35), held], 21.0)
    found = bounce_test(motion_of(front, rear), "QB-6")
    assert [bool(push.bad) for push in found.pushes] == [False] * 4 + [True] * 2
    assert found.pushes[4].bad == "only the front was pushed"
    assert "still on the bike" in found.pushes[5].bad
    assert found.up.verdict == "together"


def test_too_few_pushes_or_no_rest_is_said_not_guessed():
    few = motion_of(*(pressed(TIMES_S[:2], [single(25.0, 2.2, 0.35)] * 2, 8.0) for _ in range(2)))
    found = bounce_test(few, "QB-6")
    assert "2 usable pushes, 3 needed" in found.reason
    assert found.up.verdict == "cannot tell"
    shaken = 30 + 20 * np.sin(2 * np.pi * 2 * np.arange(2000) / RATE_HZ + 0.3)
    assert bounce_test(motion_of(shaken, shaken), "QB-6").up.verdict == "cannot tell"


@pytest.mark.parametrize(("clicks", "verdict"), [(3, "rear faster"), (20, "rear slower")])
def test_the_simulated_bike_shows_where_its_fork_rebound_stands(tmp_path, clicks, verdict, capsys):
    log, bike = pushed_log(
        tmp_path, clicks, [HandPush(3 + 3.0 * i, 650 + 30 * i, -0.04 + 0.02 * i) for i in range(6)]
    )
    assert main(["bounce", str(log), "--bike", str(bike), "--json", str(tmp_path / "b.json"),
                 "--html", str(tmp_path / "b.html")]) in (0, None)  # fmt: skip
    data = json.loads((tmp_path / "b.json").read_text())
    assert data["schema"] == "bothends.bounce/1"
    assert data["up"]["verdict"] == verdict
    assert len(data["picture"]["front"]) == len(data["picture"]["t_s"]) < 200
    page = (tmp_path / "b.html").read_text()
    assert "<script" not in page and "http" not in page.replace("http://www.w3.org/2000/svg", "")
    out = capsys.readouterr().out
    assert "CAUTION" in out
    assert f"rebound damping at the {'front' if verdict == 'rear faster' else 'rear'}: one click" in " ".join(
        out.split()
    )
    assert "Rule out first: friction" in page


def test_json_and_page_of_a_test_that_cannot_be_told():
    found = bounce_test(motion_of(np.full(2000, 30.0), np.full(2000, 28.0)), "QB-6")
    assert json.loads(bounce_to_json(found))["picture"] is None
    assert "Cannot tell" in bounce_html(found)
