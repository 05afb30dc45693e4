"""Texts on their way into a page."""

from datetime import UTC, datetime

from eventful import HOSTILE
from hypothesis import given
from hypothesis import strategies as st
from lxml import html
from told import at

from broker_bridge.web.pages import texts
from broker_bridge.words.telling import safe


@given(st.text(max_size=80), st.text(max_size=80))
def test_no_text_becomes_markup_and_none_is_lost(before: str, behind: str) -> None:
    made = texts.told(f"{before}{texts.token(at('10:00:00'))}{behind}")
    tree = html.fragment_fromstring(str(made), create_parent="p")
    assert {element.tag for element in tree.iter()} <= {"p", "time", "bdi"}
    assert tree.text_content() == f"{safe(before)}2026-03-02 10:00:00 UTC{safe(behind)}"


def test_a_time_is_an_element_that_tells_utc() -> None:
    (time,) = html.fragment_fromstring(str(texts.when(at("10:00:05"))), create_parent="p")
    assert (time.tag, time.get("datetime"), time.get("title")) == (
        "time", "2026-03-02T10:00:05Z", "2026-03-02 10:00:05 UTC",
    )  # fmt: skip
    assert texts.when(None) == "not known"


def test_a_label_that_looks_like_a_time_stays_a_label() -> None:
    assert "<time" not in texts.told("board 2026-03-02 10:00:05 t[2026-03-02T10:00:05Z]")


def test_what_turns_a_line_round_is_kept_within() -> None:
    made = texts.told("a \u05d0\u05d1 b\u202e")
    assert made == "a <bdi>\u05d0\u05d1</bdi> b\\u202e"


def test_a_name_is_kept_apart() -> None:
    tree = html.fragment_fromstring(str(texts.name(HOSTILE)))
    assert (tree.tag, len(tree), tree.text) == ("bdi", 0, safe(HOSTILE))


def test_a_sentence_without_markup_tells_utc() -> None:
    assert (
        texts.plain(f"at {texts.token(datetime(2026, 3, 2, 10, tzinfo=UTC))}") == "at 2026-03-02 10:00:00 UTC"
    )
