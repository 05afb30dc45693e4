"""One content -> the outbox: takings in chunks, each in one transaction with how far the content is read.

A content that was read before gives nothing, unless the mapping's revision has risen: then its records are given
again at the new revision, and a record that gives nothing any more is retracted.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from typing import Final

from broker_bridge.adapters.base import SourceWriter, Statement, Taking
from broker_bridge.adapters.logs.adapter.companions import pinned, told
from broker_bridge.adapters.logs.adapter.ledger import (
    FILES,
    LOOSE,
    FileState,
    dump_file,
    dump_positions,
    load_file,
    load_positions,
    positions_key,
    positions_prefix,
    quoted,
    revision_of,
)
from broker_bridge.adapters.logs.adapter.reading import Reading
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.protocol.record import digest_of
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceRetracted

CHUNK: Final = 300
"""Takings that are kept together: enough to make the disk flush cheap, few enough to fit below a ceiling."""

WENT_ON: Final = "it was read before its end was written; the file went on behind it"
"""Why what hung on bytes that were still to come is taken back."""


@dataclass(slots=True)
class Step:
    """Takings and the read state that goes with them: kept together or not at all."""

    takings: list[Taking]
    state: dict[str, bytes | None]
    weight: int = 0
    """Bytes of content behind it, so that steps waiting in memory stay few."""
    halves: "Callable[[], tuple[Step, Step]] | None" = None
    """The same in two steps, where it may be too much for one transaction."""


def extends(content: bytes, known: FileState) -> bool:
    """Whether a content is one that was read before, and more behind it."""
    return 0 < known.size < len(content) and digest_of(content[: known.size]) == known.digest


class Intake:
    """Reads contents for one source."""

    def __init__(
        self,
        mapping: Compiled,
        writer: SourceWriter,
        adapter: str,
        earlier_uses: Iterable[tuple[str, ...]] = (),
    ) -> None:
        self._earlier_uses = tuple(earlier_uses)
        self._mapping = mapping
        self._writer = writer
        self._adapter = adapter

    async def file_state(self, generation: str, pending: Mapping[str, bytes | None]) -> FileState | None:
        """How far a generation has been read; None when it never was. `pending`: state that is not yet kept."""
        key = FILES + generation
        value = pending[key] if key in pending else await self._writer.state(key)
        return load_file(value) if value is not None else None

    async def settle(
        self, reading: Reading, pending: Mapping[str, bytes | None]
    ) -> tuple[Reading, FileState | None]:
        """The reading under the generation by which its content is known already, and how far it has been read.

        A mapping of another revision may have taken other values from the file's name into the generation; the
        content keeps the generation it got first, or all its events would stand twice.
        """
        known = await self.file_state(reading.generation, pending)
        if known is not None:
            return reading, known
        for uses in self._earlier_uses:
            generation = reading.generation_under(uses)
            if generation != reading.generation:
                known = await self.file_state(generation, pending)
                if known is not None:
                    return reading.with_generation(generation), known
        return reading, None

    async def overtaken(
        self, reading: Reading, pending: Mapping[str, bytes | None]
    ) -> tuple[list[Taking], dict[str, bytes | None]]:
        """What an earlier, shorter reading of the file said of bytes that were still to come, taken back.

        The retractions, and the read state that is to be kept with them. A cut line may name another board.
        """
        key = LOOSE + quoted(reading.name)
        value = pending[key] if key in pending else await self._writer.state(key)
        if value is None or value.decode() == reading.generation:
            return [], {}
        generation = value.decode()
        known = await self.file_state(generation, pending)
        if known is None or not extends(reading.content, known):
            return [], {key: None}
        before = reading.earlier(generation, known, await pinned(known, self._writer))
        retractions = [
            retraction(
                generation, taking.position, max(known.revision, taking.revision) + 1, reading.modified, self._adapter,
                reading.name, reason=WENT_ON,
            )
            for taking in before
            if before.loose(taking)
        ]  # fmt: skip
        return retractions, {key: None, FILES + generation: dump_file(replace(known, extended=True))}

    async def begin(
        self,
        reading: Reading,
        known: FileState | None,
        extra: Mapping[str, bytes | None],
        overtaken: Sequence[Taking] = (),
    ) -> "Work | None":
        """The work that a content still needs, None when it needs none. Archives the content first.

        `extra` is read state that is kept together with the last takings, `overtaken` retractions that are.
        """
        revision = self._mapping.revision
        if known is not None and known.revision == revision and not known.done and known.companions:
            # What is left of a revision is read with what its beginning was read with.
            reading = reading.with_companions(await pinned(known, self._writer))
        if known is not None and (known.revision > revision or (known.revision == revision and known.done)):
            return None
        await self._writer.archive(reading.content)
        for companion in reading.companions:
            await self._writer.archive(companion.content)
        taken, earlier = 0, set[int]()
        stale: list[str] = []
        if known is not None:
            chunks = await self._writer.states(positions_prefix(reading.generation))
            stale = [key for key in chunks if revision_of(key) < revision]
            earlier = load_positions(chunks[key] for key in stale)
            taken = known.taken if known.revision == revision else 0
        work = Work(self._mapping, self._adapter, reading, taken, earlier, stale, extra)
        work.overtaken = overtaken
        work.extended = known is not None and known.extended
        return work


class Work:
    """One pass over a content. `taken`: takings of it that are kept already and are not given again."""

    def __init__(
        self,
        mapping: Compiled,
        adapter: str,
        reading: Reading,
        taken: int,
        earlier: set[int],
        stale: Sequence[str],
        extra: Mapping[str, bytes | None],
    ) -> None:
        self._revision = mapping.revision
        self._adapter = adapter
        self._reading = reading
        self._takings: Iterator[Taking] = iter(reading)
        self._skip = taken
        self._taken = 0
        self._earlier = earlier
        self._at_last: dict[str, bytes | None] = {**dict.fromkeys(stale), **extra}
        self._hangs = False
        self.retracted = 0
        self.overtaken: Sequence[Taking] = ()
        """Retractions of what a shorter reading of the file said."""
        self.extended = False
        """A longer reading has taken back what hung on bytes still to come: it is not given again."""

    def next_step(self) -> tuple[Step, bool]:
        """The next takings with their read state, and whether they are the last. Blocks: call it in a thread."""
        for taking in islice(self._takings, self._skip):
            self._earlier.discard(taking.position)
            self._hangs |= self._reading.loose(taking)
            self._taken += 1
        self._skip = 0
        takings = list(islice(self._takings, CHUNK))
        self._earlier.difference_update(taking.position for taking in takings)
        self._hangs |= any(map(self._reading.loose, takings))
        last = len(takings) < CHUNK
        made = self._step(takings, self._taken, self._retractions() if last else [], last)
        self._taken += len(takings)
        return made, last

    def _step(self, takings: Sequence[Taking], start: int, retractions: Sequence[Taking], last: bool) -> Step:
        reading = self._reading
        state: dict[str, bytes | None] = {}
        given = [taking for taking in takings if not (self.extended and reading.loose(taking))]
        if given:
            key = positions_key(reading.generation, self._revision, start)
            state[key] = dump_positions([taking.position for taking in given])
        if last:
            state.update(self._at_last)
            if self._hangs and not self.extended:
                state[LOOSE + quoted(reading.name)] = reading.generation.encode()
        state[FILES + reading.generation] = dump_file(self._state(start + len(takings), last))

        def halves() -> tuple[Step, Step]:
            middle = len(takings) // 2
            return (
                self._step(takings[:middle], start, [], False),
                self._step(takings[middle:], start + middle, retractions, last),
            )

        return Step(
            [*given, *retractions],
            state,
            len(reading.content) if last else 0,
            halves if len(takings) > 1 else None,
        )

    def _state(self, taken: int, done: bool) -> FileState:
        reading = self._reading
        return FileState(
            self._revision,
            taken,
            done,
            reading.digest,
            reading.name,
            reading.modified.isoformat(),
            told(reading),
            len(reading.content),
            self.extended,
        )

    def _retractions(self) -> list[Taking]:
        reading = self._reading
        self.retracted = len(self._earlier) + len(self.overtaken)
        gone = [
            retraction(
                reading.generation, position, self._revision, reading.modified, self._adapter, reading.name
            )
            for position in sorted(self._earlier)
        ]
        return [*gone, *self.overtaken]


def retraction(
    generation: str,
    position: int,
    revision: int,
    time: datetime,
    adapter: str,
    name: str | None = None,
    *,
    reason: str = "",
) -> Taking:
    """The taking of a record that gives no event any more; without a reason it is the mapping's doing."""
    data = SourceRetracted(
        reason=reason or f"revision {revision} of the mapping gives no event for this record",
        origin=Origin(adapter=adapter, time_means="saved"),
    )
    return Taking(generation, position, revision, (Statement(data, time),), name)
