"""One file's bytes -> its takings: the whole way from content to events, without files, clocks or writers.

This is what the drop folder, the retry of archived bytes, previews, backfills and drives in virtual time share.
"""

import os
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs.adapter.content import generation_of, plain_name
from broker_bridge.adapters.logs.adapter.ledger import FileState
from broker_bridge.adapters.logs.adapter.sequence import Missing
from broker_bridge.adapters.logs.mapping.compiled import Compiled, compile_mapping
from broker_bridge.adapters.logs.mapping.lookup import CompanionFile, Companions
from broker_bridge.adapters.logs.mapping.mapper import Mapper
from broker_bridge.adapters.logs.mapping.takings import Document, Place
from broker_bridge.adapters.logs.mapping.times import TimeValue
from broker_bridge.adapters.logs.mapping.values import FieldError, Typed, Values
from broker_bridge.adapters.logs.protocol.readers import open_reader
from broker_bridge.adapters.logs.protocol.record import END, NEED_DATA, NativeRecord, Refused, digest_of
from broker_bridge.adapters.logs.protocol.runs import joined
from broker_bridge.errors import ConfigError
from broker_bridge.events.base import Origin, Raw
from broker_bridge.events.source import SourceGap, SourceRejected

_CHUNK: Final = 64 * 1024
_HANGING: Final = frozenset({"incomplete", "unterminated"})
_HANGING_CODES: Final = frozenset({"incomplete", "quoting"})


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
        self,
        mapping: Compiled,
        content: bytes,
        name: str,
        *,
        place: Place,
        modified: datetime,
        generation: str | None = None,
        companions: Sequence[CompanionFile] = (),
    ) -> None:
        self._mapping = mapping
        self.companions = tuple(
            file for file in companions if mapping.lookups.belongs(file.name, plain_name(name))
        )
        """The companion files that this one is read with."""
        self._place = place
        self.content = content
        self.modified = modified
        self.name = plain_name(name)
        self.digest = digest_of(content)
        """SHA-256 of the content."""
        self._name_error: FieldError | None = None
        values = self._values(modified)
        self._file_values = values
        self.generation = generation or self.generation_under(mapping.uses_of_file)
        """Names this content in event ids: the first 32 hexadecimal digits of a hash."""
        self.unterminated = mapping.file.reader.may_be_cut(content)
        """Whether the last record lacks its line end: it may be the half of one."""
        ends = self._ends_properly()
        opened = mapping.lookups.open(self.name, self.companions)
        document = Document(
            self.generation,
            name,
            self.digest,
            len(content),
            values,
            modified,
            () if ends else ("incomplete",),
            opened.hashes,
        )
        self.waits_for = tuple(self._lacking(document, opened))
        """Companions that are missing, cannot be read, or are older than what is looked up in them."""
        self.complete = ends and not self.waits_for
        """Whether the content ends as the mapping says a complete file does, and everything it needs is there; if not,
        its events say so."""
        self._mapper = Mapper(mapping, place, document, opened)

    @property
    def number(self) -> int | None:
        """The number by which the machine counts its files, where the mapping knows it."""
        rule = self._mapping.file.file
        value = (
            self._file_values.get(rule.sequence) if rule is not None and rule.sequence is not None else None
        )
        return value if isinstance(value, int) else None

    @property
    def counters(self) -> dict[str, int]:
        """What the records became; module mapper names the keys."""
        return self._mapper.counters

    def loose(self, taking: Taking) -> bool:
        """Whether what a taking says hangs on bytes that may still come: a longer reading of the file takes it back."""
        for statement in taking.statements:
            data = statement.data
            if _HANGING.intersection(data.origin.flags):
                return True
            raw = data.origin.raw
            if (
                isinstance(data, SourceRejected)
                and raw is not None
                and (self.unterminated or not self.complete)
            ):
                end = (raw.offset or 0) + raw.size
                if end >= len(self.content) or data.code in _HANGING_CODES:
                    return True
        return False

    def generation_under(self, uses: Iterable[str]) -> str:
        """The generation of this content for a mapping that takes these values from the file's name and time."""
        return generation_of(self.digest, self.told(uses))

    def told(self, uses: Iterable[str]) -> dict[str, str]:
        """These values of the file's name and time, as texts."""
        values = self._file_values
        return {key: _told(values[key]) for key in uses if key in values}

    def with_generation(self, generation: str) -> "Reading":
        """The same content under the generation which an earlier mapping gave it."""
        return Reading(
            self._mapping,
            self.content,
            self.name,
            place=self._place,
            modified=self.modified,
            generation=generation,
            companions=self.companions,
        )

    def earlier(self, generation: str, known: FileState, companions: Sequence[CompanionFile]) -> "Reading":
        """The beginning of the content as it was read when the file was that short."""
        return Reading(
            self._mapping,
            self.content[: known.size],
            self.name,
            place=self._place,
            modified=known.modified_time,
            generation=generation,
            companions=companions,
        )

    def with_companions(self, companions: Sequence[CompanionFile]) -> "Reading":
        """The same content with the companions it was read with before."""
        return Reading(
            self._mapping,
            self.content,
            self.name,
            place=self._place,
            modified=self.modified,
            generation=self.generation,
            companions=companions,
        )

    def _lacking(self, document: Document, opened: Companions) -> list[str]:
        # Known only when every look-up has been tried: such files are mapped twice.
        if self._mapping.lookups and self._name_error is None:
            trial = Mapper(self._mapping, self._place, document, opened)
            for item in joined(self.records()):
                for _ in trial.add(item):
                    pass
            for _ in trial.end():
                pass
        return sorted(opened.lacking)

    def _values(self, modified: datetime) -> Values:
        try:
            values = self._mapping.read_name(self.name)
        except FieldError as error:
            # Its traceback holds this call, and so the content.
            self._name_error = error.with_traceback(None)
            values = {"name": self.name}
        utc = modified.astimezone(UTC)
        values["modified"] = TimeValue(utc, utc.isoformat(), "saved", "UTC", "stated", ())
        return values

    def _ends_properly(self) -> bool:
        # Known only behind the last record, and wanted before the first event: such files are read twice.
        self._ended_properly = True
        if self._mapping.file.reader.ends:
            for _ in self.records():
                pass
        return self._ended_properly

    def __iter__(self) -> Iterator[Taking]:
        if self._name_error is not None:
            yield self._mapper.reject_document(self._name_error, self.content)
            return
        for item in joined(self.records()):
            yield from self._mapper.add(item)
        yield from self._mapper.end()

    def records(self) -> Iterator[NativeRecord | Refused]:
        """The native records and refusals of the content, in order."""
        reader = open_reader(self._mapping.file.reader)
        view = memoryview(self.content)
        for at in range(0, len(view), _CHUNK):
            reader.receive_data(bytes(view[at : at + _CHUNK]))
            while isinstance(item := reader.next_record(), (NativeRecord, Refused)):
                yield item
            assert item is NEED_DATA
        reader.receive_data(b"")
        while isinstance(item := reader.next_record(), (NativeRecord, Refused)):
            if self.unterminated and item.end == len(view) and isinstance(item, NativeRecord):
                item.flags = tuple(sorted({*item.flags, "unterminated"}))
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
    generation: str | None = None,
    companions: Sequence[CompanionFile] = (),
) -> Reading:
    """One file's decompressed content as takings, in the order in which they are complete.

    `name` is the file's name without folder; `modified` its time of last change, which counts only where the
    mapping uses it; `generation` is stated only where an earlier reading has fixed it; of `companions` those are taken
    that belong to this file. Never raises for what the content holds: what cannot be mapped is a SourceRejected taking.
    """
    place = Place(adapter, station, equipment, lane)
    return Reading(
        mapping, content, name, place=place, modified=modified, generation=generation, companions=companions
    )


def unread(
    mapping: Compiled,
    digest: str,
    size: int,
    name: str,
    reason: str,
    *,
    adapter: str,
    modified: datetime,
    station: str | None = None,
    archived: bool,
) -> Taking:
    """The one taking of a file whose content cannot be had at all; `digest` is that of its bytes as they lie there."""
    raw = Raw(hash=digest, size=size, archived=digest if archived else None)
    data = SourceRejected(
        station=station,
        reason=f"the file cannot be read: {reason}",
        place="whole file",
        code="unreadable",
        origin=Origin(adapter=adapter, raw=raw, time_means="saved"),
    )
    return Taking(f"unread-{digest[:32]}", 0, mapping.revision, (Statement(data, modified),), name)


def misnamed(
    mapping: Compiled, generation: str, head: bytes, name: str, reason: str, place: Place, modified: datetime
) -> Taking:
    """The one taking of a log whose name is not as the mapping states; `head` are its first bytes."""
    data = SourceRejected(
        station=place.station,
        equipment=place.equipment,
        lane=place.lane,
        reason=reason,
        place="file name",
        value=name[:256],
        code="file_name",
        origin=Origin(
            adapter=place.adapter,
            raw=Raw(hash=digest_of(head), size=len(head), offset=0, line=1),
            time_means="saved",
        ),
    )
    return Taking(generation, 0, mapping.revision, (Statement(data, modified),), name)


def missing_files(mapping: Compiled, missing: Missing, *, adapter: str, station: str | None = None) -> Taking:
    """The gap of files which the machine has counted and nobody has seen."""
    told = str(missing.first) if missing.first == missing.last else f"{missing.first} to {missing.last}"
    after = datetime.fromisoformat(missing.after)
    data = SourceGap(
        station=station,
        cause="file_missing",
        start=datetime.fromisoformat(missing.before) if missing.before else None,
        end=after,
        detail=f"files number {told} never came",
        origin=Origin(adapter=adapter, time_means="saved"),
    )
    generation = f"missing-{missing.shown_by[:32]}"
    return Taking(generation, missing.first, mapping.revision, (Statement(data, after),))


def shown(name: str) -> str:
    """A file name as text: bytes that are none are written as escapes."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def _told(value: Typed) -> str:
    return value.utc.isoformat() if isinstance(value, TimeValue) else str(value)
