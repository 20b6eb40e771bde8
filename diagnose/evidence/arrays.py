"""Names for arrays of one kind of number, so that signatures stay short."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Whole = NDArray[np.int64]
Bools = NDArray[np.bool_]
Octets = NDArray[np.uint8]
Words = NDArray[np.uint16]
Keys = NDArray[np.uint64]
