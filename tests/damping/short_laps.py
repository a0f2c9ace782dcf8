"""A circuit whose laps take three quarters of a minute."""

from telemetry.simulate import CornerPlan, build_circuit

CIRCUIT = build_circuit(
    "short",
    (
        CornerPlan(150.0, 45.0, 20.0, 330.0),
        CornerPlan(-40.0, 40.0, 20.0, 150.0),
        CornerPlan(130.0, 38.0, 20.0, 150.0),
        CornerPlan(120.0, 45.0, 20.0, 330.0),
    ),
)
