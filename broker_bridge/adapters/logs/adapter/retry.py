"""Requests of people: read archived contents again with the mapping as it is now."""

import asyncio

from broker_bridge.adapters.base import Request, SourceWriter
from broker_bridge.adapters.logs.adapter.batch import Batch, Sleep
from broker_bridge.adapters.logs.adapter.intake import Intake
from broker_bridge.adapters.logs.adapter.ledger import FILES, FileState, load_file
from broker_bridge.adapters.logs.adapter.reading import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.config import FilesAdapter


async def answer_requests(
    writer: SourceWriter, mapping: Compiled, config: FilesAdapter, sleep: Sleep = asyncio.sleep
) -> None:
    """Do what unanswered requests ask for, and answer them. Done twice it changes nothing."""
    for request in await writer.requests():
        await writer.answer(request, await _answer(request, writer, mapping, config, sleep))


async def _answer(
    request: Request, writer: SourceWriter, mapping: Compiled, config: FilesAdapter, sleep: Sleep
) -> str:
    if request.action != "retry":
        return f"refused: {request.action!r} is nothing this source can do; it knows retry"
    wanted = request.arguments.get("generation")
    if wanted is None and "all" not in request.arguments:
        return "refused: retry needs generation=... or all"
    if wanted is not None:
        value = await writer.state(FILES + wanted)
        if value is None:
            return f"refused: nothing of generation {wanted} was read here"
        files = {wanted: load_file(value)}
    else:
        kept = await writer.states(FILES)
        files = {key.removeprefix(FILES): load_file(value) for key, value in kept.items()}
    files = {key: state for key, state in files.items() if state.digest}
    revision = mapping.revision
    stale = {
        key: state
        for key, state in files.items()
        if state.revision < revision or (state.revision == revision and not state.done)
    }
    if not files:
        return "refused: no file was read here that is kept in the archive"
    if not stale:
        return (
            f"refused: {len(files)} files were read with revision {revision} of the mapping already; mend the mapping,"
            f" raise its revision to {revision + 1}, and start the source again"
        )
    return await _read_again(stale, writer, mapping, config, sleep)


async def _read_again(
    files: dict[str, FileState], writer: SourceWriter, mapping: Compiled, config: FilesAdapter, sleep: Sleep
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
    told = [f"{read} files read again with revision {mapping.revision}"]
    told.append(f"{rejected} records still rejected" if rejected else "no record rejected")
    if retracted:
        told.append(f"{retracted} records retracted")
    if missing:
        told.append(f"{missing} files are no longer in the archive")
    return ", ".join(told)
