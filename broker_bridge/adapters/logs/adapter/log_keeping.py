"""Logs that grow and the outbox: what is written with which takings, and what is brought back from it."""

import asyncio
import hashlib
from collections.abc import Sequence
from typing import Final

from broker_bridge.adapters.base import SourceWriter, Taking
from broker_bridge.adapters.logs.adapter.batch import Batch, Sleep
from broker_bridge.adapters.logs.adapter.growing import Progress
from broker_bridge.adapters.logs.adapter.intake import CHUNK, Step
from broker_bridge.adapters.logs.adapter.ledger import (
    dump_positions,
    load_positions,
    positions_key,
    positions_prefix,
)
from broker_bridge.adapters.logs.adapter.live_log import LiveLog
from broker_bridge.adapters.logs.adapter.log_state import (
    LOGS,
    PIECE,
    PIECES,
    WINDOW,
    LogState,
    archived_piece,
    load_log,
    packed_piece,
    piece_key,
    pieces,
    unpacked_piece,
)
from broker_bridge.adapters.logs.adapter.stream import Stream
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.errors import StoreUnavailable

_WAIT_S: Final = 2.0


class LogKeeping:
    """Keeps the logs of one source."""

    def __init__(self, mapping: Compiled, writer: SourceWriter, batch: Batch, sleep: Sleep) -> None:
        self._revision = mapping.revision
        self._writer = writer
        self._batch = batch
        self._sleep = sleep

    async def load(self) -> dict[str, LogState]:
        """All logs that are known, by generation."""
        states = [load_log(value) for value in (await self._writer.states(LOGS)).values()]
        return {state.generation: state for state in states}

    async def resume(self, live: LiveLog) -> None:
        """Bring back the raw bytes and positions that are not complete yet."""
        state = live.state
        value = await self._writer.state(piece_key(state.generation, state.piece))
        if value is not None and value.startswith(b"r"):
            live.raw += unpacked_piece(value)
        value = await self._writer.state(positions_key(state.generation, self._revision, state.chunk))
        if value is not None:
            live.positions = sorted(load_positions([value]))
        else:
            state.chunk = state.given

    async def keep(self, live: LiveLog, takings: Sequence[Taking]) -> None:
        """Hand takings to the outbox together with everything that was read for them."""
        state = live.state
        live.took(takings)
        kept: dict[str, bytes | None] = {}
        if live.positions:
            key = positions_key(state.generation, self._revision, state.chunk)
            kept[key] = dump_positions(live.positions)
        if live.raw:
            key = piece_key(state.generation, state.piece)
            if len(live.raw) < PIECE:
                kept[key] = packed_piece(bytes(live.raw))
            else:
                kept[key] = archived_piece(await self._archive(bytes(live.raw)), len(live.raw))
                state.piece += len(live.raw)
                live.raw.clear()
                if live.positions:
                    state.chunk, live.positions = state.given, []
        kept[state.key()] = state.dump()
        parts = _parts(takings)
        for part in parts[:-1]:
            await self._batch.add(_step(part, {}))
        await self._batch.add(_step(parts[-1], kept))

    async def _archive(self, raw: bytes) -> str:
        while True:
            try:
                return await self._writer.archive(raw)
            except StoreUnavailable as error:
                self._writer.report("waiting", str(error))
                await self._sleep(_WAIT_S)

    async def pass_over(self, live: LiveLog, stream: Stream) -> None:
        """Take what is there for read: the first start shall begin at the end."""
        passed = 0
        while (piece := await asyncio.to_thread(live.advance, stream)).raw:
            passed += len(piece.raw)
            live.raw.clear()
        state = live.state
        state.piece = state.size
        self._writer.count(passed_over_bytes=passed)
        await self._batch.add(Step([], {state.key(): state.dump()}))

    async def digest(self, generation: str, size: int) -> str:
        """SHA-256 of the first `size` bytes of a log as they were read; empty where they are no longer kept."""
        await self._batch.flush()
        content, left = hashlib.sha256(), size
        async for offset, raw in pieces(self._writer, generation):
            if raw is None or offset != size - left:
                return ""
            content.update(raw[:left])
            left -= min(left, len(raw))
            if not left:
                return content.hexdigest()
        return ""

    async def forget(self, state: LogState) -> None:
        """Drop all that is known of a log."""
        keys = [state.key()]
        keys += await self._writer.states(f"{PIECES}{state.generation}/")
        keys += await self._writer.states(positions_prefix(state.generation))
        await self._batch.add(Step([], dict.fromkeys(keys)))

    @staticmethod
    def reopen(state: LogState) -> None:
        """A log that counted as finished goes on: what was given without its end is given again."""
        for position in state.loose:
            state.progress.again[position] = state.progress.again.get(position, 0) + 1
        state.loose, state.closed = [], False

    @staticmethod
    def begin_again(state: LogState) -> None:
        """Give everything again from the first byte on: the ids are the same."""
        again = state.progress.again
        state.progress = Progress(again=again)
        state.size, state.digest, state.tail = LogKeeping.proof(b"")
        state.given = state.chunk = state.piece = 0

    @staticmethod
    def proof(raw: bytes) -> tuple[int, str, str]:
        """Size, digest and tail of a log of which these bytes were read."""
        return len(raw), hashlib.sha256(raw).hexdigest(), hashlib.sha256(raw[-WINDOW:]).hexdigest()


def _parts(takings: Sequence[Taking]) -> list[Sequence[Taking]]:
    return [takings[at : at + CHUNK] for at in range(0, len(takings), CHUNK)] or [()]


def _step(takings: Sequence[Taking], state: dict[str, bytes | None]) -> Step:
    """A step in which the state goes with the last takings: without them the same takings come again."""

    def halves() -> tuple[Step, Step]:
        middle = len(takings) // 2
        return _step(takings[:middle], {}), _step(takings[middle:], state)

    return Step([*takings], state, 0, halves if len(takings) > 1 else None)
