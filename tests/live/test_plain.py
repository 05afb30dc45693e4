"""Texts of machines in a terminal: they move nothing and overflow nothing."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from broker_bridge.live.plain import clean, cut, fit, squeeze, wrap

HOSTILE = st.text(
    st.one_of(
        st.characters(exclude_categories=["Cs"]),
        st.sampled_from("\x1b\x9b\r\n\x07\u202e\u2066\u200d\u0301\u0e33ש温🙂\U0001f1e9\u2028\ufeff"),
    ),
    max_size=60,
)


@given(HOSTILE)
def test_nothing_is_left_that_a_terminal_would_obey(text: str) -> None:
    """ECMA-48 controls (Cc), and the format characters (Cf) that reorder text by Unicode UAX #9."""
    shown = clean(text)
    assert not [c for c in shown if unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp", "Cs", "Co", "Cn")]


@given(HOSTILE, st.integers(1, 80))
def test_widths(text: str, cells: int) -> None:
    shown = clean(text)
    assert cell_len(cut(shown, cells)) <= cells
    assert cell_len(squeeze(shown, cells)) <= cells
    assert cell_len(fit(shown, cells)) == cells
    if cell_len(shown) <= cells:
        assert cut(shown, cells) == squeeze(shown, cells) == shown


@given(HOSTILE, st.integers(10, 80), st.integers(1, 4))
def test_wrapped_lines_fit(text: str, width: int, most: int) -> None:
    lines = wrap(clean(text), width, "    ", most, first="! ")
    assert len(lines) <= most
    assert all(cell_len(line) <= width for line in lines)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain text", "plain text"),
        ("\x1b[31mred", "␛[31mred"),
        ("[)>\x1e06\x1dP123", "[)>␞06␝P123"),
        ("two\nlines\x7f", "two␊lines␡"),
        ("ab\u202ecd", "ab\ufffdcd"),
        ("e\u0301", "e\u0301"),
        ("e" + "\u0301" * 50, "e\u0301\u0301"),
        ("\u0301x", "x"),
        ("no\u00a0break", "no break"),
        ("שלום 温度", "שלום 温度"),
    ],
)
def test_clean(text: str, shown: str) -> None:
    assert clean(text) == shown


def test_a_squeezed_serial_keeps_both_ends() -> None:
    assert squeeze("HW-2026-0000000000-000123", 13) == "HW-202…000123"
    assert squeeze("温度温度温度温度", 7) == "温度…度"
    assert squeeze("abc", 3) == "abc"


def test_wrapping_breaks_between_words_and_says_when_there_is_more() -> None:
    assert wrap("one two three four", 10, "  ", 3, first="! ") == ["! one two", "  three", "  four"]
    assert wrap("one two three four", 10, "  ", 2, first="! ") == ["! one two", "  three f…"]
    assert wrap("", 10, "  ", 2) == []
