"""Types shared by every room: arrays, and the name of an end of the motorcycle."""

from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BeforeValidator

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.integer[Any]]

End = Literal["front", "rear"]
ENDS: tuple[End, End] = ("front", "rear")
OTHER_END: dict[End, End] = {"front": "rear", "rear": "front"}

# A number that may be unknown: NaN in memory, null in JSON.
Number = Annotated[float, BeforeValidator(lambda value: float("nan") if value is None else value)]
