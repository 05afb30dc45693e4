"""Fakes that several tests share. Each behaves as the seam it stands for promises."""

import hashlib
from collections.abc import Mapping, Sequence

from broker_bridge.adapters.base import Request, Taking
from broker_bridge.errors import OutboxFull, StoreUnavailable


class MemorySourceWriter:
    """A SourceWriter in memory. `ceiling`: events that fit before OutboxFull; raise it, or `deliver`, to go on.

    `takings` holds everything kept, in order; `transactions` counts the successful `take`s that wrote something.
    """

    def __init__(self, source: str = "/harbour-works/smt/line-1/test", ceiling: int | None = None) -> None:
        self._source = source
        self.ceiling = ceiling
        self.takings: list[Taking] = []
        self.kept: dict[str, bytes] = {}
        self.raw: dict[str, bytes] = {}
        self.counters: dict[str, int] = {}
        self.reports: list[tuple[str, str]] = []
        self.waiting: list[Request] = []
        self.answers: dict[int, str] = {}
        self.transactions = 0
        self.refused = 0
        self.looks = 0
        """How often requests were asked for: adapters that poll do it once a poll."""
        self.broken = 0
        """So many of the next calls of `take` raise StoreUnavailable."""
        self._undelivered = 0

    @property
    def source(self) -> str:
        return self._source

    async def take(
        self,
        takings: Sequence[Taking],
        state: Mapping[str, bytes | None] | None = None,
        *,
        reserved: bool = False,
    ) -> int:
        if self.broken:
            self.broken -= 1
            raise StoreUnavailable("the fake's store is away")
        events = sum(len(taking.statements) for taking in takings)
        if self.ceiling is not None and not reserved and events and self._undelivered + events > self.ceiling:
            self.refused += 1
            raise OutboxFull(f"{events} events do not fit below the ceiling of {self.ceiling}")
        for taking in takings:
            assert taking.statements, "a taking is never empty"
        self.takings.extend(takings)
        self._undelivered += events
        for key, value in (state or {}).items():
            if value is None:
                self.kept.pop(key, None)
            else:
                self.kept[key] = value
        self.transactions += 1
        return events

    async def state(self, key: str) -> bytes | None:
        return self.kept.get(key)

    async def states(self, prefix: str) -> dict[str, bytes]:
        return {key: self.kept[key] for key in sorted(self.kept) if key.startswith(prefix)}

    async def archive(self, raw: bytes) -> str:
        digest = hashlib.sha256(raw).hexdigest()
        self.raw[digest] = bytes(raw)
        return digest

    async def archived(self, digest: str) -> bytes | None:
        return self.raw.get(digest)

    async def requests(self) -> list[Request]:
        self.looks += 1
        return [request for request in self.waiting if request.number not in self.answers]

    async def answer(self, request: Request, outcome: str) -> None:
        self.answers[request.number] = outcome

    def count(self, **counters: int) -> None:
        for name, by in counters.items():
            self.counters[name] = self.counters.get(name, 0) + by

    def report(self, condition: str, detail: str = "") -> None:
        if not self.reports or self.reports[-1] != (condition, detail):
            self.reports.append((condition, detail))

    def deliver(self) -> None:
        """Let the recorder have everything: the outbox is empty again."""
        self._undelivered = 0

    @property
    def condition(self) -> str:
        """The last reported condition."""
        return self.reports[-1][0] if self.reports else ""
