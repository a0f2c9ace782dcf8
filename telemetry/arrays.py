"""Types shared by every room: arrays, and the name of an end of the motorcycle."""

from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

End = Literal["front", "rear"]
ENDS: tuple[End, End] = ("front", "rear")
