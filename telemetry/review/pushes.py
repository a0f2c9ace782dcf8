"""A log of a motorcycle that was pushed by hand on its wheels."""

from telemetry.balance import BounceTest, bounce_test
from telemetry.bike import Bike
from telemetry.logs import RawLog
from telemetry.notes import QualityNote
from telemetry.review.columns import KEYS, telling_columns
from telemetry.review.steps import motion_of


def pushes_of(log: RawLog, bike: Bike) -> tuple[BounceTest, tuple[QualityNote, ...]]:
    """The bounce test of a log, and notes on the log.

    Raises
    ------
    BothEndsError
        One of its kinds, if its sensors cannot be read.
    """
    # a bike on the stand logs no speed: the columns of riding are not missed
    none = dict.fromkeys((key for key in KEYS if key != "time"), "")
    bike = bike.model_copy(update={"channels": bike.channels.model_copy(update=none)})
    with telling_columns(bike, log):
        run, motion = motion_of(log, bike)
    return bounce_test(motion, bike.name), (*run.notes, *motion.notes)
