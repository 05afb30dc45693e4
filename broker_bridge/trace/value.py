"""Frozen values that cost next to nothing to define.

A `typing.NamedTuple` compiles code when it is defined, and a history has sixty of them: a good part of the time a
person would wait for `board`. These are tuples as well (equal, hashable, ordered, unpackable by their fields).
"""

from collections.abc import Callable
from operator import itemgetter
from typing import Any, ClassVar, Generic, Self, TypeVar, dataclass_transform, overload

T = TypeVar("T")


class once(Generic[T]):
    """A property of a value that is worked out at its first use. Two threads may both do so: values do not change.

    `functools.cached_property` takes a lock for it, which costs more than most of what it guards.
    """

    def __init__(self, work: Callable[[Any], T]) -> None:
        self._work, self._name = work, work.__name__
        self.__doc__ = work.__doc__

    @overload
    def __get__(self, value: None, owner: type) -> Self: ...
    @overload
    def __get__(self, value: object, owner: type) -> T: ...
    def __get__(self, value: object, owner: type) -> T | Self:
        if value is None:
            return self
        found: T = self._work(value)
        value.__dict__[self._name] = found
        return found


@dataclass_transform(frozen_default=True)
class Value(tuple[Any, ...]):
    """Base of all values: annotate the fields in order, defaults last, as in a NamedTuple."""

    __slots__ = ()
    _fields: ClassVar[tuple[str, ...]] = ()
    _names: ClassVar[frozenset[str]] = frozenset()
    _defaults: ClassVar[dict[str, Any]] = {}

    def __init_subclass__(cls) -> None:
        """Take the annotated fields over."""
        names = tuple(cls.__annotations__)
        cls._defaults = {name: cls.__dict__[name] for name in names if name in cls.__dict__}
        cls._fields, cls._names = names, frozenset(names)
        for place, name in enumerate(names):
            setattr(cls, name, property(itemgetter(place)))

    def __new__(cls, *values: Any, **named: Any) -> Self:
        """The fields in order, by name, or both."""
        fields = cls._fields
        if not values and tuple(named) == fields:
            return tuple.__new__(cls, named.values())  # most are made so, and this is five times as fast
        if named or len(values) != len(fields):
            given = dict(zip(fields, values, strict=False)) | named
            whole = cls._defaults | given
            if len(given) != len(values) + len(named) or whole.keys() != cls._names:
                odd = sorted(whole.keys() ^ cls._names) or "a field given twice"
                raise TypeError(f"{cls.__name__} takes {', '.join(fields)}; wrong are {odd}")
            values = tuple(map(whole.__getitem__, fields))
        return tuple.__new__(cls, values)

    def _replace(self, **changed: Any) -> Self:
        """The same with some fields changed."""
        return type(self)(**dict(zip(self._fields, self, strict=True)) | changed)

    def __repr__(self) -> str:
        """The class and its fields."""
        told = ", ".join(f"{name}={value!r}" for name, value in zip(self._fields, self, strict=True))
        return f"{type(self).__name__}({told})"

    def __getnewargs__(self) -> tuple[Any, ...]:
        """For copying and pickling."""
        return tuple(self)
