"""Random outings with known losses of rear damping and with the things that look like it."""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.fft import next_fast_len

from tests.benchmarks.detection.ride import (
    DT_S,
    STEP_M,
    G,
    Machine,
    RearFault,
    hop_mode,
    integrate,
    iso_8608_profile,
    random_circuit,
    random_machine,
    tread_contact,
    with_hop,
)

CONFOUNDERS = (
    "kerb", "imbalance", "hard bump", "rough stretch", "throttle jerk", "tone", "noise", "steps", "front chatter",
)  # fmt: skip
FAULTS = ("scaled", "void", "one way", "both ways")
# Said by physics to look the same; counted apart.
ALIKE = ("rear ridges", "short tone")


@dataclass(frozen=True)
class Episode:
    """A stretch with something in it; for a loss also the truth to compare with."""

    kind: str
    start_s: float
    end_s: float
    lap: int
    scale: float = 1.0
    frequency_hz: float = np.nan
    damping_ratio: float = np.nan
    amplitude_mm: float = np.nan
    fault: str = ""
    over_sound: float = np.nan  # amplitude of the hop over that of a sound twin on the same road


@dataclass(frozen=True)
class Plan:
    """What shall happen in an outing."""

    seed: int
    laps: int = 5
    rate_hz: float = 200.0
    loss_scales: tuple[float, ...] = ()
    loss_seconds: tuple[float, ...] = ()
    losses_per_lap: float = 1.5
    confounders: tuple[str, ...] = ()
    bits: int = 12
    noise_mm: float = 0.03
    fade_to: float = 1.0
    fade_end: str = "rear"
    faults: tuple[str, ...] = ("scaled",)
    hop_hz: float | None = None
    own_road: float | None = None  # share of the rear's road that the front has not met; drawn where None
    compliant: bool = False
    used_sensors: bool = False


@dataclass(frozen=True)
class Outing:
    """What a logger would have written, in mm at the wheel, with the truth beside it."""

    plan: Plan
    machine: Machine
    t_s: np.ndarray
    travel_mm: np.ndarray  # (n, 2) measured, front and rear, at the wheel
    true_travel_mm: np.ndarray
    speed_m_s: np.ndarray
    lap: np.ndarray
    distance_m: np.ndarray
    corner: np.ndarray
    phase: np.ndarray
    leverage: float
    episodes: list[Episode]
    healthy_mode: tuple[float, float] = field(default=(np.nan, np.nan))

    @property
    def losses(self) -> list[Episode]:
        return [e for e in self.episodes if e.kind == "loss"]


def _bell(t, start, end, edge=0.04):
    """Samples around a stretch, and there 1 inside and 0 outside with soft edges."""
    near = slice(*np.searchsorted(t, [start - 10 * edge, end + 10 * edge]))
    return near, 0.5 * (np.tanh((t[near] - start) / edge) - np.tanh((t[near] - end) / edge))


def _roughen(road, begin, edge):
    """Slopes of a stretch of road taken up by 1 + edge; what lies behind it moves up or down as a whole."""
    more = np.cumsum(np.diff(road[begin - 1 : begin + edge.size]) * edge)
    road[begin : begin + edge.size] += more
    road[begin + edge.size :] += more[-1]


def _ride(rng, plan):
    """Speed and distance over time: laps of one circuit, each a little different."""
    circuit = random_circuit(rng)
    t, x, v, lap, k = [], [], [], [], []
    start = 0.0
    for number in range(1, plan.laps + 1):
        grid = np.arange(circuit.length)
        pace = (
            1.0
            + 0.012 * rng.standard_normal()
            + 0.01
            * np.convolve(
                rng.standard_normal(grid.size),
                np.hanning(400) / np.sqrt((np.hanning(400) ** 2).sum()),
                mode="same",
            )
        )
        speed = circuit.speed * pace
        times = start + np.r_[0.0, np.cumsum(1.0 / speed)]
        t.append(times[:-1])
        x.append(grid + (number - 1) * circuit.length)
        v.append(speed)
        lap.append(np.full(grid.size, number))
        k.append(circuit.curvature)
        start = times[-1]
    t, x, v, lap, k = map(np.concatenate, (t, x, v, lap, k))
    clock = np.arange(0.0, t[-1], DT_S)
    return circuit, clock, np.interp(clock, t, x), np.interp(clock, t, v), np.interp(clock, t, k), lap, t


def _fail(fault, kind, near, bell, scale, machine, rng):
    """Let the rear damper fail in one way on some samples; ``bell`` says how far, from 0 to 1."""
    if kind == "scaled":
        fault.scale[near] *= 1.0 - (1.0 - scale) * bell
    elif kind == "void":
        if rng.random() < 0.5:  # gas pressure gone: the void opens at a low force
            fault.limit[near] = np.where(bell > 0.5, rng.uniform(10.0, 80.0), fault.limit[near])
            fault.rebound[near] *= 1.0 - rng.uniform(0.3, 0.9) * bell  # the oil is aerated as well
        else:
            fault.dead[near] = bell * rng.uniform(2e-3, 12e-3)
    else:
        # a valve held open: an orifice is left, whose force at 0.3 m/s is a share of what the valve gave
        sides = (fault.compression, fault.rebound)
        if kind == "one way":
            # of a damper that does its work in one direction, as road-race dampers do in rebound: the one that counts
            sides = (sides[int(machine.rebound_over_compression[1] > 1.0)],)
        for side in sides:
            side[near] *= 1.0 - bell
        fault.orifice[near] = bell * scale * machine.low[1] / 0.3


def _sound(fault):
    """Samples with a sound damper."""
    return (
        (fault.scale > 0.99) & (fault.compression > 0.99) & (fault.rebound > 0.99) & (fault.limit > 1e8)
        & (fault.dead == 0.0)
    )  # fmt: skip


def _used(shaft, rate_hz, rng):
    """A sensor that has been used: play in its joints, a bracket that springs, a bowed track."""
    play = rng.uniform(0.02, 0.12)
    out, at = np.empty_like(shaft), shaft[0]
    for i, x in enumerate(shaft):
        at = min(max(at, x - 0.5 * play), x + 0.5 * play)
        out[i] = at
    hz, ratio = rng.uniform(45.0, 90.0), rng.uniform(0.03, 0.1)
    f = np.fft.rfftfreq(out.size, 1.0 / rate_hz)
    answer = 1.0 / (1.0 - (f / hz) ** 2 + 2j * ratio * f / hz)
    out = np.fft.irfft(np.fft.rfft(out) * answer, out.size)
    return out + rng.uniform(-0.4, 0.4) * np.sin(np.pi * out / 70.0)


def make(plan: Plan) -> Outing:
    """Ride the plan."""
    rng = np.random.default_rng(plan.seed)
    machine = random_machine(rng)
    extra_rng = np.random.default_rng([plan.seed, 1])
    if plan.hop_hz is not None:
        machine = with_hop(machine, plan.hop_hz, extra_rng)
    if "one way" in plan.faults and plan.hop_hz is not None:
        most = extra_rng.uniform(1.5, 5.0)
        machine = replace(machine, rebound_over_compression=(machine.rebound_over_compression[0], most))
    if plan.compliant:
        machine = replace(machine, compliance=extra_rng.uniform(3e5, 8e5))
    circuit, t, x, v, curvature, lap_of, lap_t = _ride(rng, plan)
    n = t.size
    total = circuit.length * plan.laps + 20.0
    lap = lap_of[np.clip(np.searchsorted(lap_t, t, side="right") - 1, 0, lap_of.size - 1)]

    # road: between ISO 8608 class A and B, mostly the same every lap, front and rear nearly on one line
    gd = 16e-6 * float(np.exp(rng.uniform(np.log(0.4), np.log(5.0))))
    common = np.tile(iso_8608_profile(rng, circuit.length, gd), plan.laps + 1)[: int(total / STEP_M)]
    gain = np.exp(0.35 * np.interp(np.arange(common.size) * STEP_M % circuit.length,
                                   np.linspace(0, circuit.length, 40), rng.standard_normal(40)))  # fmt: skip
    line = rng.uniform(0.1, 0.4)
    own = rng.uniform(0.05, 0.25)
    own = own if plan.own_road is None else plan.own_road
    lanes = [iso_8608_profile(rng, total, gd)[: common.size] for _ in range(3)]
    front_road = np.sqrt(1 - line) * common + np.sqrt(line) * lanes[0]
    rear_road = np.sqrt(1 - own) * front_road + np.sqrt(own) * lanes[1]
    slope = np.diff(front_road, prepend=0.0) * gain
    front_road = np.cumsum(slope)
    rear_road = np.cumsum(np.diff(rear_road, prepend=0.0) * gain)
    place = np.arange(common.size) * STEP_M

    episodes: list[Episode] = []
    lap_start = [lap_t[np.searchsorted(lap_of, k)] for k in range(1, plan.laps + 1)]
    scale_f, fault = np.ones(n), RearFault.none(n)
    if plan.fade_to != 1.0:
        (fault.scale if plan.fade_end == "rear" else scale_f)[:] *= np.exp(np.log(plan.fade_to) * t / t[-1])
    force = [np.zeros(n), np.zeros(n)]
    moment_extra = np.zeros(n)
    tone = np.zeros(n)
    noise_gain = np.ones(n)
    steps = np.zeros(n)

    if plan.loss_scales:
        spots = [d for d in circuit.drive if rng.random() < plan.losses_per_lap / len(circuit.drive)] or [
            circuit.drive[0]
        ]
        for number in range(1, plan.laps + 1):
            for first, last in spots:
                begin = np.interp(
                    (number - 1) * circuit.length + first + rng.uniform(0, 0.4) * (last - first), x, t
                )
                seconds = float(rng.choice(plan.loss_seconds))
                if begin + seconds > t[-1] - 1.0:
                    continue
                scale = float(rng.choice(plan.loss_scales))
                near, bell = _bell(t, begin, begin + seconds)
                kind = plan.faults[int(extra_rng.integers(len(plan.faults)))]
                _fail(fault, kind, near, bell, scale, machine, extra_rng)
                episodes.append(Episode("loss", begin, begin + seconds, number, scale, fault=kind))

    def free_time(number, seconds, low=0.0, high=200.0):
        """A moment of this lap away from all else, with the speed in a range."""
        ends = [*lap_start[1:], t[-1] - 3.0]
        for _ in range(60):
            begin = rng.uniform(
                lap_start[number - 1] + 0.5,
                max(ends[number - 1] - seconds - 0.5, lap_start[number - 1] + 0.6),
            )
            speed = np.interp(begin, t, v)
            if low <= speed <= high and all(begin > e.end_s + 1.0 or begin + seconds < e.start_s - 1.0
                                            for e in episodes if e.kind != "imbalance"):  # fmt: skip
                return begin
        return None

    for kind in plan.confounders:
        if kind == "imbalance":
            amount = rng.uniform(0.002, 0.012)  # kg m: 6 to 40 g at the rim
            turned = np.cumsum(v / machine.radius[1] * (1.0 + 0.05 * np.clip(np.gradient(v, DT_S) / 8, -0.5, 1)
                               + 0.06 * np.minimum(np.abs(curvature) * v**2 / G, 1.2))) * DT_S  # fmt: skip
            rate = np.gradient(turned, DT_S)
            force[1] += amount * rate**2 * np.sin(turned + rng.uniform(0, 6))
            runout = rng.uniform(0.0, 0.0003)
            force[1] += machine.tyre_rate[1] * runout * np.sin(turned + rng.uniform(0, 6))
            episodes.append(Episode(kind, 0.0, t[-1], 0))
            continue
        for number in range(1, plan.laps + 1):
            seconds = {"kerb": rng.uniform(0.3, 1.5), "hard bump": 0.3, "rough stretch": rng.uniform(0.8, 3.0),
                       "throttle jerk": 0.3, "tone": rng.uniform(0.8, 3.0), "noise": rng.uniform(0.5, 3.0),
                       "steps": rng.uniform(0.5, 2.0), "front chatter": rng.uniform(0.6, 2.0),
                       "rear ridges": rng.uniform(0.3, 1.0), "short tone": rng.uniform(0.3, 0.6)}[kind]  # fmt: skip
            begin = free_time(number, seconds, 18.0, 80.0)
            if begin is None:
                continue
            end = begin + seconds
            x0, x1 = np.interp([begin, end], t, x)
            speed = (x1 - x0) / seconds
            patch = (place >= x0) & (place <= x1)
            mid = slice(*np.searchsorted(t, [begin, end]))
            if kind in ("kerb", "rear ridges"):
                pitch = speed / (rng.uniform(8, 25) if kind == "kerb" else rng.uniform(12, 18))
                ridge = rng.uniform(0.001, 0.006) * np.maximum(
                    np.sin(2 * np.pi * (place[patch] - x0) / pitch), -0.2
                )
                if kind == "kerb":
                    front_road[patch] += ridge * rng.uniform(0.8, 1.2)
                rear_road[patch] += ridge
            elif kind == "hard bump":
                length, height = rng.uniform(0.4, 1.5), rng.uniform(0.008, 0.022)
                near = slice(*np.searchsorted(place, [x0, x0 + 6]))
                bump = height * np.exp(-(((place[near] - x0 - 2) / (length / 2)) ** 2))
                front_road[near] += bump
                rear_road[near] += bump
            elif kind == "rough stretch":
                first, last = np.searchsorted(place, [x0 - (x1 - x0) / 4, x1 + (x1 - x0) / 4])
                along = (place[max(first, 1) : last] - (x0 + x1) / 2) / ((x1 - x0) / 2)
                edge = np.exp(-(along**8)) * rng.uniform(1.0, 2.5)
                _roughen(front_road, max(first, 1), edge)
                _roughen(rear_road, max(first, 1), edge)
            elif kind == "throttle jerk":
                push = rng.uniform(150, 600) * rng.choice([-1, 1])
                near, bell = _bell(t, begin, begin + rng.uniform(0.04, 0.12), 0.012)
                moment_extra[near] += push * bell
            elif kind in ("tone", "short tone"):
                hz = rng.uniform(10, 20) if kind == "tone" else rng.uniform(12.5, 17.5)
                near, bell = _bell(t, begin, end, 0.03)
                wave = np.sin(2 * np.pi * hz * t[near] + rng.uniform(0, 6))
                tone[near] += rng.uniform(0.2, 0.8) * wave * bell
            elif kind == "noise":
                noise_gain[mid] = rng.uniform(4, 15)
            elif kind == "steps":
                when = np.sort(rng.uniform(begin, end, rng.integers(2, 9)))
                jumps = rng.uniform(0.3, 2.0, when.size) * rng.choice([-1, 1], when.size)
                for at, jump in zip(np.searchsorted(t, when), jumps, strict=True):
                    steps[at:] += jump
            elif kind == "front chatter":
                near, bell = _bell(t, begin, end)
                scale_f[near] *= 1.0 - 0.95 * bell
            episodes.append(Episode(kind, begin, end, number))

    acceleration = np.gradient(v, DT_S)
    moment = -machine.mass * acceleration * machine.com_height * 0.7 + moment_extra
    extra = machine.mass * G * (np.sqrt(1 + (np.minimum(v**2 * np.abs(curvature), 13.0) / G) ** 2) - 1)
    roads = (np.interp(x, place, tread_contact(front_road)),
             np.interp(x - machine.wheelbase, place, tread_contact(rear_road)))  # fmt: skip
    travel, dissipated = integrate(machine, roads, moment, extra, scale_f, fault, force)
    lost_any = any(e.kind == "loss" for e in episodes)
    sound = (
        integrate(machine, roads, moment, extra, scale_f, RearFault.none(n), force)[0] if lost_any else travel
    )

    def true_mode(i):
        """The half-car with the damping that was really at work: power over mean square speed, per end."""
        part = dissipated[i]
        return hop_mode(machine, tuple((part[:, 2 * e] * part[:, 2 * e + 1]).sum() / (part[:, 2 * e + 1] ** 2).sum()
                                       for e in (0, 1)))  # fmt: skip

    def nav_position(values, low_hz, high_hz):
        fast = next_fast_len(n, real=True)
        spectrum = np.fft.rfft(values, fast)
        hz = np.fft.rfftfreq(fast, DT_S)
        spectrum[(hz < low_hz) | (hz > high_hz)] = 0
        return np.fft.irfft(spectrum, fast)[:n]

    band = nav_position(travel[:, 1], 9.0, 24.0)
    undamped_hz = hop_mode(machine, (0.0, 0.0))[0]
    hop, hop_sound = (nav_position(x[:, 1], 0.8 * undamped_hz, 1.25 * undamped_hz) for x in (travel, sound))
    done = []
    for e in episodes:
        i = slice(*np.searchsorted(t, [e.start_s, e.end_s]))
        if e.kind == "loss":
            mode = true_mode(i)
            done.append(
                replace(
                    e,
                    frequency_hz=mode[0],
                    damping_ratio=mode[1],
                    amplitude_mm=float(1000 * band[i].std()),
                    over_sound=float(hop[i].std() / hop_sound[i].std()),
                )
            )
        else:
            done.append(e)
    healthy = np.flatnonzero(_sound(fault)) if plan.fade_to == 1.0 else np.arange(n)

    every = round(1.0 / (plan.rate_hz * DT_S))
    pick = slice(None, None, every)
    true = 1000 * travel[pick] + np.array([55.0, 45.0])
    ratio = float(np.mean(machine.leverage))
    measured = true.copy()
    count = int(n / every) + 1
    gains, strokes = (0.91, ratio), (130.0, 75.0)  # mm of wheel per mm of shaft; range of the sensor
    for end in (0, 1):
        shaft = true[:, end] / gains[end]
        if plan.used_sensors:
            shaft = _used(shaft, plan.rate_hz, extra_rng)
        if end == 1:
            shaft = shaft + (tone[pick] + steps[pick]) / ratio
        shaft = shaft + plan.noise_mm * noise_gain[pick] ** end * rng.standard_normal(true.shape[0])
        lsb = strokes[end] / 2**plan.bits
        measured[:, end] = np.round(shaft / lsb) * lsb * gains[end]
    del count
    x_lap = x % circuit.length
    corner = np.zeros(n, dtype=np.int64)
    for number, (first, last) in enumerate(circuit.drive, start=1):
        corner[(x_lap >= first - 150) & (x_lap < last)] = number
    phase = np.where(acceleration < -2, 0, np.where(acceleration > 1, 3, 4))
    return Outing(
        plan, machine, t[pick], measured, true, v[pick] * (1 + 0.01 * rng.standard_normal()), lap[pick], x_lap[pick],
        corner[pick], phase[pick], ratio, done, true_mode(healthy),
    )  # fmt: skip
