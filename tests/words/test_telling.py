"""Phrases that every screen shares."""

import pytest

from broker_bridge.words.telling import counted, still_open


@pytest.mark.parametrize(("number", "said"), [(0, "none open"), (1, "1 still open"), (12, "12 still open")])
def test_what_is_left_is_a_phrase(number: int, said: str) -> None:
    assert still_open(number) == said


def test_a_noun_follows_its_number() -> None:
    assert [counted(number, "board") for number in (0, 1, 2)] == ["0 boards", "1 board", "2 boards"]
