"""Gauge studies that a person hands in as a table."""

import pytest

from broker_bridge.errors import UsageError
from broker_bridge.queries.quality_gauge import trials_of_table

HEAD = "appraiser,part,trial,value\n"


def test_trials_are_taken_in_their_order() -> None:
    rows = "".join(f"A,1,{trial},{value}\n" for trial, value in (("10", 3), ("b", 0), ("2", 2), ("001", 1)))
    assert trials_of_table(HEAD + rows, "study.csv") == {"A": {"1": [0.0, 1.0, 2.0, 3.0]}}


@pytest.mark.parametrize("trial", ["9" * 5001, "²", "٣", "1e3"])
def test_a_trial_may_be_called_anything(trial: str) -> None:
    """Python reads no number of more than 4,300 digits, and no ² (found by fuzz)."""
    assert trials_of_table(f"{HEAD}A,1,{trial},7\n", "study.csv") == {"A": {"1": [7.0]}}


def test_what_is_no_number_is_refused_by_its_line() -> None:
    with pytest.raises(UsageError, match=r"study\.csv, line 3: value is 'x', no number"):
        trials_of_table(f"{HEAD}A,1,1,7\nA,1,2,x\n", "study.csv")
