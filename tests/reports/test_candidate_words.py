"""Words for the tests that could be run next."""

from __future__ import annotations

from estimator.next_tests.candidates import CANDIDATE_KINDS
from reports.words.advice import CANDIDATE_WORDS


def test_every_candidate_has_words_and_no_words_are_left_over() -> None:
    """Each kind by its key; what stops additions, and only that, warns of its risk."""
    assert list(CANDIDATE_WORDS) == [kind.key for kind in CANDIDATE_KINDS]
    for kind in CANDIDATE_KINDS:
        assert bool(CANDIDATE_WORDS[kind.key].risk) == bool(kind.stop_days)


def test_repeats_are_told() -> None:
    """Tests run at once are repeated then; those of a series each time; of a stop, at both ends."""
    told = {key: words.to_do(2) for key, words in CANDIDATE_WORDS.items()}
    assert told["tank_calcium"] == "test tank calcium, twice"
    assert told["daily_week"] == "test tank alkalinity daily for a week, twice each time"
    assert told["stop_day"].endswith("before and after, each test twice")
    assert CANDIDATE_WORDS["volume"].to_do(1) == "measure the water volume"
    assert CANDIDATE_WORDS["reference"].in_figure(3) == "reference solution, 3 times"
