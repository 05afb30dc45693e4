"""What a supervisor hears on the vertical channel of IPC-HERMES-9852, without a socket or a clock: pure.

The rules are those of the adapter: its protocol core, mapping and ledger. Signs of life are answered at once here, so
what they prove follows from the time alone.
"""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from itertools import count

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.transfer.adapter.answers import described
from broker_bridge.adapters.transfer.adapter.ledger import (
    AnyItem,
    Bookkeeper,
    Connected,
    Disconnected,
    Heard,
    Ledger,
    Told,
)
from broker_bridge.adapters.transfer.adapter.session import description
from broker_bridge.adapters.transfer.mapping import REVISION, Mapper
from broker_bridge.adapters.transfer.protocol import (
    Pending,
    Received,
    Role,
    SupervisoryServiceDescription,
    VerticalConnection,
)
from broker_bridge.config import TransferAdapter, TransferMachine
from broker_bridge.errors import RemoteProtocolError


class Wire:
    """One machine: its connections, one after the other. `generation` names a new one, as the adapter does."""

    def __init__(
        self, config: TransferAdapter, machine: TransferMachine, generation: Callable[[datetime], str]
    ) -> None:
        self._config, self._machine = config, machine
        self._station = machine.station
        self._name = f"{machine.host}:{machine.port}"
        self._mapper = Mapper(config, machine)
        self._book = Bookkeeper(config, machine)
        self._ledger = Ledger()
        self._new_generation = generation
        self._core: VerticalConnection | None = None
        self._number = 0
        self._generation = ""
        self._positions = count(1)
        self._since: datetime | None = None

    def take(self, number: int, data: bytes, at: datetime) -> list[Taking]:
        """The bytes that came at `at` on connection `number`; b"" is its end."""
        if number != self._number or self._core is None:
            self._connect(number, at)
        assert self._core is not None
        self._core.receive_data(data)
        takings = [taking for item in self._items(at) for taking in self._settle(item)]
        if not data:
            takings += self._ended(at)
        return takings

    def _connect(self, number: int, at: datetime) -> None:
        self._number = number
        self._core = VerticalConnection(Role.SUPERVISOR)
        self._core.send(description(self._config, self._machine), at)
        self._generation = self._new_generation(at)
        self._positions = count(1)
        self._since = None

    def _items(self, at: datetime) -> Iterator[AnyItem]:
        assert self._core is not None
        while True:
            try:
                received = self._core.next_message()
            except RemoteProtocolError as error:
                yield self._told(at, Told, statements=(self._mapper.broken(error, at),), raw=error.raw)
                continue
            if isinstance(received, Pending):
                return
            yield from self._heard_of(received, at)

    def _heard_of(self, received: Received, at: datetime) -> Iterator[AnyItem]:
        message = received.message
        if isinstance(message, SupervisoryServiceDescription) and self._since is None:
            self._since = at
            yield Connected(
                station=self._station,
                generation=self._generation,
                position=next(self._positions),
                at=at,
                peer=message.system_id[:512],
                detail=described(message),
            )
        statements = self._mapper.statements(received, at)
        if statements:
            yield self._told(at, Told, statements=statements, raw=received.raw)

    def _told(self, at: datetime, kind: type[Told], **more: object) -> Told:
        return kind(
            station=self._station,
            generation=self._generation,
            position=next(self._positions),
            at=at,
            rawname=self._name,
            heard=self._proven(at),
            **more,  # type: ignore[arg-type]
        )

    def _proven(self, at: datetime) -> datetime | None:
        """Since when nothing can be missing: the last sign of life before `at`."""
        if self._since is None:
            return None
        period = timedelta(seconds=self._config.keep_alive_s)
        return self._since + (at - self._since) // period * period

    def _ended(self, at: datetime) -> list[Taking]:
        self._core = None
        proven = self._proven(at)
        if proven is None:
            return []
        place = {"station": self._station, "generation": self._generation, "at": at}
        last = Heard(**place, position=next(self._positions), heard=proven)  # type: ignore[arg-type]
        gone = Disconnected(**place, position=next(self._positions), detail="it closed the connection")  # type: ignore[arg-type]
        return [*self._settle(last), *self._settle(gone)]

    def _settle(self, item: AnyItem) -> list[Taking]:
        self._ledger, takings = self._book.settle(self._ledger, item, room=True, revision=REVISION)
        return takings
