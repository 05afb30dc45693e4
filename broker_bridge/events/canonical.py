"""Events spelt as this program spells them, read without their models, which takes a recorder far less time.

The types are made from the models, so there is one schema. What is read here are the values that the models would read: the
bytes have to be exactly those that the values give when they are written again, which no key that stands twice and no foreign
field survives. Whatever else comes is for `union.parse_event`, which judges and says what is wrong.

Rule for maintainers: a constraint or validator that this module does not know keeps its type out of here, so a new one costs
time and nothing else. Accepting what the models refuse would be a fault; `tests/events/test_canonical.py` looks for it.
"""

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import cache
from types import NoneType, UnionType
from typing import (
    Annotated,
    Any,
    Final,
    Literal,
    NamedTuple,
    Protocol,
    Union,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

import annotated_types
import msgspec
from pydantic import AfterValidator, BeforeValidator, StringConstraints
from pydantic.fields import FieldInfo

from broker_bridge.events.base import Model, instant, storable
from broker_bridge.events.envelope import attribute, fitting
from broker_bridge.events.source import SourceGap
from broker_bridge.events.union import DATA_TYPES, EVENT_TYPES, type_of

_SCALARS: Final = frozenset({str, int, float, bool})
_PLAIN: Final = frozenset({"annotation", "default"})
_LIMITS: Final = frozenset({"ge", "gt", "le", "lt", "allow_inf_nan"})
_KEPT_OUT: Final = frozenset({SourceGap.TYPE})
"""Events of which the record needs the model itself."""
_LARGEST: Final = 65_536
"""Bytes: patterns take longer here than in the models, and a hostile event may hold millions of names."""
_NUL: Final = rb"\u0000"
_ELSEWHERE: Final = re.compile(rb'[+-]\d\d:\d\d"')
"""A time in another zone, which may have no place in UTC; or a text that looks like one."""


class Read(Protocol):
    """What a record needs of an event that was read, whoever read it."""

    @property
    def id(self) -> str: ...
    @property
    def source(self) -> str: ...
    @property
    def type(self) -> str: ...
    @property
    def time(self) -> datetime: ...
    @property
    def sequence(self) -> str: ...
    @property
    def epoch(self) -> str: ...
    @property
    def data(self) -> Any:
        """The fields of its type. What is absent is None or, where it was read without its model, another false value."""


class _Unknown(Exception):
    """A type has something that is not understood here."""


def read_canonical(raw: bytes) -> Read | None:
    """The event of these bytes; None where they are not in our own spelling, or not valid, or of a type kept out of here."""
    name = type_of(raw)
    reader = _reader(name) if name in DATA_TYPES else None
    if (
        reader is None
        or len(raw) > _LARGEST
        or _NUL in raw
        or (reader.timed and _ELSEWHERE.search(raw) is not None)
    ):
        return None
    try:
        event = reader.decode(raw)
    except (msgspec.MsgspecError, ValueError, OverflowError, RecursionError):
        return None
    if event.time.tzinfo is not UTC or event.recordedtime.tzinfo is not UTC:
        return None
    for label in (event.subject, event.rawname):
        if label is not msgspec.UNSET and attribute(label) != label:
            return None
    if _ENCODER.encode(event) != raw:
        return None
    found: Read = event
    return found


_ENCODER: Final = msgspec.json.Encoder()


class _Reader(NamedTuple):
    decode: Callable[[bytes], Any]
    timed: bool
    """Whether the data hold times too."""


@cache
def _reader(name: str) -> _Reader | None:
    if name in _KEPT_OUT:
        return None
    try:
        made = _struct(EVENT_TYPES[name])
        return _Reader(msgspec.json.Decoder(made).decode, _holds_times(DATA_TYPES[name]))
    except _Unknown:
        return None


def _holds_times(model: type[Model]) -> bool:
    return b'"format":"date-time"' in msgspec.json.encode(msgspec.json.schema(_struct(model)))


@cache
def _struct(model: type[Model]) -> Any:
    """The type of a model: the same fields in the same order."""
    own = model.__pydantic_decorators__
    changing = (
        own.validators, own.field_validators, own.root_validators, own.model_validators, own.field_serializers,
        own.model_serializers, own.computed_fields,
    )  # fmt: skip
    if any(changing) or model.model_config != Model.model_config:
        raise _Unknown(f"{model.__name__} has validators, serializers or a configuration of its own")
    hints = get_type_hints(model, include_extras=True)
    fields = [_field(name, hints[name], info) for name, info in model.model_fields.items()]
    return msgspec.defstruct(model.__name__, fields, kw_only=True, frozen=True, gc=False)


def _field(name: str, hint: Any, info: FieldInfo) -> Any:
    _nothing_but(info, _PLAIN)
    if info.metadata != FieldInfo.from_annotation(hint).metadata:
        raise _Unknown(f"{name}: limits that do not stand in its annotation")
    arms = [arm for arm in _arms(hint) if arm is not NoneType]
    if len(arms) < len(_arms(hint)):
        if info.is_required() or info.default is not None or len(arms) != 1:
            raise _Unknown(f"{name}: {hint}")
        return name, _type(arms[0]) | msgspec.UnsetType, msgspec.UNSET
    if info.is_required():
        return name, _type(hint)
    return name, _type(hint), info.default


def _nothing_but(info: FieldInfo, known: frozenset[str]) -> None:
    """Raise _Unknown where more was said of a field than what is understood here."""
    said: set[str] | dict[str, Any] | None = getattr(info, "_attributes_set", None)
    if said is None or not known.issuperset(said):
        raise _Unknown(repr(info))


def _arms(hint: Any) -> tuple[Any, ...]:
    return get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,)


def _type(hint: Any) -> Any:
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _constrained(args[0], args[1:])
    if origin is Literal and all(isinstance(word, str) for word in args):
        return hint
    if origin is tuple and args[1:] == (Ellipsis,):
        return tuple[_type(args[0]), ...]  # type: ignore[misc]
    if origin in (dict, Mapping) and args[0] is str:
        return dict[str, _type(args[1])]  # type: ignore[misc]
    if hint in _SCALARS:
        return hint
    if isinstance(hint, type) and issubclass(hint, Model):
        return _struct(hint)
    raise _Unknown(str(hint))


def _constrained(hint: Any, marks: tuple[Any, ...]) -> Any:
    if BeforeValidator(instant) in marks:
        if (hint, *marks) != (datetime, BeforeValidator(instant)):
            raise _Unknown(str(marks))
        return Annotated[datetime, msgspec.Meta(tz=True)]
    limits: dict[str, Any] = {}
    for mark in marks:
        match mark:
            case StringConstraints():
                limits |= _of_text(mark)
            case FieldInfo():
                _nothing_but(mark, _LIMITS)
                for one in mark.metadata:
                    limits |= _of_number(hint, one)
            case AfterValidator(func=func) if func is storable:
                pass  # see _NUL
            case BeforeValidator(func=func) if func is fitting:
                pass  # looked at after reading
            case _:
                raise _Unknown(repr(mark))
    return Annotated[_type(hint), msgspec.Meta(**limits)] if limits else _type(hint)


def _of_text(mark: StringConstraints) -> dict[str, Any]:
    if mark.strip_whitespace or mark.to_upper or mark.to_lower or mark.ascii_only:
        raise _Unknown(repr(mark))
    told: dict[str, Any] = {"min_length": mark.min_length, "max_length": mark.max_length, "pattern": None}
    if mark.pattern is not None:
        told["pattern"] = _pattern(str(mark.pattern))
    return {name: limit for name, limit in told.items() if limit is not None}


def _pattern(pattern: str) -> str:
    r"""The same for `re`, to which `$` is the place before a last line end as well, and whose \d knows other digits."""
    if not (pattern.startswith("^") and pattern.endswith("$")) or "\\" in pattern.replace("\\.", ""):
        raise _Unknown(pattern)
    return pattern[:-1] + r"\Z"


def _of_number(hint: Any, mark: Any) -> dict[str, Any]:
    match mark:
        case annotated_types.Ge():
            return {"ge": mark.ge}
        case annotated_types.Gt():
            return {"gt": mark.gt}
        case annotated_types.Le():
            return {"le": mark.le}
        case annotated_types.Lt() if hint is int:
            return {"le": cast("int", mark.lt) - 1}  # 2**63 is no bound that can be said
        case annotated_types.Lt():
            return {"lt": mark.lt}
        case _ if getattr(mark, "__dict__", None) == {"allow_inf_nan": False}:
            return {}  # JSON has neither
    raise _Unknown(repr(mark))
