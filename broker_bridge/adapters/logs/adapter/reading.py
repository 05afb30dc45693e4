"""One file's bytes -> its takings: the whole way from content to events, without files, clocks or writers.

This is what the drop folder, the retry of archived bytes, previews, backfills and drives in virtual time share.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.content import generation_of, plain_name
from broker_bridge.adapters.logs.mapping.compiled import Compiled, compile_mapping
from broker_bridge.adapters.logs.mapping.mapper import Document, Mapper, Place
from broker_bridge.adapters.logs.mapping.times import TimeValue
from broker_bridge.adapters.logs.mapping.values import FieldError, Typed, Values
from broker_bridge.adapters.logs.protocol.readers import can_be_incomplete, open_reader
from broker_bridge.adapters.logs.protocol.record import END, NEED_DATA, NativeRecord, Refused, digest_of
from broker_bridge.errors import ConfigError

_CHUNK: Final = 64 * 1024


def load_mapping(path: Path) -> Compiled:
    """Read, check and compile a mapping file. Raises ConfigError naming file, line, key and value."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: is not UTF-8 text (byte {error.start})") from None
    return compile_mapping(text, str(path))


class Reading:
    """One pass over one file's content. Iterate over it once; then look at the counters."""

    def __init__(
        self, mapping: Compiled, content: bytes, name: str, *, place: Place, modified: datetime
    ) -> None:
        self._mapping = mapping
        self._content = content
        self.name = plain_name(name)
        self.digest = digest_of(content)
        """SHA-256 of the content."""
        self._name_error: FieldError | None = None
        values = self._values(modified)
        used = {key: _told(values[key]) for key in mapping.uses_of_file if key in values}
        self.generation = generation_of(self.digest, used)
        """Names this content in event ids: the first 32 hexadecimal digits of a hash."""
        self.complete = self._ends_properly()
        """Whether the content ends as the mapping says a complete file does; if not, its events say so."""
        flags = () if self.complete else ("incomplete",)
        document = Document(self.generation, name, self.digest, len(content), values, modified, flags)
        self._mapper = Mapper(mapping, place, document)

    @property
    def counters(self) -> dict[str, int]:
        """What the records became; module mapper names the keys."""
        return self._mapper.counters

    def _values(self, modified: datetime) -> Values:
        try:
            values = self._mapping.read_name(self.name)
        except FieldError as error:
            self._name_error = error
            values = {"name": self.name}
        utc = modified.astimezone(UTC)
        values["modified"] = TimeValue(utc, utc.isoformat(), "saved", "UTC", "stated", ())
        return values

    def _ends_properly(self) -> bool:
        # Known only behind the last record, and wanted before the first event: such files are read twice.
        self._ended_properly = True
        if can_be_incomplete(self._mapping.file.reader):
            for _ in self.records():
                pass
        return self._ended_properly

    def __iter__(self) -> Iterator[Taking]:
        if self._name_error is not None:
            yield self._mapper.reject_document(self._name_error, self._content)
            return
        for item in self.records():
            if isinstance(item, (NativeRecord, Refused)):
                yield from self._mapper.add(item)
        yield from self._mapper.end()

    def records(self) -> Iterator[NativeRecord | Refused]:
        """The native records and refusals of the content, in order."""
        reader = open_reader(self._mapping.file.reader)
        view = memoryview(self._content)
        for at in range(0, len(view), _CHUNK):
            reader.receive_data(bytes(view[at : at + _CHUNK]))
            while isinstance(item := reader.next_record(), (NativeRecord, Refused)):
                yield item
            assert item is NEED_DATA
        reader.receive_data(b"")
        while isinstance(item := reader.next_record(), (NativeRecord, Refused)):
            yield item
        assert item is END
        self._ended_properly = reader.complete


def read_bytes(
    mapping: Compiled,
    content: bytes,
    name: str,
    *,
    adapter: str,
    modified: datetime,
    station: str | None = None,
    equipment: str | None = None,
    lane: int | None = None,
) -> Reading:
    """One file's decompressed content as takings, in the order in which they are complete.

    `name` is the file's name without folder; `modified` its time of last change, which counts only where the
    mapping uses it. Never raises for what the content holds: what cannot be mapped is a SourceRejected taking.
    """
    return Reading(mapping, content, name, place=Place(adapter, station, equipment, lane), modified=modified)


def _told(value: Typed) -> str:
    return value.utc.isoformat() if isinstance(value, TimeValue) else str(value)
