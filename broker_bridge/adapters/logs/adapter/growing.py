"""A log that grows, from its first byte on, fed piece by piece: bytes -> takings. Pure.

The reader always sees the whole log: after a restart it reads from the first byte again, which brings back every
header and section that holds for what follows. What was given before is passed over, not mapped again.
"""

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs.adapter.content import generation_of, plain_name
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.mapper import Mapper
from broker_bridge.adapters.logs.mapping.takings import Document, Place
from broker_bridge.adapters.logs.protocol.readers import open_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, digest_of
from broker_bridge.adapters.logs.protocol.runs import Runs
from broker_bridge.errors import ConfigError

LONGEST_HEAD: Final = 8 * 2**20
"""Bytes that name a log in which no record begins at all."""

_WHOLE: Final = ("json", "xml", "ini")


def refuse_unfit(mapping: Compiled, path: object, pickup: str) -> None:
    """Raise ConfigError where a mapping cannot follow a log that grows, or a document that is rewritten."""
    if "modified" in mapping.uses_of_file:
        raise ConfigError(
            f'{path}: the file\'s time of last change is used; with pickup = "{pickup}" it changes at every'
            " writing: take the time from the records"
        )
    if pickup != "growing":
        return
    if mapping.file.companion:
        raise ConfigError(
            f"{path}: companion: a log that grows is read before its companions are there; look-ups go with"
            ' pickup = "drop" or "rewritten"'
        )
    kind, per = mapping.file.reader.kind, mapping.file.group.per
    if kind in _WHOLE:
        raise ConfigError(
            f'{path}: reader.kind = "{kind}" reads documents that are whole; with pickup = "growing" take a kind'
            ' that goes line by line, or pickup = "rewritten"'
        )
    if per in ("file", "key"):
        raise ConfigError(
            f'{path}: group.per = "{per}" needs the whole file, and a log that grows never is; take "row" or'
            ' "block", or pickup = "rewritten"'
        )


@dataclass(frozen=True, slots=True)
class Head:
    """The beginning of a log, which names it: everything up to the end of its first record."""

    size: int
    hash: str


def head_of(mapping: Compiled, pieces: Iterable[bytes]) -> Head | None:
    """The head of a log that begins with these pieces; None while its first record is not complete."""
    reader, beginning = open_reader(mapping.file.reader), bytearray()
    for piece in pieces:
        reader.receive_data(piece)
        beginning += piece
        item = reader.next_record()
        if isinstance(item, (NativeRecord, Refused)):
            return Head(item.end, digest_of(bytes(beginning[: item.end])))
        if len(beginning) >= LONGEST_HEAD:
            return Head(LONGEST_HEAD, digest_of(bytes(beginning[:LONGEST_HEAD])))
    return None


def log_generation(mapping: Compiled, head: Head, number: int, name: str) -> str:
    """The generation of a log: of its head, of what its events take from its name, and of its number.

    `number` counts from 1 the logs that are known to begin in the same way. Raises FieldError when the name is not
    as the mapping states.
    """
    values = mapping.read_name(plain_name(name))
    told = {key: str(values[key]) for key in mapping.uses_of_file if key in values}
    digest = head.hash if number == 1 else hashlib.sha256(f"{head.hash} {number}".encode()).hexdigest()
    return generation_of(digest, {**told, "grows": "yes"})


@dataclass(slots=True)
class Progress:
    """How far a log has been given. What `GrowingLog` needs to go on from there."""

    anchor: int = 0
    """Records that end here or before are never mapped again."""
    taken: int = 0
    """Takings that records behind the anchor have given already: a group that is open began there."""
    last_time: str = ""
    """Time (RFC 3339) of the last event; a rejected record knows none of its own and gets it."""
    again: dict[int, int] = field(default_factory=dict)
    """Positions given before their end was there, and how often: added to the revision of what comes of them."""


class GrowingLog:
    """One pass over a log. `feed` it from byte 0 on; `progress` is changed as takings are given."""

    def __init__(
        self,
        mapping: Compiled,
        place: Place,
        name: str,
        *,
        generation: str,
        modified: datetime,
        progress: Progress,
    ) -> None:
        values = mapping.read_name(plain_name(name))
        document = Document(generation, name, None, 0, values, modified)
        self._mapper = Mapper(mapping, place, document)
        self._reader = open_reader(mapping.file.reader)
        self._runs = Runs()
        self._group = mapping.file.group
        self._modified = modified
        self._from = progress.anchor
        self._skip = progress.taken
        self.progress = progress
        progress.taken = 0
        self.fed = 0
        """Bytes that were fed."""

    @property
    def waiting(self) -> int:
        """Bytes behind the last record that was given."""
        return self.fed - self.progress.anchor

    @property
    def rejected(self) -> int:
        """Records that could not be mapped in this pass."""
        return self._mapper.counters["rejected"]

    def feed(self, data: bytes) -> list[Taking]:
        """The takings that are complete with these bytes, which follow those fed before."""
        if data:
            self.fed += len(data)
            self._reader.receive_data(data)
        return [taking for item in self._items() for taking in self._take(item)]

    def close(self) -> list[Taking]:
        """What is still open, as if the log ended here; the anchor stays before it. Nothing can be fed any more."""
        kept = replace(self.progress, again=dict(self.progress.again))
        self._reader.receive_data(b"")
        takings = [taking for item in self._items() for taking in self._take(item)]
        takings += [taking for item in self._runs.end() for taking in self._take(item)]
        takings += list(self._given(self._mapper.end()))
        progress = self.progress
        progress.anchor, progress.taken, progress.last_time = kept.anchor, kept.taken, kept.last_time
        return [_flagged(taking) for taking in takings]

    def _items(self) -> Iterator[NativeRecord | Refused]:
        while isinstance(item := self._reader.next_record(), (NativeRecord, Refused)):
            yield from self._runs.add(item)

    def _take(self, item: NativeRecord | Refused) -> Iterator[Taking]:
        if item.end <= self._from:
            self._mapper.pass_over(item)
            return
        progress, group = self.progress, self._group
        if group.per != "block":
            yield from self._given(self._mapper.add(item))
            progress.anchor = max(progress.anchor, item.end)
            progress.taken = 0
            return
        begins = item.kind == group.begins
        takings = list(self._mapper.add(item))
        if begins:
            progress.anchor, progress.taken = item.position, 0
        for taking in takings:
            progress.taken += taking.position >= progress.anchor
        if begins and item.position != self._from:
            self._skip = 0
        yield from self._given(takings)

    def _given(self, takings: Iterable[Taking]) -> Iterator[Taking]:
        for taking in takings:
            if taking.position >= self._from and self._skip:
                self._skip -= 1
                continue
            yield self._made(taking)

    def _made(self, taking: Taking) -> Taking:
        """The taking with what only a log in growth knows: its revision, and a time where it has none."""
        progress = self.progress
        revision = taking.revision + progress.again.get(taking.position, 0)
        statements = taking.statements
        if statements[0].data.TYPE == "source.rejected":
            (rejected,) = statements
            last = datetime.fromisoformat(progress.last_time) if progress.last_time else self._modified
            statements = (Statement(rejected.data, last),)
        else:
            progress.last_time = max(statement.time for statement in statements).isoformat()
        return replace(taking, revision=revision, statements=statements)


def _flagged(taking: Taking) -> Taking:
    """The taking of a record whose end nobody has seen."""
    statements = []
    for statement in taking.statements:
        origin = statement.data.origin
        origin = origin.model_copy(update={"flags": tuple(sorted({*origin.flags, "unterminated"}))})
        statements.append(replace(statement, data=statement.data.model_copy(update={"origin": origin})))
    return replace(taking, statements=tuple(statements))
