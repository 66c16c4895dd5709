"""Names of arrays, and figures that several files of arithmetic share."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = np.ndarray[Any, Any]  # of whatever kind: a column of a sheet
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
DateArray = NDArray[np.datetime64]

KM_PER_MILE = 1.609344  # international mile, exact
