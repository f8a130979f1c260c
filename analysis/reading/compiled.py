"""How the motions of a hung piece and their fits are compiled (Numba).

Comes in: nothing. Goes out: decorators, and how many rows are stepped side by side. Must not:
hold a computation.

Notes
-----
Each step needs the one before, so there is nothing to vectorise along time. Rows of unknowns
go side by side instead, :data:`LANES` at a time, in one array with a lane's values so far apart:
the compiler then takes several lanes in one instruction, as long as a loop over lanes has no
branch and is written where it runs (a function called per lane and given the array is not).

What is compiled is kept beside the source; ``compile_apart.py`` has it made, and made anew when a
source changed. The tests keep theirs apart by what the sources hold (``tests/conftest.py``).
"""

from __future__ import annotations

from typing import Any, Final

import numba

LANES: Final = 16
"""So many rows are stepped side by side."""
_FAST: Final = {"contract", "nsz", "arcp"}
_INNER: Final[dict[str, Any]] = {
    "cache": True, "error_model": "numpy", "no_cpython_wrapper": True, "no_cfunc_wrapper": True,
}  # fmt: skip

entry: Final = numba.njit(cache=True, error_model="numpy")
"""For what Python calls."""
inner: Final = numba.njit(**_INNER, fastmath=_FAST)
"""For what compiled code calls: sums and quotients may be fused; a nan or an inf stays one."""
summing: Final = numba.njit(**_INNER, fastmath=_FAST | {"reassoc"})
"""Likewise, and sums may be taken in another order."""
