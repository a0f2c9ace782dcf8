"""Is the damping back, by hand: one end in two bounce tests."""

import json

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from telemetry.balance.bounce import bounce_test
from telemetry.cli import main
from telemetry.setup import bounce_comparison_to_json, compare_bounce
from telemetry.setup.damper import damping_ratio_of_return, return_speed
from tests.balance.pushed_log import pushed_log
from tests.balance.test_bounce import motion_of, two_ends
from tests.randomised.pushes import HandPush

FRONT = (2.1, 0.3)


@pytest.mark.parametrize("zeta", [0.1, 0.35, 0.7, 1.0, 1.6])
def test_the_fastest_return_is_that_of_the_free_decay(zeta):
    # against scipy.integrate on x'' + 2 z x' + x = 0 from rest at 1
    t = np.linspace(0.0, 12.0, 6001)
    course = solve_ivp(
        lambda _, y: (y[1], -2 * zeta * y[1] - y[0]), (0.0, 12.0), (1.0, 0.0), t_eval=t, rtol=1e-8
    )
    assert return_speed(np.array(zeta)) == pytest.approx(-course.y[1].min(), rel=1e-4)
    assert damping_ratio_of_return(return_speed(np.array(zeta))) == pytest.approx(zeta, rel=2e-3)


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [(0.15, 0.4, "better"), (0.4, 0.15, "worse"), (0.35, 0.35, "same"), (0.35, 0.42, "cannot tell")],
)
def test_better_worse_same_or_not_told_of_a_known_oscillator(before, after, verdict):
    a, b = (bounce_test(two_ends(FRONT, (2.6, zeta)), "QB-6") for zeta in (before, after))
    found = compare_bounce(a, b, "rear")
    row = found.rows[0]
    assert found.verdict == verdict
    assert (row.before, row.after) == pytest.approx((before, after), rel=0.08)
    low, high = row.ci95
    assert low < after / before < high
    assert compare_bounce(a, b, "front").verdict == "same"  # whose damper was left alone
    assert "qualified technician" in found.caution


def test_ends_that_never_swing_past_and_tests_without_pushes_are_not_told():
    stiff = bounce_test(two_ends(FRONT, (2.6, 0.9)), "QB-6")
    found = compare_bounce(stiff, stiff, "rear")
    assert found.verdict == "cannot tell" and "in neither test did it swing past" in found.sentences[0]
    assert found.rows[1].before == pytest.approx(found.rows[1].after)
    still = bounce_test(motion_of(np.full(2000, 30.0), np.full(2000, 28.0)), "QB-6")
    said = compare_bounce(still, stiff, "rear")
    assert said.verdict == "cannot tell" and "before: 0 usable pushes" in said.sentences[0]
    assert json.loads(bounce_comparison_to_json(said))["rows"][0]["ratio"] is None


def test_the_command_compares_two_logs_of_the_simulated_bike(tmp_path, capsys):
    # fork rebound at 20 and at 3 clicks from closed: far more damping after
    logs = []
    for clicks in (20, 3):
        (folder := tmp_path / str(clicks)).mkdir()
        log, bike = pushed_log(folder, clicks, [HandPush(3 + 3.0 * i, 650 + 20 * i) for i in range(5)])
        logs.append(str(log))
    out = tmp_path / "damper.json"
    main(["damper", *logs, "--bounce", "--bike", str(bike), "--end", "front", "--json", str(out)])
    data = json.loads(out.read_text())
    assert data["schema"] == "bothends.damper-bounce/1" and data["verdict"] == "better"
    printed = " ".join(capsys.readouterr().out.split())
    assert "Pushed by hand the front returns more damped than before" in printed and "CAUTION" in printed


def test_bounce_needs_two_logs(capsys):
    assert main(["damper", "QB-R1", "--bounce", "--logbook", "lb"]) == 2
    assert "two logs of a bike pushed by hand" in capsys.readouterr().err
