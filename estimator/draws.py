"""The posterior as a data set, for statisticians: named dimensions, readings, log likelihood.

    posterior        every draw (chain, draw), by `day`, by `bottle` of a kit and by `kit`
    log_likelihood   (chain, draw, reading), see `Evidence.log_density`
    observed_data    (reading,) as the fit takes it, with time, parameter, sample, kit and row

Canonical units, which names carry: meq/L, mmol/L, L, days. What each draw means says
`estimator.fit.posterior.Posterior`. The log likelihood is given the levels of the draw, drawn with
its parameters: where one reading holds its own level up, leaving it out by importance sampling is
unreliable, as high Pareto k show.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import xarray as xr

from estimator.fit import either_arviz
from estimator.fit.posterior import Posterior
from estimator.inputs.text import printable
from estimator.study import Study

SCALARS = (
    *("volume_l", "light_share", "calcium_share", "level_response_l_meq", "load_share"),
    *("ph_response", "drift", "effluent_drift", "media_magnesium_share"),
    *("uptake_now_meq_l_d", "alkalinity_now_meq_l", "calcium_now_mmol_l"),
    *("effluent_meq_l", "saturated_effluent_meq_l", "needed_flow_l_d", "nitrate_loss_meq_l_d"),
)
"""What a draw holds once."""
BY_DAY = (
    *("uptake_meq_l_d", "calcium_uptake_mmol_l_d", "alkalinity_meq_l", "calcium_mmol_l"),
    *("strength", "unlogged_calcium_mmol_l_d"),
)
"""What a draw holds for every day."""
DRAW = ("chain", "draw")


def groups_of(study: Study) -> dict[str, xr.Dataset]:
    """The groups by name; those of the readings only where the fit has looked at them.

    A path by day has single precision, seven digits: it is the most of the file.
    """
    found = {"posterior": _posterior(study)}
    post = study.posterior
    if post.evidence is None:
        return found
    dims = (*DRAW, "reading")
    readings = [check.reading for check in post.checks]
    density = _by_chain(post, post.evidence.log_density)
    found["log_likelihood"] = _dataset(post, {"value": (dims, density)})
    coords = {
        "time": np.array([one.time for one in readings], dtype="datetime64[ns]"),
        "parameter": _texts(one.parameter for one in readings),
        "sample": _texts(one.of or one.sample for one in readings),
        "kit": _texts(one.kit for one in readings),
        "row": np.array([one.row for one in readings]),
    }
    found["observed_data"] = xr.Dataset(
        {"value": ("reading", post.evidence.value)},
        coords={name: ("reading", held) for name, held in coords.items()},
    )
    return found


def netcdf_of(study: Study) -> xr.DataTree:
    """The groups as a tree that `to_netcdf` writes, the same bytes for the same draws.

    Both styles of ArviZ read it, with their own `from_netcdf`.
    """
    return xr.DataTree.from_dict(groups_of(study))


def arviz_data(study: Study) -> Any:
    """The groups as the ArviZ at hand keeps them."""
    return either_arviz.arviz_data(groups_of(study))


def _posterior(study: Study) -> xr.Dataset:
    post = study.posterior
    held: dict[str, Any] = {
        name: (DRAW, _by_chain(post, draws)) for name, draws in _held(post, SCALARS)
    }
    held["jump"] = (DRAW, _by_chain(post, post.jump))
    for name, draws in _held(post, BY_DAY):
        held[name] = ((*DRAW, "day"), _by_chain(post, draws).astype(np.float32))
    days = np.array(post.days, dtype="datetime64[ns]")
    coords: dict[str, Any] = {"day": days}
    for name, dim, by_name in (
        ("calibration", "bottle", _by_bottle(post)),
        ("repeatability", "kit", post.kit_repeatability),
    ):
        if by_name:
            draws = np.stack(list(by_name.values()), axis=-1)
            held[name] = ((*DRAW, dim), _by_chain(post, draws))
            coords[dim] = _texts(by_name)
    attributes = {
        "log_sha256": study.log.sha256,
        "tank_sha256": study.tank_sha256,
        "seed": study.seed,
        "divergences": post.diagnostics.divergences,
        "checks_passed": int(not post.diagnostics.failures),
    }
    return _dataset(post, held, coords).assign_attrs(attributes)


def _held(post: Posterior, names: tuple[str, ...]) -> Iterator[tuple[str, np.ndarray]]:
    """Those that this log has; what is the same in all draws is given to each."""
    for name in names:
        draws = getattr(post, name)
        if draws is not None:
            yield name, np.asarray(draws, dtype=float)


def _by_bottle(post: Posterior) -> Mapping[str, np.ndarray]:
    return {
        f"{name}, bottle {bottle + 1}": draws
        for (name, bottle), draws in post.kit_calibration.items()
    }


def _by_chain(post: Posterior, draws: np.ndarray) -> np.ndarray:
    """(s, …) as (chain, draw, …)."""
    return draws.reshape(post.chains, -1, *draws.shape[1:])


def _dataset(
    post: Posterior, held: Mapping[str, Any], coords: Mapping[str, Any] | None = None
) -> xr.Dataset:
    draws = len(post.volume_l) // post.chains
    numbered = {"chain": np.arange(post.chains), "draw": np.arange(draws)}
    return xr.Dataset(held, coords={**numbered, **(coords or {})})


def _texts(texts: Any) -> np.ndarray:
    """Names as the file can hold them."""
    return np.array([printable(text) for text in texts], dtype=object)
