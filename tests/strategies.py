"""Valid events of every type, made from the models themselves: a new type or field is covered unasked."""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta, timezone
from functools import cache, partial
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from hypothesis import strategies as st
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from broker_bridge.events.base import Data
from broker_bridge.events.envelope import Event
from broker_bridge.events.ids import EventId
from broker_bridge.events.reading import Column, ReadingPasteMeasured
from broker_bridge.events.union import EVENT_TYPES

MAX_LENGTH = 12
"""Texts and lists stay short: what they hold matters, not how much."""

texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=MAX_LENGTH)
"""Any Unicode but NUL and lone surrogates."""

instants = st.datetimes(
    min_value=datetime(2, 1, 1),  # noqa: DTZ001  # the zone is drawn
    max_value=datetime(9998, 12, 31),  # noqa: DTZ001
    timezones=st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=45)), timezone(timedelta(hours=-8))]),
)

WORDS = {
    "^[a-z0-9][a-z0-9-]{0,62}$": ["a", "l1", "0-", "harbour-works", "z" * 63],
    "^[a-z][a-z0-9_]{0,62}$": ["a", "paste_height", "x_", "z" * 63],
    "^[0-9a-f]{64}$": ["0" * 64, "0123456789abcdef" * 4],
    "^[0-9]{20}$": ["0" * 20, "00000000000000000001", "9" * 20],
}
"""Examples of the patterns that stand in every event: drawing them letter by letter takes most of the time."""

event_ids = st.builds(
    EventId,
    st.from_regex(r"[A-Za-z0-9_-]{1,64}", fullmatch=True),
    st.integers(0, 10**18 - 1),
    st.integers(0, 999_999),
    st.integers(0, 999_999),
)


def events(type_name: str, *, full: bool = False) -> st.SearchStrategy[Event]:
    """Valid events of one type; with `full`, every field of the event and of its data is given."""
    return models(EVENT_TYPES[type_name], full=full)


@cache
def models(model: type[BaseModel], *, full: bool = False) -> st.SearchStrategy[Any]:
    """Valid instances of a model of the schema. Optional fields are sometimes left out, never with `full`."""
    required: dict[str, st.SearchStrategy[Any]] = {}
    optional: dict[str, st.SearchStrategy[Any]] = {}
    for name, field in model.model_fields.items():
        values = _special(model, name)
        if values is None:
            values = _values(field.annotation, field.metadata, full=full)
        (required if full or field.is_required() else optional)[name] = values
    return st.fixed_dictionaries(required, optional=optional).map(partial(_built, model))


def _built(model: type[BaseModel], given: dict[str, Any]) -> BaseModel:
    return model(**given)


def _special(model: type[BaseModel], name: str) -> st.SearchStrategy[Any] | None:
    if issubclass(model, Event) and name == "id":
        return event_ids.map(str)
    if model is ReadingPasteMeasured and name == "columns":
        return st.lists(models(Column), max_size=3, unique_by=lambda column: column.name).map(tuple)
    return None


def _values(annotation: Any, metadata: Iterable[Any] = (), *, full: bool = False) -> st.SearchStrategy[Any]:
    origin, args = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _values(args[0], [*args[1:], *metadata], full=full)
    if origin in (Union, UnionType):
        given = [arg for arg in args if not (full and arg is NoneType)]
        return st.one_of([_values(arg, full=full) for arg in given])
    if origin is Literal:
        return st.sampled_from(args)
    if origin is tuple and args[-1] is Ellipsis:
        return st.lists(_values(args[0], full=full), min_size=int(full), max_size=3).map(tuple)
    if origin is tuple:
        return st.tuples(*map(_values, args))
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        # Below the data, fields may be left out again: else every example would be of the largest size.
        return st.deferred(lambda: models(annotation, full=full and issubclass(annotation, Data)))
    return _scalars(annotation, dict(_constraints(metadata)))


def _scalars(annotation: Any, limits: dict[str, Any]) -> st.SearchStrategy[Any]:
    if annotation is NoneType:
        return st.none()
    if annotation is bool:
        return st.booleans()
    if annotation is datetime:
        return instants
    if annotation is str and limits.get("pattern") in WORDS:
        return st.sampled_from(WORDS[limits["pattern"]])
    if annotation is str and "pattern" in limits:
        return st.from_regex(limits["pattern"], fullmatch=True)
    if annotation is str:
        return texts.filter(lambda text: len(text) >= limits.get("min_length", 0))
    if annotation is int:
        highest = limits["lt"] - 1 if "lt" in limits else limits.get("le", 2**63 - 1)
        return st.integers(limits.get("ge", -(2**63)), highest)
    if annotation is float:
        return st.floats(allow_nan=False, allow_infinity=False)
    raise NotImplementedError(f"no strategy for {annotation!r}: add one here")


def _constraints(metadata: Iterable[Any]) -> Iterator[tuple[str, Any]]:
    for item in metadata:
        if isinstance(item, FieldInfo):
            yield from _constraints(item.metadata)
        for name in ("ge", "le", "lt", "min_length", "pattern"):
            value = getattr(item, name, None)
            if value is not None:
                yield name, value
