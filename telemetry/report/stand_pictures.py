"""The stand drawn: the motorcycle from its right side before and after, leverage and force over the wheel travel."""

from collections.abc import Callable, Sequence

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike import Bike, Standing, chassis_point, leverage_curve, load_of, spring_of, stand, stroke_mm
from telemetry.bike.geometry import sag_lacks, steering_axis, tyre_radii_mm
from telemetry.report import svg

WIDTH = 720.0
_SIDES = ("before", "after")


def side_view(before: Bike, after: Bike) -> str:
    """Both attitudes with rider on one ground line: wheels, fork, swingarm, steering axis to the ground, mass.

    Parameters
    ----------
    before, after : Bike
        With what sag needs, and fork offset.

    Returns
    -------
    str
        SVG; before dashed grey, after in the colours of the ends.
    """
    height, ground = 330.0, 292.0
    length = max(before.wheelbase_mm, after.wheelbase_mm)
    front_mm, rear_mm = tyre_radii_mm(before)
    pixels = 600.0 / (length + rear_mm + front_mm)
    left = 60.0 + rear_mm * pixels

    def place(point: tuple[float, float]) -> tuple[float, float]:
        return left + point[0] * pixels, ground - point[1] * pixels

    body = [svg.line(24, ground, WIDTH - 24, ground, class_="axis")]
    for name, bike in zip(_SIDES, (before, after), strict=True):
        body += _motorcycle(bike, name, place, pixels)
    body.append(svg.text(28, 16, "dashed grey: before, solid: after", class_="quiet"))
    return svg.picture(WIDTH, height, "The motorcycle from its right side with rider, before and after", body)


def _motorcycle(
    bike: Bike, name: str, place: Callable[[tuple[float, float]], tuple[float, float]], pixels: float
) -> list[str]:
    found = _with_rider(bike)
    now = found.attitude
    front_mm, rear_mm = tyre_radii_mm(bike)
    rear, front = now.on_ground(now.rear_axle_mm), now.on_ground(now.front_axle_mm)
    axis = steering_axis(bike)
    up = (float(axis @ now.forward), float(axis @ now.up))
    behind = bike.front.fork_offset_mm or 0.0
    # A place on the steering axis level with the axle, then down to the ground and up to the clamps.
    head = (front[0] - behind * up[1], front[1] + behind * up[0])
    foot = (head[0] - up[0] / up[1] * head[1], 0.0)
    top = (head[0] + 560.0 * up[0], head[1] + 560.0 * up[1])
    clamp = (front[0] + 560.0 * up[0], front[1] + 560.0 * up[1])

    def drawn(a: tuple[float, float], b: tuple[float, float], class_: str) -> str:
        return svg.line(*place(a), *place(b), class_=f"{class_} {name}")

    parts = []
    for centre, radius, end in (
        (rear, rear_mm, "rear"),
        (front, front_mm, "front"),
    ):
        x, y = place(centre)
        parts.append(svg.element("circle", cx=x, cy=y, r=radius * pixels, class_=f"wheel {end} {name}"))
    parts += [drawn(front, clamp, "bone front"), drawn(top, foot, "thin")]
    if now.pivot_mm is not None:
        pivot = now.on_ground(now.pivot_mm)
        parts += [
            drawn(rear, pivot, "bone rear"),
            svg.element("circle", cx=place(pivot)[0], cy=place(pivot)[1], r=3.2, class_=f"dot rear {name}"),
        ]
    centre = now.on_ground(chassis_point(bike, found.load.com_to_rear_axle_mm, found.load.com_height_mm))
    x, y = place(centre)
    parts.append(svg.element("circle", cx=x, cy=y, r=5, class_=f"mass {name}"))
    if name == "after":
        parts.append(svg.text(x + 9, y + 4, "sprung mass with rider", class_="quiet"))
        a, b = place(foot), place((front[0], 0.0))
        parts.append(svg.line(a[0], a[1] + 8, b[0], b[1] + 8, class_="front mark"))
        if now.trail_mm is not None:
            parts.append(
                svg.text(
                    (a[0] + b[0]) / 2,
                    a[1] + 22,
                    f"trail {now.trail_mm:.1f} mm",
                    class_="front tick",
                    text_anchor="middle",
                )
            )
        parts.append(
            svg.text(
                place(top)[0] - 8,
                place(top)[1] + 4,
                f"rake {now.rake_deg:.2f} deg",
                class_="front tick",
                text_anchor="end",
            )
        )
    return parts


def _with_rider(bike: Bike) -> Standing:
    load = load_of(bike, "rider")
    assert load is not None
    return stand(bike, load)


def leverage_picture(before: Bike, after: Bike) -> str:
    """Leverage ratio of the rear over wheel travel, before and after, with rider sag marked where it is known."""
    return _curves(
        before,
        after,
        lambda bike, shaft: leverage_curve(bike, "rear").ratio(shaft),
        "leverage ratio, rear",
        "Leverage ratio of the rear over wheel travel, before and after",
    )


def force_picture(before: Bike, after: Bike) -> str:
    """Spring force at the rear wheel over wheel travel, before and after, with rider sag marked."""

    def force(bike: Bike, shaft: FloatArray) -> FloatArray:
        spring = spring_of(bike, "rear")
        return np.array([spring.force_n(float(s)) for s in shaft]) / leverage_curve(bike, "rear").ratio(shaft)

    return _curves(
        before,
        after,
        force,
        "spring force at the rear wheel [N]",
        "Spring force at the rear wheel, before and after",
    )


def _curves(
    before: Bike, after: Bike, values: Callable[[Bike, FloatArray], FloatArray], name: str, title: str
) -> str:
    height, top, bottom, left, right = 230.0, 28.0, 186.0, 52.0, 700.0
    drawn: list[tuple[str, FloatArray, FloatArray, float | None]] = []
    for side, bike in zip(_SIDES, (before, after), strict=True):
        shaft = np.linspace(0.0, stroke_mm(bike, "rear"), 141)
        drawn.append(
            (
                side,
                leverage_curve(bike, "rear").wheel_travel_mm(shaft),
                values(bike, shaft),
                None if sag_lacks(bike) else _with_rider(bike).sag["rear"].shaft_mm,
            )
        )
    low, high = _span([y for _, _, y, _ in drawn])
    x = svg.Scale(0.0, max(float(w[-1]) for _, w, _, _ in drawn), left, right)
    y = svg.Scale(low, high, bottom, top)
    body = []
    for value in svg.ticks(low, high, 5):
        body += [
            svg.line(left, y(value), right, y(value), class_="grid"),
            svg.text(left - 5, y(value) + 3.5, f"{value:g}", text_anchor="end", class_="tick"),
        ]
    body.append(svg.line(left, bottom, right, bottom, class_="axis"))
    for value in svg.ticks(x.low, x.high, 8):
        body.append(svg.text(x(value), bottom + 15, f"{value:g}", text_anchor="middle", class_="tick"))
    body.append(
        svg.text(right, bottom + 30, "wheel travel, vertical [mm]", text_anchor="end", class_="quiet")
    )
    body.append(
        svg.text(
            left,
            16,
            f"{name}; dashed grey: before, solid: after"
            + (", ring: rider sag" if any(sag is not None for *_, sag in drawn) else ""),
            class_="quiet",
        )
    )
    for side, wheel, curve, sag in drawn:
        body.append(
            svg.element("path", d=svg.trace_path(x.array(wheel), y.array(curve)), class_=f"curve rear {side}")
        )
        if sag is None:
            continue
        bike = before if side == "before" else after
        at = float(leverage_curve(bike, "rear").wheel_travel_mm(np.array([sag]))[0])
        body.append(
            svg.element(
                "circle", cx=x(at), cy=y(float(np.interp(at, wheel, curve))), r=4.5, class_=f"dot rear {side}"
            )
        )
    return svg.picture(WIDTH, height, title, body)


def _span(curves: Sequence[FloatArray]) -> tuple[float, float]:
    low, high = min(float(c.min()) for c in curves), max(float(c.max()) for c in curves)
    edge = 0.06 * (high - low) or 1.0
    return low - edge, high + edge
