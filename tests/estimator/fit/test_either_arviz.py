"""ArviZ is loaded without compiling what is not called."""

from __future__ import annotations

import numba
import numpy as np
import pytest

from estimator.fit import either_arviz


def test_a_ufunc_with_named_types_is_compiled_when_it_is_called() -> None:
    """Not as it is made; what it then gives is the same, and numba is left as it was."""
    eager = numba.vectorize
    with either_arviz._ufuncs_compiled_late():

        @numba.vectorize(["float64(float64)"])
        def twice(x: float) -> float:
            return 2 * x

        @numba.vectorize
        def thrice(x: float) -> float:
            return 3 * x

    assert numba.vectorize is eager
    assert twice.types == []
    np.testing.assert_array_equal(twice(np.array([1.0, 2.5])), [2.0, 5.0])
    np.testing.assert_array_equal(thrice(np.array([1.0, 2.5])), [3.0, 7.5])


def test_numba_is_as_it_was_after_a_fault() -> None:
    """A library that fails to load leaves nothing behind."""
    eager = numba.vectorize
    with pytest.raises(ImportError), either_arviz._ufuncs_compiled_late():
        raise ImportError
    assert numba.vectorize is eager
