"""Looks the words of a remark up."""

from __future__ import annotations

from datetime import date
from typing import Any

from estimator.inputs.tank import Tank
from estimator.remark import Remark
from reports.wording import date_words
from reports.words import advice, alarms, fit, plan, reactor, unused
from reports.words.values import Words, unticked

TABLES = (fit.WORDS, advice.WORDS, alarms.WORDS, reactor.WORDS, plan.WORDS, unused.WORDS)
"""Every table of words; a code stands in one of them only."""
BY_CODE: dict[str, Words] = {code: text for table in TABLES for code, text in table.items()}


def words(remark: Remark, tank: Tank) -> str:
    """The sentence, or part of one, that a remark stands for.

    Args:
        remark: code and values; dates among its values, and remarks one after the other, are put
            into words.
        tank: for the keeper's units and names.

    Raises:
        KeyError: no table has the code.
    """
    found = BY_CODE[remark.code]
    values = {name: _worded(value, tank) for name, value in remark.values.items()}
    return found.format(**values) if isinstance(found, str) else found(values, tank)


def _worded(value: Any, tank: Tank) -> Any:
    if isinstance(value, tuple) and value and isinstance(value[0], Remark):
        return "; ".join(words(one, tank) for one in value)
    return date_words(value) if isinstance(value, date) else unticked(value)
