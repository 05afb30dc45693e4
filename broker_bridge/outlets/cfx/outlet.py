"""The CFX outlet: each event as its messages, in the name of its station; heartbeats meanwhile."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from types import TracebackType
from typing import Any, Final, Self
from uuid import uuid4

from broker_bridge.adapters.cfx.adapter.reactor import login, proton
from broker_bridge.adapters.cfx.protocol.writing import Sending, span_text, unique_id, write
from broker_bridge.config import CfxOutlet
from broker_bridge.errors import OutletUnavailable
from broker_bridge.outlets.base import Outgoing, Refused
from broker_bridge.outlets.cfx.handles import handle_of
from broker_bridge.outlets.cfx.messages import messages
from broker_bridge.outlets.cfx.publisher import Answer, Publisher

log = logging.getLogger(__name__)

_GOODBYE_S: Final = 2.0


def _now() -> datetime:
    return datetime.now(UTC)


class CfxPlant:
    """One broker that takes CFX (Outlet)."""

    wants_bodies = False
    pause_s = 0.0

    def __init__(self, config: CfxOutlet, *, window: int = 200, clock: Callable[[], datetime] = _now) -> None:
        """Raises ConfigError for a login that cannot be used, UsageError where the extra is not installed."""
        proton()
        self.window = window
        self._config = config
        self._clock = clock
        self._login = login(config.broker, f"outlets.{config.name}.broker")
        self._publisher: Publisher | None = None
        self._beating: asyncio.Task[None] | None = None
        self._handles: dict[str, None] = {}
        """In whose name something was sent since the start."""
        self._announced: set[str] = set()
        """Of those, who has said EndpointConnected over this connection."""
        self._opening = asyncio.Lock()

    async def __aenter__(self) -> Self:
        if self._config.heartbeat_s:
            self._beating = asyncio.create_task(self._beat(), name=f"{self._config.name} heartbeats")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._beating is not None:
            self._beating.cancel()
            await asyncio.wait([self._beating])
        if self._publisher is not None and not self._publisher.ended:
            goodbyes = [self._own("CFX.EndpointShuttingDown", handle, {}) for handle in self._announced]
            with suppress(OutletUnavailable, TimeoutError):
                async with asyncio.timeout(_GOODBYE_S):
                    await self._publisher.publish(goodbyes)
        await self._let_go()

    async def send(self, events: Sequence[Outgoing]) -> Sequence[Refused]:
        """See Outlet."""
        lot = [(event.fact.number, sending) for event in events for sending in self._sendings(event)]
        if not lot:
            return []
        publisher = await self._open()
        fresh = [
            handle for handle in dict.fromkeys(s.reply_to for _, s in lot) if handle not in self._announced
        ]
        self._handles |= dict.fromkeys(fresh)
        try:
            if fresh:
                await publisher.publish([self._connected(handle) for handle in fresh])
                self._announced |= set(fresh)
            answers = await publisher.publish([sending for _, sending in lot])
        except OutletUnavailable:
            await self._let_go()
            raise
        return self._refused([(number, answer) for (number, _), answer in zip(lot, answers, strict=True)])

    def _refused(self, answers: Sequence[tuple[int, Answer]]) -> list[Refused]:
        refused: dict[int, Refused] = {}
        for number, answer in answers:
            if answer.outcome == "later":
                raise OutletUnavailable(f"{self._config.broker.url}: {answer.reason}")
            if answer.outcome != "taken":
                refused.setdefault(number, Refused(number, answer.outcome, answer.reason))
        return list(refused.values())

    def _sendings(self, event: Outgoing) -> list[Sending]:
        fact = event.fact
        at = datetime.fromisoformat(fact.time)
        return [
            write(
                message.name,
                message.body,
                handle=handle_of(self._config.handle, fact, message.station),
                unique_id=unique_id(f"{fact.source}\n{fact.id}\n{place}"),
                at=at,
                subject=self._config.subject,
            )
            for place, message in enumerate(messages(fact))
        ]

    async def _open(self) -> Publisher:
        async with self._opening:
            if self._publisher is not None and self._publisher.ended:
                await self._let_go()
            if self._publisher is None:
                config = self._config
                publisher = Publisher(
                    self._login, config.address, config.proof, f"broker-bridge.{config.name}", config.answer_s
                )
                await publisher.__aenter__()
                self._publisher = publisher
                log.info("outlet %s: connected to %s", config.name, config.broker.url)
            return self._publisher

    async def _let_go(self) -> None:
        self._announced.clear()
        publisher, self._publisher = self._publisher, None
        if publisher is not None:
            await publisher.__aexit__()

    # -- what we say of ourselves -------------------------------------------------------------------------

    async def _beat(self) -> None:
        """A heartbeat of every station, for as long as there is a connection; a lost one is the matter of `send`."""
        period = timedelta(seconds=self._config.heartbeat_s)
        while True:
            await asyncio.sleep(self._config.heartbeat_s)
            if not self._handles:
                continue
            try:
                publisher = await self._open()
                said = [self._connected(handle) for handle in self._handles if handle not in self._announced]
                body = {"HeartbeatFrequency": span_text(period), "ActiveFaults": None, "ActiveRecipes": None}
                said += [self._own("CFX.Heartbeat", handle, body) for handle in self._handles]
                await publisher.publish(said)
                self._announced |= set(self._handles)
            except OutletUnavailable as error:
                log.info("outlet %s: no heartbeat: %s", self._config.name, error)

    def _connected(self, handle: str) -> Sending:
        return self._own(
            "CFX.EndpointConnected", handle, {"RequestNetworkUri": None, "RequestTargetAddress": None}
        )

    def _own(self, name: str, handle: str, body: dict[str, Any]) -> Sending:
        return write(
            name, {"CFXHandle": handle, **body}, handle=handle, unique_id=str(uuid4()), at=self._clock(),
            subject=self._config.subject,
        )  # fmt: skip
