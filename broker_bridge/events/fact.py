"""An event as the readers of the record see it: already validated once, light enough to start in no time.

Models of the schema take long to import (tools/bench/bench_start.py); a person who types a serial number should not
wait for them. The
record only holds events that were valid, so readers look at the plain data.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple


class Fact(NamedTuple):
    """One event of the record. `data` is the event's data as JSON values (schemas/ tells its fields)."""

    number: int
    """Its place in the record."""
    commit: int
    """The commit that brought it in."""
    source: str
    generation: str
    position: int
    ordinal: int
    revision: int
    type: str
    time: str
    """RFC 3339, UTC."""
    data: Mapping[str, Any]

    @property
    def id(self) -> str:
        """The event's id within its source."""
        return f"{self.generation}.{self.position}.{self.ordinal}.{self.revision}"
