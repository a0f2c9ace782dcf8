"""Two courses mirrored about a middle line: front above, rear below, both measured outwards from rest."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.report import svg

WIDTH, HEIGHT = 360.0, 300.0
LEFT, RIGHT, TOP, BOTTOM, GAP = 14.0, 350.0, 24.0, 276.0, 9.0
MIDDLE = 0.5 * (TOP + BOTTOM)


def mirrored_response(x: FloatArray, front: FloatArray, rear: FloatArray, unit: str, title: str) -> str:
    """Front and rear from rest, compression outwards.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Rising, in ``unit``.
    front, rear : ndarray of shape (n,)
        In one unit, 0 at rest, compression positive.
    unit : str
        Of ``x``.
    title : str
        What the picture shows, in a sentence.

    Returns
    -------
    str
        SVG, as wide as a phone; ends that move together draw a symmetrical picture.
    """
    across = svg.Scale(float(x[0]), float(x[-1]), LEFT, RIGHT)
    most = max(float(front.max()), float(rear.max()), 1e-9)
    least = min(float(front.min()), float(rear.min()), -0.1 * most)
    reach = (MIDDLE - GAP - TOP) / (1.05 * most - least)
    body = []
    for name, values, side in (("front", front, -1.0), ("rear", rear, 1.0)):
        rest = MIDDLE + side * (GAP - least * reach)
        y = rest + side * reach * np.asarray(values)
        body += [
            svg.element("path", d=svg.area_path(across.array(x), y, rest), class_=f"{name} area"),
            svg.line(LEFT, rest, RIGHT, rest, class_="zero"),
            svg.element("path", d=svg.trace_path(across.array(x), y), class_=f"{name} trace"),
            svg.text(RIGHT, rest + (-5 if side > 0 else 13), "at rest", class_="quiet", text_anchor="end"),
        ]
    body += [
        svg.text(LEFT, TOP - 8, "front, compressed upwards", class_="front name"),
        svg.text(LEFT, BOTTOM + 14, "rear, compressed downwards", class_="rear name"),
        svg.line(across(0.0), TOP, across(0.0), BOTTOM, class_="grid"),
    ]
    for value in svg.ticks(across.low, across.high, 5):
        body.append(
            svg.text(across(value), MIDDLE + 4, f"{value:g} {unit}", text_anchor="middle", class_="tick")
        )
    return svg.picture(WIDTH, HEIGHT, title, body)
