"""Logs that grow: what was read of them is read again, from their kept raw bytes, with the mapping as it is now."""

import asyncio
from collections.abc import Mapping

from broker_bridge.adapters.base import SourceWriter, Taking
from broker_bridge.adapters.logs.adapter import requests
from broker_bridge.adapters.logs.adapter.batch import Batch
from broker_bridge.adapters.logs.adapter.growing import GrowingLog, Progress
from broker_bridge.adapters.logs.adapter.intake import Step, retraction
from broker_bridge.adapters.logs.adapter.ledger import (
    dump_positions,
    load_positions,
    positions_key,
    positions_prefix,
    revision_of,
)
from broker_bridge.adapters.logs.adapter.log_state import LogState, pieces
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.takings import Place


async def answer_requests(
    writer: SourceWriter, mapping: Compiled, place: Place, batch: Batch, logs: Mapping[str, LogState]
) -> None:
    """Do what unanswered requests ask for, and answer them. `logs` are changed as they are read again."""

    async def find(generation: str | None) -> Mapping[str, LogState]:
        if generation is None:
            return logs
        return {generation: logs[generation]} if generation in logs else {}

    def is_stale(state: LogState) -> bool:
        return state.revision < mapping.revision

    async def again(stale: Mapping[str, LogState]) -> str:
        read = rejected = retracted = missing = 0
        for state in stale.values():
            outcome = await _read_again(state, writer, mapping, place, batch)
            if outcome is None:
                missing += 1
                continue
            read += 1
            rejected += outcome[0]
            retracted += outcome[1]
        writer.count(retried_files=read, rejected=rejected, retracted=retracted)
        return requests.told(mapping.revision, read, rejected, retracted, missing)

    await requests.answer_requests(writer, mapping.revision, find, is_stale, again)


async def _read_again(
    state: LogState, writer: SourceWriter, mapping: Compiled, place: Place, batch: Batch
) -> tuple[int, int] | None:
    """Rejections and retractions of one log; None where its raw bytes are no longer kept."""
    await batch.flush()
    generation, revision = state.generation, mapping.revision
    chunks = await writer.states(positions_prefix(generation))
    earlier = load_positions(value for key, value in chunks.items() if revision_of(key) < revision)
    log = GrowingLog(
        mapping, place, state.name, generation=generation, modified=state.modified_time,
        progress=Progress(again=dict(state.progress.again)),
    )  # fmt: skip
    given: list[int] = []

    async def give(takings: list[Taking]) -> None:
        given.extend(taking.position for taking in takings)
        await batch.add(Step(takings, {}))

    async for offset, raw in pieces(writer, generation):
        if raw is None or offset != log.fed:
            return None
        await give(await asyncio.to_thread(log.feed, raw))
    if state.closed:
        await give(await asyncio.to_thread(log.close))
    gone = sorted(earlier.difference(given))
    retractions = [
        retraction(
            generation,
            position,
            revision + state.progress.again.get(position, 0),
            state.modified_time,
            place.adapter,
        )
        for position in gone
    ]
    # Its group may still be open; then what is read next gives it, at this revision.
    state.revision = revision
    stale: dict[str, bytes | None] = {key: None for key in chunks if revision_of(key) < revision}
    kept = {positions_key(generation, revision, 0): dump_positions(sorted(given))} if given else {}
    await batch.add(Step(retractions, {**stale, **kept, state.key(): state.dump()}))
    await batch.flush()
    return log.rejected, len(retractions)
