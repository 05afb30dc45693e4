"""Patterns of mapping files: RE2's language, whose time is bounded by the length of the text."""

from typing import Annotated, Any

import re2
from pydantic import AfterValidator, Field


def compiled(text: str) -> Any:
    """The compiled pattern. Raises ValueError saying what is wrong with it."""
    try:
        return re2.compile(text)
    except re2.error as error:
        first = error.args[0] if error.args else error
        told = first.decode() if isinstance(first, bytes) else str(first)
        raise ValueError(
            f"{text!r} is no pattern: {told} (patterns are RE2's: no look-around, no back-references)"
        ) from None


def _checked(text: str) -> str:
    compiled(text)
    return text


def _named(text: str) -> str:
    if not compiled(text).groupindex:
        raise ValueError(f"{text!r} has no named group; write (?P<name>...) around the parts that are wanted")
    return text


AnyPattern = Annotated[str, Field(max_length=2000), AfterValidator(_checked)]
"""A regular expression."""

NamedPattern = Annotated[str, Field(max_length=2000), AfterValidator(_named)]
"""A regular expression whose named groups are fields."""


def groups(pattern: Any) -> tuple[str, ...]:
    """The named groups of a compiled pattern in their order."""
    return tuple(sorted(pattern.groupindex, key=pattern.groupindex.__getitem__))
