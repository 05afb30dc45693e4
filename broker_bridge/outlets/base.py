"""The seam between the record and a plant system that takes events.

A courier reads the record in the order of its numbers, drops what the configuration does not let out, and hands the
rest to the outlet; the position is stored when the outlet has an answer for every event. So every event is delivered
at least once, in order; it is the receiver who knows a repetition, by the event's source and id.
"""

from collections.abc import Sequence
from types import TracebackType
from typing import NamedTuple, Protocol, Self

from broker_bridge.events.fact import Fact


class Outgoing(NamedTuple):
    """One event on its way out. What may not leave is already cut out of both."""

    fact: Fact
    body: bytes
    """The CloudEvent (structured mode, JSON): the very bytes of the record where nothing was cut; empty unless the
    outlet `wants_bodies`."""
    again: bool = False
    """A person asked for it once more after it had been refused: later events have left meanwhile."""


class Refused(NamedTuple):
    """An event that the receiver will not take however often it is sent: it becomes a dead letter."""

    number: int
    code: str
    """Kind of refusal, one word, or the receiver's own code: 422, unroutable, oversize ..."""
    reason: str


class Outlet(Protocol):
    """One way out. Entered once, then asked to send until it is left; connections and heartbeats are its own.

    `__aenter__` must not wait for the receiver (raises ConfigError for what cannot be used as configured): whether it
    is there is the matter of `send`. `__aexit__` lets go at once; what was handed over by then has been answered.
    """

    wants_bodies: bool
    window: int
    """Events handed over at once, at most."""
    pause_s: float
    """Seconds to gather events between two calls; 0: send what is there. An outlet that gathers is called with no events
    where there are none: it may have work of its own."""

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    async def send(self, events: Sequence[Outgoing]) -> Sequence[Refused]:
        """Deliver these events, in order at least for each board. Returns when each is confirmed or refused for good.

        Raises OutletUnavailable when that cannot be said of all: the courier waits and sends again what is behind
        the number the error says was confirmed. Cancelled only when a stop has waited as long as it may.
        """
        ...
