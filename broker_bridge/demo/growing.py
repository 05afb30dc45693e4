"""A log that grows, record by record: pure.

The same reading and mapping as of whole files, fed with what was added. An id needs a name of the content before
the content is whole: the hash of its beginning, which a log that began anew does not share.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.mapper import Mapper
from broker_bridge.adapters.logs.mapping.takings import Document, Place
from broker_bridge.adapters.logs.mapping.times import TimeValue
from broker_bridge.adapters.logs.protocol.readers import open_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, digest_of

BEGINNING: Final = 2
"""Lines that name a log: the heading and the first record, or two records."""


class GrowingLog:
    """One generation of one log. `add` what was appended, then `end`."""

    def __init__(self, mapping: Compiled, place: Place, name: str) -> None:
        self._mapping = mapping
        self._place = place
        self._name = name
        self._reader = open_reader(mapping.file.reader)
        self._beginning = b""
        self._mapper: Mapper | None = None

    def add(self, data: bytes, at: datetime) -> list[Taking]:
        """What is complete with these bytes, taken in at `at`."""
        if self._mapper is None:
            self._beginning += data
            if self._beginning.count(b"\n") < BEGINNING:
                return []
        return self._take(data, at)

    def end(self, at: datetime) -> list[Taking]:
        """What was still open when the log ended."""
        takings = [] if self._mapper is not None else self._take(b"", at)
        assert self._mapper is not None
        self._reader.receive_data(b"")
        return [*takings, *self._records(at), *_dated(self._mapper.end(), at)]

    def _take(self, data: bytes, at: datetime) -> list[Taking]:
        if self._mapper is None:
            self._mapper, data = self._named(at), self._beginning
            self._beginning = b""
        if data:
            self._reader.receive_data(data)
        return list(self._records(at))

    def _named(self, at: datetime) -> Mapper:
        digest = digest_of(self._beginning)
        values = self._mapping.read_name(self._name)
        values["modified"] = TimeValue(at, at.isoformat(), "saved", "UTC", "stated", ())
        document = Document(digest[:32], self._name, digest, len(self._beginning), values, at)
        return Mapper(self._mapping, self._place, document)

    def _records(self, at: datetime) -> Iterator[Taking]:
        assert self._mapper is not None
        while isinstance(item := self._reader.next_record(), (NativeRecord, Refused)):
            yield from _dated(self._mapper.add(item), at)


def _dated(takings: Iterator[Taking], at: datetime) -> Iterator[Taking]:
    """A rejected record knows no time of its own: it is from before it was taken in."""
    for taking in takings:
        if taking.statements[0].data.TYPE != "source.rejected":
            yield taking
            continue
        (rejected,) = taking.statements
        yield Taking(
            taking.generation,
            taking.position,
            taking.revision,
            (Statement(rejected.data, at),),
            taking.rawname,
        )
