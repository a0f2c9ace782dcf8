"""When the rear damper cannot be judged at all: known before anything is computed of the log.

A slow log has nothing above half its rate, where a sound damper, unlike a lost one, still answers the road: what
is missing is taken for lost damping. How much is computed from the wheel's equation and the detector's band.
"""

import numpy as np

from telemetry.damping.band import BAND_WEIGHT, FREQUENCY_HZ
from telemetry.damping.equation import ORDERS, OWN
from telemetry.damping.hop import REFERENCE_HZ, WheelHop, band_gain, coefficients, tyre_hz_of
from telemetry.damping.pole import fit_pole
from telemetry.motion import Motion

# A sound damper at the lower end (0.3 of the usual 0.3-0.5, common practice) on a hop in the middle of the band.
SOUND_HZ, SOUND_DAMPING = 16.0, 0.56
# A reading may be off by this share by the log's rate alone; a choice of ours.
MOST_OFF = 0.1


def refusal(motion: Motion) -> str:
    """Why nothing can be said of the rear damper from this log.

    Returns
    -------
    str
        A sentence with what to do; "" where it can be tried.
    """
    if "rear" not in motion.ends or not np.isfinite(motion.ends["rear"].wheel_travel_mm).any():
        return "The rear was not judged, so nothing can be said of its damper."
    rate = motion.sample_rate_hz
    sound, read = ratio_read(np.inf), ratio_read(rate)
    if abs(read / sound - 1.0) > MOST_OFF:
        return (
            f"The log has {rate:.0f} samples a second and nothing above {rate / 2:.0f} Hz: by that alone a sound "
            f"damper would read {100 * abs(read / sound - 1):.0f} % off (a ratio of {read:.2f} for {sound:.2f}), so a "
            "weak one cannot be told from a slow log. Log at 100 or more, better 200."
        )
    return ""


def ratio_read(sample_rate_hz: float) -> float:
    """Damping ratio of the hop that a sound damper shows in a log of this rate, on a road of ISO 8608.

    Parameters
    ----------
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    float
        0 where the log has nothing of the band.
    """
    hop = WheelHop()
    there = 0.5 * sample_rate_hz > FREQUENCY_HZ
    if not there.any():
        return 0.0
    row = coefficients(hop, np.array(tyre_hz_of(hop, SOUND_HZ)), np.array(SOUND_DAMPING))
    # the road is white in speed; what the wheel makes of it, in the orders of its equation
    orders = (1j * FREQUENCY_HZ / REFERENCE_HZ) ** np.array(ORDERS[OWN])[:, None]
    power = there * BAND_WEIGHT / band_gain(row, FREQUENCY_HZ)
    return fit_pole(np.real((orders * power) @ orders.conj().T), hop).damping_ratio
