"""What the reader found odd in a message it took all the same."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

MAX_FLAG_VALUE: Final = 200
"""Longest value a flag repeats; the whole text is in the raw bytes beside it."""


class FlagKind(StrEnum):
    """The kinds of oddity. None of them makes a message unusable."""

    JUNK = "junk"  # bytes before the message that belong to no message
    TIMESTAMP = "timestamp"  # absent, or not YYYY-MM-DDThh:mm:ss.sss
    UNKNOWN_MESSAGE = "unknown message"  # the standard wants it ignored
    UNKNOWN_ATTRIBUTE = "unknown attribute"
    UNKNOWN_ELEMENT = "unknown element"
    REPEATED_ELEMENT = "repeated element"  # only the first counts
    EXTRA_MESSAGE = "extra message"  # a second one in the same envelope; only the first counts
    TEXT = "text"  # character data, of which the standard has none
    MISSING = "missing"  # required, but younger than the message: an older peer cannot know it
    EMPTY = "empty"  # required text with nothing in it
    FORM = "form"  # a text that breaks its pattern
    NOT_A_NUMBER = "not a number"  # an optional number nobody can read; taken as absent
    OUT_OF_RANGE = "out of range"  # the number is kept as it came
    UPPER_CASE_GUID = "upper-case GUID"
    NOT_A_GUID = "not a GUID"
    NIL_GUID = "nil GUID"  # all zero: stands for no id
    NEWER = "newer than announced"  # younger than the Version the peer announced
    UNANNOUNCED = "unannounced feature"  # needs a feature we did not announce
    MISPLACED = "misplaced"  # a message of another channel; comes as an unknown one
    TOLERATED = "tolerated"  # not sent in this state by the book, but no error on receipt
    OTHER_BOARD = "other board"  # names another board than the one on offer


@dataclass(frozen=True, slots=True)
class Flag:
    """One oddity: what kind, where (`BoardAvailable/SubBoards/SB[2]/St`), and the text found there."""

    kind: FlagKind
    place: str
    value: str = ""

    def __post_init__(self) -> None:
        if len(self.value) > MAX_FLAG_VALUE:
            object.__setattr__(self, "value", self.value[:MAX_FLAG_VALUE])
