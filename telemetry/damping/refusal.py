"""When the rear damper cannot be judged at all: known before anything is computed."""

import numpy as np

from telemetry.motion import Motion

SLOWEST_LOG_HZ = 99.0  # a log called 100 Hz may have a clock a little off


def refusal(motion: Motion) -> str:
    """Why nothing can be said of the rear damper from this log.

    Parameters
    ----------
    motion : Motion

    Returns
    -------
    str
        A sentence with what to do; "" where it can be tried.
    """
    if "rear" not in motion.ends or not np.isfinite(motion.ends["rear"].wheel_travel_mm).any():
        return "There is no rear travel in the log; nothing can be said of the rear damper."
    if motion.sample_rate_hz < SLOWEST_LOG_HZ:
        return (
            f"The log has {motion.sample_rate_hz:.0f} samples a second; an oscillation of 12-20 Hz needs at least "
            "100, better 200 and more."
        )
    return ""
