"""Words and printed numbers."""

from __future__ import annotations

import pytest

from reports.wording import (
    chance_sides,
    fixed,
    listed,
    nearest_five,
    plain,
    sentence,
    step_decimals,
    user_text,
)


@pytest.mark.parametrize(
    ("chance", "word", "positive"),
    [
        (0.97, "very likely", True),
        (0.90, "very likely", True),
        (0.89, "likely", True),
        (0.67, "likely", True),
        (0.66, "about even", True),
        (0.34, "about even", True),
        (0.30, "likely", False),
        (0.05, "very likely", False),
    ],
)
def test_one_scale_states_the_likelier_side(chance, word, positive):
    """The words keep to one scale, and never say "unlikely"."""
    assert chance_sides(chance) == (word, positive)


def test_plain_takes_out_marks_that_turn_or_hide_text():
    """A name can neither reverse the text after it nor ring the bell."""
    assert plain("a\u202eb\x1b[31mc\u2066d\n") == "a b [31mc d"


def test_user_text_is_escaped():
    """Names meet the page as text."""
    assert user_text("<b>&") == "<bdi>&lt;b&gt;&amp;</bdi>"


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (-0.001, 2, "0.00"),
        (-1.25, 1, "−1.2"),
        (2230.0, 0, "2230"),
        (0.5, 1, "0.5"),
        (10**30, 0, "1" + "0" * 30),
    ],
)
def test_fixed_prints_true_minus_and_no_negative_zero(value, decimals, text):
    """Printed numbers are plain and never "-0.00"."""
    assert fixed(value, decimals) == text


@pytest.mark.parametrize(("step", "decimals"), [(10, 0), (1, 0), (0.5, 1), (0.25, 2), (1 / 3, 3)])
def test_flows_are_printed_at_the_pumps_step(step, decimals):
    """A pump that steps by 0.5 mL/h needs one decimal, one that steps by 10 none."""
    assert step_decimals(step) == decimals


def test_lists_and_sentences():
    """Lists read as English."""
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert sentence("no stop") == "No stop."
    assert sentence("Stop.") == "Stop."


@pytest.mark.parametrize(
    ("chance", "bound", "shown"),
    [
        *((0.0, "under ", 5.0), (0.024, "under ", 5.0), (0.03, "", 5.0), (0.62, "", 60.0)),
        *((0.73, "", 75.0), (0.97, "", 95.0), (0.98, "over ", 95.0), (1.0, "over ", 95.0)),
    ],
)
def test_chances_go_to_the_nearest_five_in_a_hundred(chance, bound, shown):
    """Never none or all."""
    assert nearest_five(chance) == (bound, shown)
