"""One declaration: what it is of, from when, and whether it says the same as another."""

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple

from pydantic import ValidationError

from broker_bridge.adapters.base import Statement
from broker_bridge.errors import MappingError
from broker_bridge.events.base import Data, Origin
from broker_bridge.events.union import DATA_TYPES, explain


class Declared(NamedTuple):
    """Of one thing, one aspect, from one time on. The same again is the same declaration, however its file is written."""

    type: str
    subject: str
    """Line, part (with its revision) or material."""
    aspect: str
    """What is told of it: stations, positions, placement, limits, marking, material."""
    valid_from: datetime
    data: Data
    """Its origin is still to be filled in."""
    size: int
    """How many entries it has."""

    @property
    def told(self) -> str:
        """For people: part HW-1 placement from 2026-03-02."""
        since = self.valid_from.isoformat().removesuffix("+00:00").removesuffix("T00:00:00")
        return f"{self.subject}: {self.aspect} from {since}"

    @property
    def generation(self) -> str:
        """Names it in the record: a changed one is a revision of it."""
        key = "\n".join((self.type, self.subject, self.aspect, self.valid_from.isoformat()))
        return hashlib.sha256(key.encode()).hexdigest()[:40]

    @property
    def content(self) -> str:
        """Hash of what it says."""
        said = self.data.model_dump_json(exclude={"origin"}, exclude_none=True)
        return hashlib.sha256(said.encode()).hexdigest()


def declared(
    kind: str, subject: str, aspect: str, said: Mapping[str, Any], size: int, place: str
) -> Declared:
    """A declaration of these fields. Raises MappingError naming place, field and value."""
    try:
        data = DATA_TYPES[kind].model_validate_json(
            json.dumps({**said, "origin": {"adapter": "declared"}}), strict=True
        )
    except ValidationError as error:
        raise MappingError(f"{place}: {explain(error)}", place) from None
    valid_from: datetime = data.valid_from  # type: ignore[attr-defined]  # all three have it
    return Declared(kind, subject, aspect, valid_from.astimezone(UTC), data, size)


def statement_of(one: Declared, origin: Origin) -> Statement:
    """The event it becomes; its time is the time from which it holds."""
    return Statement(one.data.model_copy(update={"origin": origin}), one.valid_from)
