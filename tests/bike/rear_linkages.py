"""Five invented rear suspensions of about 70 mm of shock to 125 mm at the wheel, one of each kind, and statics."""

import numpy as np

from telemetry.bike.sections import DirectShock, RockerOnFrame, RockerOnSwingarm, Swingarm

SWINGARM = Swingarm(pivot_mm=(0.0, 0.0), axle_mm=(-566.0, -122.0))
STROKE_MM = 70.0


def _rocker(kind, rod_key, points, rod):
    rocker, near, far, shock, frame = points
    made = {
        "rocker_pivot_mm": rocker,
        "rod_rocker_mm": near,
        rod_key: far,
        "shock_rocker_mm": shock,
        "shock_frame_mm": frame,
    }
    model = RockerOnFrame if kind == "rocker_on_frame" else RockerOnSwingarm
    return model(kind=kind, rod=rod, **made)


LINKAGES = {
    "direct": DirectShock(kind="direct", shock_frame_mm=(-120.0, 330.0), shock_swingarm_mm=(-330.0, 20.0)),
    "frame, pull": _rocker(
        "rocker_on_frame",
        "rod_swingarm_mm",
        [(-60.2, -64.0), (-104.9, -85.2), (-192.2, 5.0), (-162.7, -72.0), (-88.7, 251.7)],
        "pull",
    ),
    "frame, push": _rocker(
        "rocker_on_frame",
        "rod_swingarm_mm",
        [(-73.5, 118.1), (-128.9, 91.8), (-238.8, -108.9), (-169.0, 223.2), (143.9, 106.8)],
        "push",
    ),
    "swingarm, pull": _rocker(
        "rocker_on_swingarm",
        "rod_frame_mm",
        [(-216.8, -60.5), (-214.5, -101.8), (-79.2, -85.6), (-126.0, -52.4), (-91.2, 248.7)],
        "pull",
    ),
    "swingarm, push": _rocker(
        "rocker_on_swingarm",
        "rod_frame_mm",
        [(-203.1, 70.2), (-197.7, 111.0), (-53.2, 175.7), (-209.0, 24.1), (-64.0, 298.1)],
        "push",
    ),
}


def cross(a, b):
    return a[0] * b[1] - a[1] * b[0]


def rotated(point, turn):
    """A point of the swingarm after a turn that lifts the wheel."""
    x, z = point
    return np.array([x * np.cos(turn) + z * np.sin(turn), -x * np.sin(turn) + z * np.cos(turn)])


def placed(linkage, turn):
    """Every point after a turn of the swingarm; the rocker by solving its two lengths with a general solver."""
    from scipy.optimize import root

    at = {key: np.array(value) for key, value in linkage.model_dump().items() if isinstance(value, tuple)}
    moved = {key: rotated(value, turn) if "swingarm" in key else value for key, value in at.items()}
    if linkage.kind == "direct":
        return moved
    if linkage.kind == "rocker_on_swingarm":
        moved["rocker_pivot_mm"] = rotated(at["rocker_pivot_mm"], turn)
    far = "rod_swingarm_mm" if linkage.kind == "rocker_on_frame" else "rod_frame_mm"
    arm0, rod = at["rod_rocker_mm"] - at["rocker_pivot_mm"], np.hypot(*(at["rod_rocker_mm"] - at[far]))

    # small steps from where it was measured keep the branch
    angle = 0.0
    for share in np.linspace(0.0, 1.0, 12)[1:]:
        part = {
            key: rotated(value, share * turn) if "swingarm" in key else value for key, value in at.items()
        }
        if linkage.kind == "rocker_on_swingarm":
            part["rocker_pivot_mm"] = rotated(at["rocker_pivot_mm"], share * turn)

        def misfit(angle, part=part):
            end = part["rocker_pivot_mm"] + rotated(arm0, angle[0])
            return [np.hypot(*(end - part[far])) - rod]

        angle = root(misfit, [angle], tol=1e-13).x[0]
    for key in ("rod_rocker_mm", "shock_rocker_mm"):
        moved[key] = moved["rocker_pivot_mm"] + rotated(at[key] - at["rocker_pivot_mm"], angle)
    return moved


def wheel_force_n(linkage, turn, shock_force_n):
    """Vertical force that the wheel must carry, from the equilibrium of rocker and swingarm as free bodies."""
    at = placed(linkage, turn)
    axle = rotated(SWINGARM.axle_mm, turn)
    if linkage.kind == "direct":
        u = at["shock_swingarm_mm"] - at["shock_frame_mm"]
        moment = cross(at["shock_swingarm_mm"], shock_force_n * u / np.hypot(*u))
        return -moment / axle[0]
    far = "rod_swingarm_mm" if linkage.kind == "rocker_on_frame" else "rod_frame_mm"
    c, e, d, q = (at[key] for key in ("rocker_pivot_mm", "rod_rocker_mm", far, "shock_rocker_mm"))
    u = q - at["shock_frame_mm"]
    shock = shock_force_n * u / np.hypot(*u)  # on the rocker
    along = (e - d) / np.hypot(*(e - d))
    push = -cross(q - c, shock) / cross(e - c, along)  # moments of the rocker about its pivot
    rod = push * along  # on the rocker
    if linkage.kind == "rocker_on_frame":
        return -cross(d, -rod) / axle[0]  # what the rod does to the swingarm
    return -cross(c, shock + rod) / axle[0]  # what the rocker's pivot does to the swingarm
