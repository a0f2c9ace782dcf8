"""A quick in-plane motorcycle at wheel level, for the detection benchmark only.

Second opinion beside `telemetry.simulate`: written apart, other state variables, other integrator, and a
truth that it measures instead of assumes. Everything is drawn at random from a seed.
Axes: heave up, pitch nose down; travel positive in compression. SI inside, mm at the outputs.
"""

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from scipy.fft import next_fast_len

DT_S = 0.0005
G = 9.81


@dataclass(frozen=True)
class Machine:
    """What the kernel needs to know of a motorcycle; all at the wheel unless it says shaft."""

    mass: float
    inertia: float
    wheelbase: float
    to_front: float
    to_rear: float
    com_height: float
    unsprung: tuple[float, float]
    tyre_rate: tuple[float, float]
    tyre_damping: tuple[float, float]
    spring_rate: tuple[float, float]
    low: tuple[float, float]  # damper at low wheel speed, mean of both directions [N s/m]
    high_share: tuple[float, float]  # slope far above the knee, share of low
    knee: tuple[float, float]  # [m/s at the wheel]
    rebound_over_compression: tuple[float, float]
    friction: tuple[float, float]
    leverage: tuple[float, float]  # rear, at full extension and at full travel
    travel: tuple[float, float]
    radius: tuple[float, float]
    # rate of oil, hose and mounts in series with the rear damper [N/m at the wheel]
    compliance: float = np.inf


@dataclass(frozen=True)
class RearFault:
    """What fails in the rear damper, sample by sample; each array of shape (n,).

    A force scaled down; a valve that stays open, in either direction (``compression`` and ``rebound`` are what is
    left of the valve, beside it an ``orifice`` whose force goes with the square of speed); a ``limit`` of the
    compression force beyond which a void opens behind the piston, which carries nothing until it has closed again;
    and a ``dead`` travel of oil that is missing. [N s2/m2, N, m]
    """

    scale: np.ndarray
    compression: np.ndarray
    rebound: np.ndarray
    orifice: np.ndarray
    limit: np.ndarray
    dead: np.ndarray

    @classmethod
    def none(cls, n: int) -> "RearFault":
        """A sound damper."""
        one, zero = np.ones(n), np.zeros(n)
        return cls(one, one.copy(), one.copy(), zero, np.full(n, 1e9), zero.copy())


def with_hop(machine: Machine, hop_hz: float, rng: np.random.Generator) -> Machine:
    """The same with its undamped rear hop at ``hop_hz``, by unsprung mass and tyre, and the damping ratio it had."""
    before = hop_mode(machine, (0.0, 0.0))[0]
    faster = hop_hz / before
    share = rng.uniform(0.3, 0.7)  # of the change that the mass makes
    mass = machine.unsprung[1] * faster ** (-2 * share)
    tyre = machine.tyre_rate[1] * faster ** (2 * (1 - share))
    damper = machine.low[1] * mass / machine.unsprung[1] * faster
    return replace(
        machine,
        unsprung=(machine.unsprung[0], mass),
        tyre_rate=(machine.tyre_rate[0], tyre),
        low=(machine.low[0], damper),
    )


def random_machine(rng: np.random.Generator) -> Machine:
    """A road-racing machine with rider; ranges are common practice, no source."""
    u = rng.uniform
    wheelbase = u(1.37, 1.47)
    to_rear = wheelbase * u(0.47, 0.54)
    rear_unsprung, rear_tyre, rear_spring = u(17, 23), u(150e3, 210e3), u(18e3, 26e3)
    front_unsprung, front_tyre, front_spring = u(13, 17), u(150e3, 200e3), u(17e3, 23e3)
    critical_rear = 2 * np.sqrt((rear_tyre + rear_spring) * rear_unsprung)
    critical_front = 2 * np.sqrt((front_tyre + front_spring) * front_unsprung)
    leverage = u(1.85, 2.1)
    return Machine(
        mass=u(180, 240), inertia=u(20, 32), wheelbase=wheelbase, to_front=wheelbase - to_rear, to_rear=to_rear,
        com_height=u(0.58, 0.68), unsprung=(front_unsprung, rear_unsprung), tyre_rate=(front_tyre, rear_tyre),
        tyre_damping=(u(150, 300), u(150, 300)), spring_rate=(front_spring, rear_spring),
        low=(u(0.25, 0.45) * critical_front, u(0.28, 0.46) * critical_rear), high_share=(u(0.4, 0.65), u(0.4, 0.65)),
        knee=(u(0.12, 0.3), u(0.15, 0.35)), rebound_over_compression=(u(1.0, 1.7), u(1.0, 1.7)),
        friction=(u(8, 30), u(4, 20)), leverage=(leverage, leverage - u(0.15, 0.4)), travel=(0.116, 0.125),
        radius=(u(0.295, 0.305), u(0.31, 0.325)),
    )  # fmt: skip


@njit(cache=True, fastmath=True)
def _integrate(road_f, road_r, moment, extra_load, scale_f, fault, force_f, force_r, p):  # pragma: no cover
    n = road_f.size
    out = np.empty((n, 2))
    lost = np.empty((n, 4))  # per end: force of damper and friction, travel speed
    (m, J, lf, lr, muf, mur, ktf, ktr, ctf, ctr, kf, kr, cf, cr, hf, hr, nf, nr, rcf, rcr, frf, frr, kd) = p
    scale_r, open_c, open_r, orifice, limit, dead = fault
    held = crossed = void = sd = 0.0
    static_f = (m * lr / (lf + lr) + muf) * 9.81
    static_r = (m * lf / (lf + lr) + mur) * 9.81
    z = th = zf = zr = vz = vth = vf = vr = 0.0
    dt = DT_S
    for i in range(n):
        xf = -(z - lf * th) + zf  # travel from static, compression positive
        xr = -(z + lr * th) + zr
        sf = -(vz - lf * vth) + vf
        sr = -(vz + lr * vth) + vr
        # leverage falls with travel: force per wheel speed goes with its inverse square
        rise = 1.0 + 2.4 * xr
        ccf = cf * (2.0 / (1.0 + rcf)) * (1.0 if sf > 0 else rcf)
        ccr = cr * (2.0 / (1.0 + rcr)) * (1.0 if sr > 0 else rcr)
        df = scale_f[i] * ccf * (hf * sf + (1 - hf) * nf * np.tanh(sf / nf)) + frf * np.tanh(sf / 0.003)
        # force over speed of the piston; with something in series of its speed a step ago
        ref = sr if kd > 1e8 else sd
        size = max(abs(ref), 1e-6)
        valve = scale_r[i] * ccr * rise * (hr * size + (1 - hr) * nr * np.tanh(size / nr)) / size
        if kd <= 1e8:
            valve *= (1.0 if ref > 0 else rcr) / (1.0 if sr > 0 else rcr)
        valve = (valve * open_c[i] if ref > 0 else valve * open_r[i]) + orifice[i] * size
        if ref > 0 and valve * size > limit[i]:
            carried = limit[i] / size
            void += dt * size * (1.0 - carried / valve)
            valve = carried
        if ref < 0 and void > 0.0:
            void += dt * ref
            valve = 0.0
        if limit[i] > 1e8:
            void = 0.0
        if dead[i] > 0.0:
            crossed = min(max(crossed + dt * ref, 0.0), dead[i])
            if 0.0 < crossed < dead[i]:
                valve = 0.0
        if kd > 1e8:
            held = valve * sr
        else:
            held = (held + kd * dt * sr) / (1.0 + kd * dt / max(valve, 1e-3))
            sd = held / max(valve, 1e-3)
        dr = held + frr * np.tanh(sr / 0.003)
        Ff = kf * xf + df
        Fr = kr * xr * (1.0 + 0.8 * xr) + dr
        if xf > 0.075:
            Ff += 3e5 * (xf - 0.075)
        if xr > 0.085:
            Fr += 3e5 * (xr - 0.085)
        if xf < -0.042:
            Ff += 2e5 * (xf + 0.042)
        if xr < -0.035:
            Fr += 2e5 * (xr + 0.035)
        rf, rr = road_f[i], road_r[i]
        rvf = (road_f[i] - road_f[i - 1]) / dt if i else 0.0
        rvr = (road_r[i] - road_r[i - 1]) / dt if i else 0.0
        Tf = ktf * (rf - zf) + ctf * (rvf - vf)
        Tr = ktr * (rr - zr) + ctr * (rvr - vr)
        if Tf < -static_f - extra_load[i] * 0.5:
            Tf = -static_f - extra_load[i] * 0.5
        if Tr < -static_r - extra_load[i] * 0.5:
            Tr = -static_r - extra_load[i] * 0.5
        vz += dt * (Ff + Fr - extra_load[i]) / m
        vth += dt * (-lf * Ff + lr * Fr + moment[i]) / J
        vf += dt * (Tf - Ff + force_f[i]) / muf
        vr += dt * (Tr - Fr + force_r[i]) / mur
        z += dt * vz
        th += dt * vth
        zf += dt * vf
        zr += dt * vr
        out[i, 0], out[i, 1] = xf, xr
        lost[i, 0], lost[i, 1], lost[i, 2], lost[i, 3] = df, sf, dr, sr
    return out, lost


def integrate(machine: Machine, road, moment, extra_load, scale_f, fault: RearFault, force):
    """Travel of both ends from static [m] of shape (n, 2), and dissipating force and speed per end."""
    a = machine
    p = (
        a.mass, a.inertia, a.to_front, a.to_rear, *a.unsprung, *a.tyre_rate, *a.tyre_damping, *a.spring_rate,
        *a.low, *a.high_share, *a.knee, *a.rebound_over_compression, *a.friction, min(a.compliance, 1e12),
    )  # fmt: skip
    parts = (fault.scale, fault.compression, fault.rebound, fault.orifice, fault.limit, fault.dead)
    return _integrate(*road, moment, extra_load, scale_f, parts, *force, p)


def hop_mode(machine: Machine, damping: tuple[float, float]) -> tuple[float, float]:
    """Rear wheel hop of the linear half-car with these wheel dampings [N s/m]: (frequency [Hz], ratio)."""
    a = machine
    mass = np.diag([a.mass, a.inertia, *a.unsprung])
    arms = np.array([[-1.0, a.to_front, 1.0, 0.0], [-1.0, -a.to_rear, 0.0, 1.0]])
    tyres = np.diag([0.0, 0.0, *a.tyre_rate])
    stiff = arms.T @ np.diag(a.spring_rate) @ arms + tyres
    damp = arms.T @ np.diag(damping) @ arms + np.diag([0.0, 0.0, *a.tyre_damping])
    state = np.block(
        [[np.zeros((4, 4)), np.eye(4)], [-np.linalg.solve(mass, stiff), -np.linalg.solve(mass, damp)]]
    )
    values, vectors = np.linalg.eig(state)
    share = np.abs(vectors[3]) / np.sqrt((np.abs(vectors[:4]) ** 2).sum(axis=0))
    swinging = values.imag > 1.0
    best = np.argmax(np.where(swinging & (np.abs(values) > 2 * np.pi * 7), share, -1))
    root = values[best]
    return float(abs(root) / (2 * np.pi)), float(-root.real / abs(root))


# ---------------------------------------------------------------------------------------------- circuit and road
@dataclass(frozen=True)
class Circuit:
    """One lap on a 1 m grid."""

    speed: np.ndarray
    curvature: np.ndarray
    drive: list[tuple[float, float]]  # stretch under power behind each corner [m]
    length: float


def random_circuit(rng: np.random.Generator) -> Circuit:
    n_corners = int(rng.integers(7, 12))
    pieces = []
    position, drive = 0.0, []
    for _ in range(n_corners):
        straight, arc = rng.uniform(120, 550), rng.uniform(60, 170)
        slowest = rng.uniform(17, 45)
        pieces.append((position + straight, position + straight + arc, slowest, rng.choice([-1, 1])))
        drive.append((position + straight + 0.6 * arc, position + straight + arc + 130))
        position += straight + arc
    n = int(position)
    x = np.arange(n, dtype=float)
    limit = np.full(n, 84.0)
    curvature = np.zeros(n)
    for start, end, slowest, side in pieces:
        inside = (x >= start) & (x < end)
        limit[inside] = slowest
        curvature[inside] = side * 11.0 / slowest**2
    width = 31
    curvature = np.convolve(curvature, np.hanning(width) / np.hanning(width).sum(), mode="same")
    v = np.tile(limit, 2)
    for i in range(1, v.size):
        pull = min(8.0, 260.0 / max(v[i - 1], 5.0)) - 0.0009 * v[i - 1] ** 2
        v[i] = min(v[i], np.sqrt(v[i - 1] ** 2 + 2 * max(pull, 0.2)))
    for i in range(v.size - 2, -1, -1):
        v[i] = min(v[i], np.sqrt(v[i + 1] ** 2 + 2 * 9.0))
    v = v[n // 2 : n // 2 + n]
    speed = np.roll(v, n // 2)
    smooth = np.hanning(15) / np.hanning(15).sum()
    speed = np.convolve(np.r_[speed[-7:], speed, speed[:7]], smooth, mode="valid")
    return Circuit(speed, curvature, [d for d in drive if d[1] < n], float(n))


STEP_M = 0.05


def iso_8608_profile(rng: np.random.Generator, length_m: float, gd_n0: float) -> np.ndarray:
    """Profile of a straight stretch with Gd(n) = Gd(n0) (n/0.1)^-2 (ISO 8608:2016), on STEP_M [m]."""
    n = next_fast_len(int(length_m / STEP_M), real=True)
    k = np.fft.rfftfreq(n, STEP_M)
    k[0] = np.inf
    spectrum = np.where(k >= 0.01, gd_n0 * (k / 0.1) ** -2.0, 0.0)
    noise = np.fft.rfft(rng.standard_normal(n))
    return np.fft.irfft(noise * np.sqrt(spectrum / (2 * STEP_M)), n)[: int(length_m / STEP_M)]


def tread_contact(profile: np.ndarray, length_m: float = 0.1) -> np.ndarray:
    """The tyre's contact length smooths what the wheel feels."""
    width = max(int(length_m / STEP_M), 1)
    return np.convolve(profile, np.full(width, 1.0 / width), mode="same")
