"""One queue for all machines of a supervisor, and the one task that writes it into the outbox.

The sockets are read whatever the outbox does: a machine must not wait for a disk of ours. So what they bring waits
here, up to a bound; beyond it messages are lost, and the machine's next item says so.
"""

import asyncio
import logging
import random
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final

from broker_bridge.adapters.base import SourceWriter, Taking
from broker_bridge.adapters.transfer.adapter.ledger import (
    AnyItem,
    Bookkeeper,
    Connected,
    Disconnected,
    Heard,
    Ledger,
    Told,
)
from broker_bridge.adapters.transfer.adapter.roster import Roster
from broker_bridge.adapters.transfer.mapping import INLINE_BYTES, REVISION
from broker_bridge.errors import OutboxFull, StoreUnavailable

log = logging.getLogger(__name__)

MAX_WAITING_BYTES: Final = 16 * 2**20
"""What waits for the outbox at most: some minutes of 64 busy machines."""

_ITEM_BYTES: Final = 2048
"""What an item weighs besides its raw bytes, roughly."""

_BATCH: Final = 200
_FIRST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 10.0

_LEDGER: Final = "machine/"
_CONNECTIONS: Final = "connections"


class Keeper:
    """Items in, takings out, in order. Make it with `open`; `run` returns only when cancelled."""

    def __init__(
        self,
        writer: SourceWriter,
        books: Mapping[str, Bookkeeper],
        ledgers: Mapping[str, Ledger],
        connections: int,
        roster: Roster,
        max_waiting_bytes: int,
    ) -> None:
        self._writer = writer
        self._books = books
        self._ledgers = dict(ledgers)
        self._connections = connections
        self._roster = roster
        self._max_waiting_bytes = max_waiting_bytes
        self._waiting: deque[tuple[AnyItem, asyncio.Event]] = deque()
        self._waiting_bytes = 0
        self._arrived = asyncio.Event()

    @classmethod
    async def open(
        cls,
        writer: SourceWriter,
        books: Mapping[str, Bookkeeper],
        roster: Roster,
        *,
        max_waiting_bytes: int = MAX_WAITING_BYTES,
    ) -> "Keeper":
        """Begin with what is kept of the machines; `books` by station. Raises StoreUnavailable."""
        ledgers = {station: Ledger.load(await writer.state(_LEDGER + station)) for station in books}
        connections = int(await writer.state(_CONNECTIONS) or b"0")
        return cls(writer, books, ledgers, connections, roster, max_waiting_bytes)

    def ledger(self, station: str) -> Ledger:
        """What is kept of a machine."""
        return self._ledgers[station]

    def generation(self, at: datetime) -> str:
        """The name of a new connection: its number, and its time in case the outbox with the numbers is lost."""
        self._connections += 1
        return f"{self._connections}-{at:%Y%m%dT%H%M%SZ}"

    def offer(self, item: Told | Heard) -> bool:
        """Keep this when it is its turn. False: too much is waiting, it is lost."""
        if self._waiting_bytes + _weight(item) > self._max_waiting_bytes:
            self._roster.trouble("messages are lost: the outbox takes them too slowly")
            return False
        self._append(item)
        return True

    def put(self, item: Connected | Disconnected) -> asyncio.Event:
        """Keep this in any case; the result is set once it is kept.

        A machine has to wait for that before it connects again, which bounds what lies here.
        """
        return self._append(item)

    async def run(self) -> None:
        """Keep what comes, for ever."""
        while True:
            await self._arrived.wait()
            batch = [self._waiting[place] for place in range(min(len(self._waiting), _BATCH))]
            room = await self._keep([item for item, _ in batch])
            for item, kept in batch:
                self._waiting.popleft()
                self._waiting_bytes -= _weight(item)
                kept.set()
            if not self._waiting:
                self._arrived.clear()
                if room:
                    self._roster.trouble("")

    def _append(self, item: AnyItem) -> asyncio.Event:
        kept = asyncio.Event()
        self._waiting.append((item, kept))
        self._waiting_bytes += _weight(item)
        self._arrived.set()
        return kept

    async def _keep(self, items: Sequence[AnyItem]) -> bool:
        """Write them, however long it takes; says whether there was room for messages."""
        wait = _FIRST_WAIT_S
        while True:
            try:
                return await self._write(items)
            except StoreUnavailable as error:
                log.warning("%s: %s; trying again in %.1f s", self._writer.source, error, wait)
                self._roster.trouble(f"the outbox cannot be written: {error}")
            await asyncio.sleep(wait * random.uniform(0.5, 1.0))
            wait = min(wait * 2, _LONGEST_WAIT_S)

    async def _write(self, items: Sequence[AnyItem]) -> bool:
        for item in items:
            if isinstance(item, Told) and len(item.raw) > INLINE_BYTES:
                await self._writer.archive(item.raw)
        try:
            await self._take(items, room=True)
            return True
        except OutboxFull as error:
            await self._take(items, room=False)
            self._writer.count(messages_lost=sum(isinstance(item, Told) for item in items))
            self._roster.trouble(f"messages are lost: {error}")
            return False

    async def _take(self, items: Sequence[AnyItem], *, room: bool) -> None:
        ledgers: dict[str, Ledger] = {}
        takings: list[Taking] = []
        for item in items:
            ledger = ledgers.get(item.station, self._ledgers[item.station])
            ledgers[item.station], taken = self._books[item.station].settle(
                ledger, item, room=room, revision=REVISION
            )
            takings += taken
        state = {_LEDGER + station: ledger.dump() for station, ledger in ledgers.items()}
        # The number goes with every taking, so that no connection's events are kept and its number is not.
        state[_CONNECTIONS] = str(self._connections).encode("ascii")
        await self._writer.take(takings, state, reserved=not room)
        self._ledgers.update(ledgers)
        kinds = Counter(statement.data.TYPE for taking in takings for statement in taking.statements)
        self._writer.count(**{kind.replace(".", "_"): times for kind, times in kinds.items()})


def _weight(item: AnyItem) -> int:
    return _ITEM_BYTES + (len(item.raw) if isinstance(item, Told) else 0)
