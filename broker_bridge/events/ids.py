"""What names an event: `generation.position.ordinal.revision` within its source.

The id names the raw record an event came from, so reading the same bytes again gives the same id, while two
equal lines in one log stay two events. `generation` names the file content, connection or message; `position`
is the byte offset or record number in it; `ordinal` counts the events of that record from 0; `revision` is the
integer which the mapping declares. The unit of revision is the raw record: the highest revision of a record
that is complete replaces the whole set of events of the lower ones.
"""

import re
from typing import NamedTuple

GENERATION_PATTERN = r"[A-Za-z0-9_-]{1,64}"
PATTERN = GENERATION_PATTERN + r"\.(0|[1-9][0-9]{0,17})" + r"\.(0|[1-9][0-9]{0,5})" * 2
"""Numbers carry no leading zeros, so that an id has one spelling."""
NO_ID = "is no event id: expected generation.position.ordinal.revision, numbers without leading zeros"
_ID = re.compile(rf"\A{PATTERN}\Z", re.ASCII)


class EventId(NamedTuple):
    """The four parts of an event's id. `str()` gives the text, `parse` reads it."""

    generation: str
    position: int
    ordinal: int
    revision: int

    @classmethod
    def parse(cls, text: str) -> "EventId":
        """Read an id. Raises ValueError naming the text when it is not one, or not in its only spelling."""
        if not _ID.match(text):
            raise ValueError(f"{text!r} {NO_ID}")
        generation, position, ordinal, revision = text.split(".")
        return cls(generation, int(position), int(ordinal), int(revision))

    def __str__(self) -> str:
        return f"{self.generation}.{self.position}.{self.ordinal}.{self.revision}"
