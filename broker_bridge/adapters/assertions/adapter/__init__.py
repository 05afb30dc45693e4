"""Answers the requests of `broker-bridge assert` by taking what they say into the outbox."""

import asyncio
from typing import Final

from broker_bridge.adapters.assertions.mapping import ACTION, taking
from broker_bridge.adapters.base import Request, SourceWriter
from broker_bridge.config import AssertionsAdapter
from broker_bridge.errors import MappingError, OutboxFull

_TAKEN: Final = "taken/"
"""Keys of requests that are in the outbox: one that is offered again after a crash is only answered."""


class PersonsAdapter:
    """One source of persons' statements."""

    def __init__(self, config: AssertionsAdapter) -> None:
        self._config = config

    async def run(self, writer: SourceWriter) -> None:
        """See Adapter."""
        writer.report("idle")
        while True:
            for request in await writer.requests():
                try:
                    outcome = await self._answer(request, writer)
                except OutboxFull as error:
                    writer.report("waiting", str(error))
                    continue
                await writer.answer(request, outcome)
                writer.report("idle")
            await asyncio.sleep(self._config.poll_s)

    async def _answer(self, request: Request, writer: SourceWriter) -> str:
        if request.action != ACTION:
            return f"refused: {request.action!r} is nothing this source can do; it knows {ACTION}"
        try:
            one = taking(request.arguments, self._config.name)
        except MappingError as error:
            return f"refused: {error}"
        key = _TAKEN + one.generation
        if await writer.state(key) is None:
            await writer.take([one], {key: b"1"})
            writer.count(assertions=1)
        return f"taken: {one.generation}.{one.position}.0.{one.revision}"
