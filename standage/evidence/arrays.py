"""Names for arrays, apart from `standage.compiled`: that loads the compiler, which `check` and
`ages` must not wait for.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
