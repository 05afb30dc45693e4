"""Results as JSON: both ways to it give one text, and what is absent is left out."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.trace.plain import encoded, plain
from broker_bridge.trace.value import Value


class Inner(Value):
    from_: datetime
    words: tuple[str, ...] = ()


class Outer(Value):
    inner: Inner | None
    share: float | None
    counted: Mapping[str, int]


instants = st.datetimes(timezones=st.just(UTC))
inners = st.builds(
    Inner, from_=instants, words=st.lists(st.text(st.characters(exclude_categories=["Cs"]))).map(tuple)
)
outers = st.builds(
    Outer,
    inner=st.none() | inners,
    share=st.none() | st.floats(allow_nan=False, allow_infinity=False),
    counted=st.dictionaries(st.sampled_from("abc"), st.integers(0, 2**53)).map(MappingProxyType),
)


@given(outers | st.lists(outers) | st.dictionaries(st.sampled_from("xyz"), inners))
def test_the_text_is_that_of_the_plain_value(value: object) -> None:
    assert encoded(value) == orjson.dumps(plain(value))


def test_absent_fields_are_left_out_and_names_lose_their_underscore() -> None:
    begun = datetime(2026, 3, 2, 8, 0, 0, 500_000, UTC)
    assert encoded(Inner(from_=begun)) == b'{"from":"2026-03-02T08:00:00.500000Z","words":[]}'


def test_what_no_result_holds_is_refused() -> None:
    with pytest.raises(TypeError):
        encoded(timedelta(seconds=1))
