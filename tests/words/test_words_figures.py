"""Numbers as people write them: no powers of ten, shares in percent, units that are on an instrument."""

import pytest

from broker_bridge.trace.units import unit_words
from broker_bridge.words.figures import detail_words, short_words, value_words


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (13283.7, "13280"), (4545.45, "4545"), (0.00390712, "0.003907"), (0.0000123456, "0.00001235"), (1.0, "1"),
        (-123456.0, "-123500"), (0.0, "0"), (float("inf"), "inf"), (1e300, "1e+300"), (17, "17"), ("R1", "R1"),
    ],
)  # fmt: skip
def test_a_number_has_four_digits_that_matter_and_no_power_of_ten(value: object, said: str) -> None:
    assert short_words(value) == said


def test_shares_are_percents_in_further_columns_too() -> None:
    assert detail_words("coverage", 1.0) == "100.00%"
    assert detail_words("cumulative", 0.5) == "50.00%"
    assert detail_words("share of those told", 0.125) == "12.50%"
    assert detail_words("waits, s a board", 0.5) == "0.5"
    assert detail_words("no result", 1) == "1"
    assert detail_words("coverage", None) == ""


def test_units_are_told_as_people_write_them() -> None:
    """UCUM: degree Celsius is Cel, micrometre um; the record keeps the code."""
    assert value_words(245.5, "Cel") == "245.5 °C"
    assert unit_words("um") == "µm"
    assert unit_words("per million") == "per million"
