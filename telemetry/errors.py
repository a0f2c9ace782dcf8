"""Exceptions: one class for each kind of error.

Every message says what is wrong, where (file, row, key or channel) and what to do about it, in one line.
The command line turns any `BothEndsError` into that line and exit code 1.
"""

from pathlib import Path


class BothEndsError(Exception):
    """Root of all errors that a user's data or files can cause."""


class BikeFileError(BothEndsError):
    """A bike file, setup sheet or leverage table cannot be used.

    ``faults`` are all that is wrong with the ``file``, a sentence each without its name; the message holds them all in
    one line.
    """

    def __init__(self, message: str, *, file: str = "", faults: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.file, self.faults = file, faults


class LogError(BothEndsError):
    """A log cannot be read, or holds nothing usable."""


class ChannelError(BothEndsError):
    """A channel that was asked for is not in the log."""


class CalibrationError(BothEndsError):
    """Sensor points do not make a calibration."""


class StrokeExceededError(BothEndsError):
    """Calibrated travel is more than the damper's stroke allows."""


class PredictionError(BothEndsError):
    """A change cannot be predicted from this log and bike file."""


class LogbookError(BothEndsError):
    """A logbook or a run in it cannot be opened or written."""


def unexpected(error: BaseException) -> str:
    """What to say of an error that is none of these: a fault of this program, and what to report of it.

    Parameters
    ----------
    error : BaseException
        As it was caught.

    Returns
    -------
    str
        The end of a line: kind, place in the program, its own words.
    """
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    where = (
        f" at {Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}" if trace is not None else ""
    )
    words = " ".join(str(error).split())[:200]
    return (
        f"something went wrong inside the program ({type(error).__name__}{where}: {words}). Your files are as "
        "before. Please report this line, with the log if you may give it away."
    )
