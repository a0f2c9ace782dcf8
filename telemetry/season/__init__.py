"""A season: the numbers of many runs as records, as one Parquet dataset, and one number over dates, bikes, circuits."""

from telemetry.season.dataset import COLUMNS, REGISTRY, Dataset
from telemetry.season.records import (
    GROUPS,
    GroupBy,
    LapRecord,
    RunRecord,
    SeasonGroup,
    SeasonPoint,
    date_in,
    failed,
    record_of,
    season_groups,
    season_points,
)

__all__ = [
    "COLUMNS", "Dataset", "GROUPS", "GroupBy", "LapRecord", "REGISTRY", "RunRecord", "SeasonGroup",
    "SeasonPoint", "date_in", "failed", "record_of", "season_groups", "season_points",
]  # fmt: skip
