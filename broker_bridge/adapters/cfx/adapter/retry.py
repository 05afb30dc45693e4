"""Requests of people: rejected messages are read again, with program and configuration as they are now."""

import asyncio
from collections.abc import Callable, Sequence
from typing import Final

from broker_bridge.adapters.base import Request, SourceWriter
from broker_bridge.adapters.cfx.adapter.ledger import Ledger
from broker_bridge.adapters.cfx.adapter.remembered import REJECTED
from broker_bridge.adapters.cfx.mapping import Mapper
from broker_bridge.adapters.cfx.protocol.envelope import Broken, Envelope
from broker_bridge.errors import StoreError, StoreUnavailable

_BATCH: Final = 200
_BATCH_BYTES: Final = 8 * 2**20

Read = Callable[[bytes, str | None], Sequence[Envelope | Broken]]
"""Bytes and their content-encoding to messages."""


async def answer(request: Request, writer: SourceWriter, ledger: Ledger, mapper: Mapper, read: Read) -> str:
    """Do what a request asks for; the answer in words. Done twice it changes nothing.

    Nothing else may change the ledger meanwhile. Raises OutboxFull and StoreUnavailable: what was told by then stays told,
    the request has to be answered later.
    """
    if request.action != "retry":
        return f"refused: {request.action!r} is nothing this source can do; it knows retry"
    wanted = request.arguments.get("generation")
    if wanted is None and "all" not in request.arguments:
        return "refused: retry needs generation=... or all"
    keys = [key for key in ledger.rejected if wanted is None or key == REJECTED + wanted]
    if not keys:
        return (
            "refused: no rejected message is kept here"
            if wanted is None
            else f"refused: no rejected message {wanted} is kept here: it was mended already, another message came under"
            " its UniqueID (the record shows both), or it was rejected by an outbox that is gone"
        )
    told, still, missing, anew = 0, list[str](), 0, 0
    while keys:
        draft = ledger.draft(mapper)
        size = 0
        for key in keys[:_BATCH]:
            keys = keys[1:]
            one = ledger.rejected.get(key)
            try:
                raw = None if one is None else await writer.archived(one.digest)
            except StoreUnavailable:
                raise
            except StoreError as error:
                still.append(str(error))
                continue
            if one is None or raw is None:
                missing += 1
                continue
            why = draft.retry(key, one, raw, await asyncio.to_thread(read, raw, one.encoding))
            if why is None:
                told += 1
            else:
                still.append(why)
            size += len(raw)
            if size > _BATCH_BYTES:
                break
        for raw in draft.archive.values():
            await writer.archive(raw)
        state = draft.state()
        if draft.takings or state:
            await writer.take(draft.takings, state)
        draft.apply()
        anew += draft.counts["source_rejected"]
        writer.count(retried_messages=len(draft.takings), **draft.counts)
    return _told(told, still, missing, anew)


def _told(told: int, still: Sequence[str], missing: int, anew: int) -> str:
    words = [f"read again: {_messages(told)} told now" if told else "refused: nothing more can be told"]
    if anew:
        words.append(f"{_messages(anew)} found in them rejected for a reason of their own")
    if still:
        words.append(f"{_messages(len(still))} still rejected, the first because {still[0]}")
    if missing:
        words.append(f"{_messages(missing)} no longer in the archive")
    if still and not told:
        words.append(
            "mend the configuration or bring the program up to date, start the edge again and ask again"
        )
    return "; ".join(words)


def _messages(number: int) -> str:
    return "1 message" if number == 1 else f"{number} messages"
