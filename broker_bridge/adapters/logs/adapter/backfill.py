"""Old files through the same source: the ids, the archive and the read state are those of a file that was dropped.

The command that is asked to backfill puts every file's bytes into the raw archive first and then asks the running
edge by a request in the outbox, or takes them in itself where no edge runs.
"""

import asyncio
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final, NamedTuple

import orjson

from broker_bridge.adapters.base import Request, SourceWriter
from broker_bridge.adapters.logs.adapter.batch import Batch, Sleep
from broker_bridge.adapters.logs.adapter.intake import Intake, Step
from broker_bridge.adapters.logs.adapter.ledger import MAPPINGS, load_mapping_state
from broker_bridge.adapters.logs.adapter.reading import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.config import FilesAdapter
from broker_bridge.events.source import SourceRejected

ACTION: Final = "backfill"


class OldFile(NamedTuple):
    """One file to take in; its bytes lie in the raw archive."""

    digest: str
    """SHA-256 of its content, decompressed."""
    name: str
    modified: str
    """RFC 3339, whole seconds."""
    companions: tuple[tuple[str, str, str], ...] = ()
    """Name, hash and time of last change of the companion files that lay beside it."""


class Taken(NamedTuple):
    """What came of some files."""

    read: int = 0
    known: int = 0
    """Files that had been read as a whole before, by whatever way."""
    lost: int = 0
    """Files whose bytes were no longer in the archive."""
    records: int = 0
    known_records: int = 0
    rejected: int = 0
    events: int = 0

    def __add__(self, other: object) -> "Taken":
        assert isinstance(other, Taken)
        return Taken(*(one + more for one, more in zip(self, other, strict=True)))


class Backfill:
    """Takes old files in for one source. `flush` makes them safe; done twice it changes nothing."""

    def __init__(
        self, mapping: Compiled, writer: SourceWriter, config: FilesAdapter, sleep: Sleep = asyncio.sleep
    ) -> None:
        self._mapping = mapping
        self._writer = writer
        self._config = config
        self._batch = Batch(writer, sleep)
        self._intake: Intake | None = None

    async def take_in(
        self, content: bytes, name: str, modified: datetime, companions: Sequence[CompanionFile] = ()
    ) -> tuple[str, Taken]:
        """One file's events, as the drop folder would make them; returns its generation and what came of it."""
        config = self._config
        reading = await asyncio.to_thread(
            read_bytes, self._mapping, content, name, adapter=config.name, modified=modified, station=config.station,
            equipment=config.equipment, lane=config.lane, companions=companions,
        )  # fmt: skip
        intake = await self._opened()
        reading, known = await intake.settle(reading, self._batch.pending)
        if known is not None and not known.done:
            await self._batch.flush()  # what was begun goes on from what is safely kept
        overtaken, state = await intake.overtaken(reading, self._batch.pending)
        work = await intake.begin(reading, known, state, overtaken)
        if work is None:
            assert known is not None
            if state:
                await self._batch.add(Step(overtaken, state))
            return reading.generation, Taken(known=1, known_records=known.taken)
        records = rejected = events = 0
        last = False
        while not last:
            step, last = await asyncio.to_thread(work.next_step)
            for taking in step.takings:
                records += 1
                events += len(taking.statements)
                rejected += sum(isinstance(said.data, SourceRejected) for said in taking.statements)
            await self._batch.add(step)
        self._writer.count(files_read=1, rejected=rejected, retracted=work.retracted)
        begun = known.taken if known is not None and known.revision == self._mapping.revision else 0
        return reading.generation, Taken(1, 0, 0, records, begun, rejected, events)

    async def is_safe(self, generation: str) -> bool:
        """Whether everything of a file is kept."""
        state = await (await self._opened()).file_state(generation, {})
        return state is not None and state.done and state.revision >= self._mapping.revision

    async def flush(self) -> None:
        """Returns when everything taken in is safe."""
        await self._batch.flush()

    async def _opened(self) -> Intake:
        if self._intake is None:
            states = (await self._writer.states(MAPPINGS)).values()
            uses = sorted({load_mapping_state(value).uses for value in states})
            self._intake = Intake(self._mapping, self._writer, self._config.name, uses)
        return self._intake


def arguments(files: Sequence[OldFile]) -> Mapping[str, str]:
    """The arguments of a request."""
    return {"files": orjson.dumps([list(file) for file in files]).decode()}


async def answer(
    request: Request,
    writer: SourceWriter,
    mapping: Compiled,
    config: FilesAdapter,
    sleep: Sleep = asyncio.sleep,
) -> str:
    """Do what a request asks for; the answer is what came of it, as JSON."""
    backfill = Backfill(mapping, writer, config, sleep)
    taken = Taken()
    for digest, name, modified, companions in orjson.loads(request.arguments["files"]):
        content = await writer.archived(digest)
        if content is None:
            taken += Taken(lost=1)
            continue
        beside = []
        for other, hash_, changed in companions:
            held = await writer.archived(hash_)
            if held is not None:
                beside.append(CompanionFile(other, hash_, datetime.fromisoformat(changed), held))
        _, told = await backfill.take_in(content, name, datetime.fromisoformat(modified), beside)
        taken += told
    await backfill.flush()
    return orjson.dumps(taken._asdict()).decode()


def outcome_of(text: str) -> Taken | str:
    """An answer read back; a refusal stays the text it is."""
    return Taken(**orjson.loads(text)) if text.startswith("{") else text
