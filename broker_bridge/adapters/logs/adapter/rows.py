"""The rows of documents that are rewritten in place: which of them are new, changed or gone. Pure.

A row is known by its key, wherever it stands and whatever the file is called. What it gave is one raw record, of
which a changed row is the next revision: the highest holds, so that nothing stands twice.
"""

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import orjson
import zstandard

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.intake import WENT_ON, retraction
from broker_bridge.adapters.logs.adapter.reading import Reading
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused

HIGHEST: Final = 999_999
"""The highest revision an id can hold."""


@dataclass(frozen=True, slots=True)
class Row:
    """What is remembered of one row."""

    revision: int
    content: str
    """Hash of what it gave, without the place of its bytes; empty where it was retracted."""
    document: str
    """The document it stood in last."""
    loose: bool = False
    """It hung on bytes that were still to come: a line without its end."""


Table = dict[int, Row]
"""Rows by position: a hash of the key."""


def dump_rows(rows: Mapping[int, Row]) -> bytes:
    """Rows as the read state keeps them."""
    listed = [
        [position, row.revision, row.content, row.document, row.loose] for position, row in rows.items()
    ]
    return zstandard.ZstdCompressor(level=3).compress(orjson.dumps(listed))


def load_rows(values: Iterable[bytes]) -> Table:
    """Read them back; of several values the later ones count."""
    table: Table = {}
    for value in values:
        for position, *row in orjson.loads(zstandard.ZstdDecompressor().decompress(value)):
            table[position] = Row(*row)
    return table


def document_of(name: str) -> str:
    """A document's short name in the read state."""
    return hashlib.sha256(name.encode()).hexdigest()[:12]


class Changes:
    """What of one reading is new or changed against the rows that are known. Iterate once; then look at `gone`."""

    def __init__(
        self, reading: Reading, generation: str, table: Table, key: Sequence[str], revision: int
    ) -> None:
        self._reading = reading
        self._generation = generation
        self._table = table
        self._key = key
        self._revision = revision
        self._document = document_of(reading.name)
        self._met: set[int] = set()
        self.repeated = 0
        """Rows whose key another row of the document has as well: they are told apart by their order."""
        self.keyless = 0
        """Records without the key's columns: known by their content alone."""
        self.exhausted = 0
        """Rows that have changed as often as an id can count; what they say now is not given."""

    def __iter__(self) -> Iterator[tuple[Taking, int, Row]]:
        """Takings to give, each with its row's position and what to remember of it."""
        positions = self._positions()
        for taking in self._reading:
            position = positions[taking.position]
            self._met.add(position)
            known, content = self._table.get(position), content_of(taking)
            if known is not None and known.content == content:
                if known.document != self._document:
                    self._table[position] = replace(known, document=self._document)
                continue
            revision = self._revision if known is None else max(known.revision + 1, self._revision)
            if revision > HIGHEST:
                self.exhausted += 1
                continue
            row = Row(revision, content, self._document, self._reading.loose(taking))
            given = replace(taking, generation=self._generation, position=position, revision=revision)
            yield given, position, row

    def gone(self, adapter: str, *, only_loose: bool) -> Iterator[tuple[Taking, int, Row]]:
        """The retractions of rows that this document held and holds no more; of those that hung on its end only."""
        reading = self._reading
        for position, known in sorted(self._table.items()):
            if position in self._met or known.document != self._document or not known.content:
                continue
            if only_loose and not known.loose:
                continue
            revision = known.revision + 1
            if revision <= HIGHEST:
                taking = retraction(
                    self._generation,
                    position,
                    revision,
                    reading.modified,
                    adapter,
                    reading.name,
                    reason=WENT_ON if only_loose else "the record is no longer in its document",
                )
                yield taking, position, Row(revision, "", self._document)

    def _positions(self) -> dict[int, int]:
        """Offset in the content -> position by the key."""
        seen: Counter[tuple[str, ...]] = Counter()
        positions: dict[int, int] = {}
        for item in self._reading.records():
            if item.position in positions:
                continue
            key = self._key_of(item)
            seen[key] += 1
            self.repeated += seen[key] > 1
            told = "\x00".join((*key, str(seen[key])))
            positions[item.position] = int.from_bytes(hashlib.sha256(told.encode()).digest()[:8], "big") >> 5
        return _OrOffset(positions)

    def _key_of(self, item: NativeRecord | Refused) -> tuple[str, ...]:
        if isinstance(item, NativeRecord):
            values = [item.fields.get(column) for column in self._key]
            if all(isinstance(value, str) for value in values):
                return (item.kind, *(str(value).strip() for value in values))
            digest = hashlib.sha256(item.raw).hexdigest()
        else:
            digest = item.digest
        self.keyless += 1
        return ("", digest)


class _OrOffset(dict[int, int]):
    """A run of refusals that was joined, or the file as a whole, begins where no single record does."""

    def __missing__(self, offset: int) -> int:
        return offset


def content_of(taking: Taking) -> str:
    """A hash of what a taking says: where its bytes stand and when a rejection was met does not count."""
    digest = hashlib.sha256()
    for statement in taking.statements:
        data = statement.data.model_dump(mode="json", exclude_none=True, exclude={"origin": {"raw"}})
        if statement.data.TYPE == "source.rejected":
            data.pop("place", None)
            moment = ""
        else:
            moment = statement.time.isoformat()
        told = [statement.data.TYPE, moment, statement.subject, data]
        digest.update(orjson.dumps(told, option=orjson.OPT_SORT_KEYS))
    return digest.hexdigest()[:32]
