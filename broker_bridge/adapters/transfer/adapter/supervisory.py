"""The supervisory system: all machines of one adapter, each with its own task that never gives up."""

import asyncio
import logging
import random
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final

from broker_bridge.adapters.base import SourceWriter
from broker_bridge.adapters.transfer.adapter.asking import Service
from broker_bridge.adapters.transfer.adapter.keeper import MAX_WAITING_BYTES, Keeper
from broker_bridge.adapters.transfer.adapter.ledger import Bookkeeper, Disconnected
from broker_bridge.adapters.transfer.adapter.roster import Roster
from broker_bridge.adapters.transfer.adapter.session import Session, Surroundings, description
from broker_bridge.adapters.transfer.mapping import Mapper
from broker_bridge.adapters.transfer.protocol import Role, VerticalConnection
from broker_bridge.config import TransferAdapter
from broker_bridge.errors import ConfigError, LocalProtocolError, StoreUnavailable

log = logging.getLogger(__name__)

_REQUESTS_S: Final = 10.0
_STORE_S: Final = 5.0


def _now() -> datetime:
    return datetime.now(UTC)


class SupervisorAdapter:
    """Hears the boards of any number of machines (Adapter). It asks for nothing that changes one, and answers only those
    whose questions a person switched on to be answered.

    What every machine tells reaches the outbox once; whatever may not have is in a stated gap of its station.
    """

    def __init__(
        self,
        config: TransferAdapter,
        *,
        clock: Callable[[], datetime] = _now,
        max_waiting_bytes: int = MAX_WAITING_BYTES,
    ) -> None:
        """Raises ConfigError when the standard does not allow what we are to say about ourselves, or the service that
        knows the answers cannot be asked."""
        self._config = config
        self._clock = clock
        self._max_waiting_bytes = max_waiting_bytes
        answering = any(machine.answered_by_order_of for machine in config.machines)
        self._service = Service(config) if answering else None
        try:
            for machine in config.machines:
                VerticalConnection(Role.SUPERVISOR).send(description(config, machine), clock())
        except LocalProtocolError as error:
            raise ConfigError(
                f"adapter {config.name!r}: {error}; correct system_id, version or announce"
            ) from error

    async def run(self, writer: SourceWriter) -> None:
        """Hear the machines until cancelled."""
        machines = self._config.machines
        roster = Roster(writer.report, [machine.station for machine in machines])
        keeper = await self._keeper(writer, roster)
        async with asyncio.TaskGroup() as group:
            group.create_task(keeper.run(), name=f"{self._config.name} keeper")
            group.create_task(_answer_requests(writer), name=f"{self._config.name} requests")
            for machine in machines:
                around = Surroundings(
                    self._config,
                    machine,
                    Mapper(self._config, machine),
                    keeper,
                    roster,
                    writer.count,
                    self._clock,
                    self._service if machine.answered_by_order_of else None,
                )
                group.create_task(self._stay_connected(around), name=f"{self._config.name} {machine.station}")

    async def _keeper(self, writer: SourceWriter, roster: Roster) -> Keeper:
        books = {machine.station: Bookkeeper(self._config, machine) for machine in self._config.machines}
        while True:
            try:
                keeper = await Keeper.open(writer, books, roster, max_waiting_bytes=self._max_waiting_bytes)
            except StoreUnavailable as error:
                roster.trouble(f"the outbox cannot be read: {error}")
                await asyncio.sleep(_STORE_S)
            else:
                roster.trouble("")
                return keeper

    async def _stay_connected(self, around: Surroundings) -> None:
        self._state_absence(around)
        loop = asyncio.get_running_loop()
        longest = self._config.reconnect_longest_s
        wait = self._config.reconnect_first_s
        while True:
            began = loop.time()
            why = await Session(around).run()
            around.roster.away(around.machine.station, why, self._clock())
            if loop.time() - began > longest:
                wait = self._config.reconnect_first_s
            await asyncio.sleep(wait * random.uniform(0.5, 1.0))
            wait = min(wait * 2, longest)

    def _state_absence(self, around: Surroundings) -> None:
        """At the start: what the machine said while we were not there is lost, unless it was never heard at all."""
        station, now = around.machine.station, self._clock()
        ledger = around.keeper.ledger(station)
        if ledger.heard is not None and ledger.hole is None:
            around.keeper.put(
                Disconnected(
                    station=station,
                    generation=around.keeper.generation(now),
                    position=0,
                    at=now,
                    detail="the bridge itself was away",
                )
            )


async def _answer_requests(writer: SourceWriter) -> None:
    while True:
        try:
            for request in await writer.requests():
                await writer.answer(
                    request,
                    f"refused: {request.action} is not possible, machines on this channel say nothing twice",
                )
        except StoreUnavailable as error:
            log.warning("%s: %s", writer.source, error)
        await asyncio.sleep(_REQUESTS_S)
