"""How compiled code is compiled: by numba, once on a machine, and kept on disk.

A first run waits for all of it, and a third of that wait would be for what nobody calls: numba
gives each function machine code of its own, with a way in from Python, and compiles it again within
each that calls it. So what only one kernel calls, to have a name, is a `part` of that kernel.
"""

from typing import Any

from numba import njit

_ALIKE: dict[str, Any] = {"cache": True, "error_model": "numpy", "no_cfunc_wrapper": True}
"""A division by nothing gives what IEEE 754 has it give."""

kernel: Any = njit(nogil=True, **_ALIKE)
"""Compiled by itself, for Python and other kernels; threads run side by side."""
part: Any = njit(inline="always", **_ALIKE)
"""Compiled within the kernel that calls it; by itself only where Python calls it, as tests do."""
