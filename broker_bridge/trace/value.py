"""Frozen values that cost next to nothing to define.

A `typing.NamedTuple` compiles code when it is defined, and a history has sixty of them: a good part of the time a
person would wait for `board`. These are tuples as well (equal, hashable, ordered, unpackable by their fields).
"""

from operator import itemgetter
from typing import Any, ClassVar, Self, dataclass_transform


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
