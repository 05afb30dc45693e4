"""Answers the requests of `broker-bridge declare`: what is new or changed goes into the outbox, in one transaction."""

import asyncio
import base64
import binascii
import json
from collections.abc import Mapping
from typing import Final, NamedTuple

from broker_bridge.adapters.base import Request, SourceWriter, Taking
from broker_bridge.adapters.declarations.mapping import Declared, read, statement_of
from broker_bridge.config import DeclarationsAdapter
from broker_bridge.errors import MappingError, OutboxFull
from broker_bridge.events.base import Origin, Raw

ACTION: Final = "declare"
KEPT: Final = "declared/"
"""Keys under which is kept what was declared last of each thing, aspect and date."""


class Change(NamedTuple):
    """What one declaration would do."""

    one: Declared
    what: str
    """new, changed or unchanged"""
    revision: int


def changes(found: list[Declared], kept: Mapping[str, bytes]) -> list[Change]:
    """What these declarations change of what was declared before (`kept`: by key)."""
    result = []
    for one in found:
        before = json.loads(kept.get(KEPT + one.generation, b'{"revision": 0, "content": ""}'))
        same = before["content"] == one.content
        what = "unchanged" if same else "changed" if before["revision"] else "new"
        result.append(Change(one, what, before["revision"] + (not same)))
    return result


class DeclaringAdapter:
    """One source of master data."""

    def __init__(self, config: DeclarationsAdapter) -> None:
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
            name = request.arguments["name"]
            content = base64.b64decode(request.arguments["content"], validate=True)
            found = read(name, content, request.arguments.get("valid_from") or None)
        except (MappingError, KeyError, binascii.Error) as error:
            return f"refused: {error}"
        wanted = [one for one in changes(found, await writer.states(KEPT)) if one.what != "unchanged"]
        if wanted:
            digest = await writer.archive(content)
            raw = Raw(hash=digest, size=len(content), archived=digest)
            origin = Origin(adapter=self._config.name, raw=raw)
            takings = [
                Taking(c.one.generation, 0, c.revision, (statement_of(c.one, origin),), rawname=name[-200:])
                for c in wanted
            ]
            state = {
                KEPT + c.one.generation: json.dumps(
                    {"revision": c.revision, "content": c.one.content, "told": c.one.told}
                ).encode()
                for c in wanted
            }
            await writer.take(takings, state)
            writer.count(declarations=len(wanted))
        return f"taken: {len(wanted)} of {len(found)}"
