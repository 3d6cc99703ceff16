"""ArviZ, version 0.x or 1.x, which differ in what holds the groups of a data set and in names.

The only module that imports it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numba
import xarray as xr


def is_new() -> bool:
    """Whether it is version 1 or later."""
    import arviz as az

    return int(az.__version__.split(".")[0]) >= 1


def arviz_data(groups: dict[str, Any]) -> Any:
    """Groups by name, an xarray Dataset each, as the ArviZ at hand keeps them: an `InferenceData`
    before version 1, from then on xarray's `DataTree`."""
    import arviz as az

    return xr.DataTree.from_dict(groups) if is_new() else az.InferenceData(**groups)


@contextmanager
def _ufuncs_compiled_late() -> Iterator[None]:
    """A ufunc that is made meanwhile is compiled when it is first called.

    Version 0 of ArviZ names the types of one that is not called here: 0.4 s of each process.
    """
    eager = numba.vectorize
    numba.vectorize = lambda what=(), **how: eager(what if callable(what) else (), **how)
    try:
        yield
    finally:
        numba.vectorize = eager


def load_arviz() -> Any:
    """ArviZ, loaded late, since reading a log needs none of it, and before PyMC loads it."""
    with _ufuncs_compiled_late():
        import arviz as az

    if not is_new():
        # Version 0 would compile a variance, which takes longer than it ever saves here.
        az.Numba.disable_numba()
    if sys.flags.optimize > 1:
        # It adds to docstrings, which Python leaves out with -OO.
        for name in ("arviz.stats.stats_utils", "arviz_stats.base.stats_utils"):
            if name in sys.modules:
                setattr(sys.modules[name], "update_docstring", lambda *_: None)  # noqa: B010
    return az
