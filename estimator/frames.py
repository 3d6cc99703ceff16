"""Log and posterior as pandas tables, for whoever goes on with them in a notebook.

    inputs = read_inputs(Path("log.csv"), Path("tank.toml"), datetime.now())
    study = run_study(inputs)
    readings_frame(inputs.log), actions_frame(inputs.log), days_frame(study.posterior)

Nothing in the program itself loads this module.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from estimator.fit.posterior import Posterior
from estimator.inputs.actions import ACTIONS
from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.records import TankLog

QUANTILES = {"q05": 0.05, "q50": 0.5, "q95": 0.95}
"""Ends of the column names of `days_frame`, and the point of the posterior that each is."""

_BY_DAY = (
    "uptake_meq_l_d",
    "calcium_uptake_mmol_l_d",
    "alkalinity_meq_l",
    "calcium_mmol_l",
)
"""What `days_frame` tells of a `Posterior`."""
_READING = ("time", "row", "entry", "sample", "of", "value", "unit", "kit", "note", "flags")
_ACTION = ("time", "row", "entry", "of", "value", "unit", "note", "flags")


def readings_frame(log: TankLog) -> pd.DataFrame:
    """One row for each reading, in the order of time.

    Columns: `time` (datetime, the tank's clock), `row` of the file, `entry` (the parameter),
    `sample` and `of` as in `Reading`, `value` in `unit`, the one in which the keeper read it,
    `kit`, `note`, and `flags`, in words, "" for an ordinary reading.
    """
    rows = (
        (
            *(reading.time, reading.row, reading.parameter, reading.sample, reading.of),
            PARAMETERS[reading.parameter].from_canonical(reading.value, reading.unit),
            *(reading.unit, reading.kit, reading.note, "; ".join(reading.flags)),
        )
        for reading in log.readings
    )
    return _frame(rows, _READING)


def actions_frame(log: TankLog) -> pd.DataFrame:
    """One row for each thing done, in the order of time; a dose that is repeated has one each time.

    Columns as of `readings_frame`, but for `sample` and `kit`; `entry` is a key of `ACTIONS`,
    `value` NaN where there is none, and `unit` the usual one of the entry, into which the keeper's
    value is converted, "" where the entry has none.
    """
    rows = (
        (
            *(action.time, action.row, action.kind, action.of, action.value),
            *(ACTIONS[action.kind].canonical_unit, action.note, "; ".join(action.flags)),
        )
        for action in log.actions
    )
    return _frame(rows, _ACTION)


def days_frame(posterior: Posterior) -> pd.DataFrame:
    """Uptake and levels of each local day, with what is known of them.

    Index: `date`, midnight of each day of the log. Columns: those of `Posterior`, unit included,
    each with the ends of `QUANTILES`, so `uptake_meq_l_d_q05` is the 5 % point of the alkalinity
    uptake and `alkalinity_meq_l_q50` the median of the daily mean level. `calcium_mmol_l` is left
    out where calcium was never tested. The draws are taken as they are: whether they may be relied
    on is told by `posterior.diagnostics` and the study's `withheld_figures`.
    """
    columns: dict[str, np.ndarray] = {}
    for name in _BY_DAY:
        draws: np.ndarray | None = getattr(posterior, name)
        if draws is not None:
            points = np.quantile(draws, list(QUANTILES.values()), axis=0)
            columns |= {f"{name}_{end}": each for end, each in zip(QUANTILES, points, strict=True)}
    return pd.DataFrame(columns, index=pd.DatetimeIndex(posterior.days, name="date"))


def _frame(rows: Iterable[Sequence[object]], columns: Sequence[str]) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=list(columns))
    # Without a row, or without a value, the kind of a column cannot be seen from what it holds.
    return frame.assign(time=pd.to_datetime(frame["time"]), value=frame["value"].astype(float))
