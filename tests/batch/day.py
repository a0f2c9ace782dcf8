"""A season of small logs: one simulated lap at 40 Hz, another part of its samples each."""

from pathlib import Path

FIXTURES = Path(__file__).parents[2] / "fixtures"
BIKE = FIXTURES / "qb-6.toml"


def small_logs(place: Path, n: int, *, step: int = 5) -> list[Path]:
    """Logs of one lap, each from another sample of the demo log on, under a date in 2026."""
    header, *rows = (FIXTURES / "vellmoor-plain.csv").read_text().splitlines()
    place.mkdir(parents=True, exist_ok=True)
    logs = []
    for k in range(n):
        path = place / f"2026-{4 + k // 28:02d}-{1 + k % 28:02d} run.csv"
        path.write_text("\n".join([header, *rows[k::step]]))
        logs.append(path)
    return logs
