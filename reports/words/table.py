"""Looks the words of a remark up."""

from __future__ import annotations

from estimator.inputs.tank import Tank
from estimator.remark import Remark
from reports.words import advice, fit, plan, reactor
from reports.words.values import Words

TABLES = (fit.WORDS, advice.WORDS, reactor.WORDS, plan.WORDS)
"""Every table of words; a code stands in one of them only."""


def words(remark: Remark, tank: Tank) -> str:
    """The sentence, or part of one, that a remark stands for.

    Args:
        remark: code and values.
        tank: for the keeper's units and names.

    Raises:
        KeyError: no table has the code.
    """
    found: Words = {code: text for table in TABLES for code, text in table.items()}[remark.code]
    if isinstance(found, str):
        return found.format(**remark.values)
    return found(remark.values, tank)
