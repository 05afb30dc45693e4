"""Drop folders: archived contents are read again with the mapping as it is now."""

import asyncio
from collections.abc import Mapping

from broker_bridge.adapters.base import Request, SourceWriter
from broker_bridge.adapters.logs.adapter import backfill, requests
from broker_bridge.adapters.logs.adapter.batch import Batch, Sleep
from broker_bridge.adapters.logs.adapter.companions import pinned
from broker_bridge.adapters.logs.adapter.intake import Intake
from broker_bridge.adapters.logs.adapter.ledger import FILES, FileState, load_file
from broker_bridge.adapters.logs.adapter.reading import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.config import FilesAdapter


async def answer_requests(
    writer: SourceWriter, mapping: Compiled, config: FilesAdapter, sleep: Sleep = asyncio.sleep
) -> None:
    """Do what unanswered requests ask for, and answer them. Done twice it changes nothing."""
    revision = mapping.revision

    async def find(generation: str | None) -> Mapping[str, FileState]:
        if generation is None:
            kept = await writer.states(FILES)
        else:
            value = await writer.state(FILES + generation)
            kept = {} if value is None else {FILES + generation: value}
        files = {key.removeprefix(FILES): load_file(value) for key, value in kept.items()}
        return {key: state for key, state in files.items() if state.digest}

    def is_stale(state: FileState) -> bool:
        return state.revision < revision or (state.revision == revision and not state.done)

    async def again(files: Mapping[str, FileState]) -> str:
        return await _read_again(files, writer, mapping, config, sleep)

    async def fill(request: Request) -> str:
        return await backfill.answer(request, writer, mapping, config, sleep)

    await requests.answer_requests(writer, revision, find, is_stale, again, {backfill.ACTION: fill})


async def _read_again(
    files: Mapping[str, FileState],
    writer: SourceWriter,
    mapping: Compiled,
    config: FilesAdapter,
    sleep: Sleep,
) -> str:
    intake, batch = Intake(mapping, writer, config.name), Batch(writer, sleep)
    read = rejected = retracted = missing = 0
    for generation, state in files.items():
        content = await writer.archived(state.digest)
        if content is None:
            missing += 1
            continue
        reading = await asyncio.to_thread(
            read_bytes, mapping, content, state.name, adapter=config.name, modified=state.modified_time,
            station=config.station, equipment=config.equipment, lane=config.lane, generation=generation,
            companions=await pinned(state, writer),
        )  # fmt: skip
        work = await intake.begin(reading, state, {})
        if work is None:
            continue
        last = False
        while not last:
            step, last = await asyncio.to_thread(work.next_step)
            await batch.add(step)
        read += 1
        rejected += reading.counters.get("rejected", 0)
        retracted += work.retracted
    await batch.flush()
    writer.count(retried_files=read, rejected=rejected, retracted=retracted)
    return requests.told(mapping.revision, read, rejected, retracted, missing)
