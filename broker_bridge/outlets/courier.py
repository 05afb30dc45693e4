"""The loop that drives one outlet: read behind the position, hand over, move the position on."""

import asyncio
import logging
import random
from collections.abc import Callable, Sequence
from typing import Any, Final

import orjson

from broker_bridge.errors import NotFound, OutletUnavailable, StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.outlets.base import Outgoing, Outlet, Refused
from broker_bridge.outlets.cursor import Cursor, Letter
from broker_bridge.outlets.leaving import Choice, Marked
from broker_bridge.store.base import Head, StoreReader

log = logging.getLogger(__name__)

POLL_S: Final = 0.1
STOP_S: Final = 10.0
"""How long a stop waits for what has been handed over."""
FIRST_WAIT_S: Final = 0.5
LONGEST_WAIT_S: Final = 300.0
_SCAN: Final = 5_000
"""Events read at once when only their names or types matter."""


class Courier:
    """Delivers the record through one outlet, in order, each event at least once.

    `ceiling`: dead letters at which it stops sending: a receiver that refuses everything must not turn the record
    into dead letters. It goes on when a person has seen to them.
    """

    def __init__(
        self,
        name: str,
        outlet: Outlet,
        cursor: Cursor,
        reader: StoreReader,
        choice: Choice,
        *,
        at_end: bool = False,
        ceiling: int = 1000,
        poll_s: float = POLL_S,
        stop_s: float = STOP_S,
        first_wait_s: float = FIRST_WAIT_S,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self.name = name
        self._outlet = outlet
        self._cursor = cursor
        self._reader = reader
        self._choice = choice
        self._at_end = at_end
        self._ceiling = ceiling
        self._poll_s = poll_s
        self._stop_s = stop_s
        self._first_wait_s = first_wait_s
        self._jitter = jitter
        self._marked = Marked()
        self._learnt = 0
        """Number up to which markings are known, and names where any part is marked."""
        self._names_learnt = 0
        self._head = Head("", 0, 0, 0)
        self._condition = ("", "")

    async def run(self) -> None:
        """Deliver until cancelled; what was handed over by then is waited for and its position stored.

        Raises ConfigError when the outlet cannot be used as configured or the position is another record's.
        """
        async with self._outlet:
            await self._meet()
            wait = 0.0
            while True:
                try:
                    more = await self._unbroken(self._step())
                    wait = 0.0
                    if not more:
                        await self._rest()
                except OutletUnavailable as error:
                    wait = min(max(2 * wait, self._first_wait_s), LONGEST_WAIT_S)
                    await self._pause(str(error), max(wait, error.wait_s))
                except StoreUnavailable as error:
                    wait = min(max(2 * wait, self._first_wait_s), LONGEST_WAIT_S)
                    log.warning("outlet %s waits: %s", self.name, error)
                    await asyncio.sleep(wait)

    async def _rest(self) -> None:
        """Wait for events; an outlet that gathers them waits longer, and has its own work done then."""
        if not self._outlet.pause_s:
            await asyncio.sleep(self._poll_s)
            return
        end = asyncio.get_running_loop().time() + self._outlet.pause_s
        while (left := end - asyncio.get_running_loop().time()) > 0:
            await asyncio.sleep(min(left, 1.0))
            await self._cursor.refresh()
            if self._cursor.standing.replay is not None:
                return

    async def _pause(self, reason: str, wait: float) -> None:
        """Wait with jitter, so that many outlets do not come back at once; a person's wish ends it."""
        await self._tell("waiting", reason)
        end = asyncio.get_running_loop().time() + wait * (0.5 + self._jitter() / 2)
        while (left := end - asyncio.get_running_loop().time()) > 0:
            await asyncio.sleep(min(left, 1.0))
            await self._cursor.refresh()
            if self._cursor.standing.replay is not None:
                return

    async def _unbroken(self, work: Any) -> bool:
        """Do one step whole, also when a stop comes meanwhile: then it may take `stop_s` longer."""
        step = asyncio.ensure_future(work)
        try:
            return bool(await asyncio.shield(step))
        except asyncio.CancelledError:
            done, _ = await asyncio.wait([step], timeout=self._stop_s)
            if not done:
                log.warning(
                    "outlet %s: no answer within %.0f s; it will be sent again", self.name, self._stop_s
                )
                step.cancel()
                await asyncio.wait([step])
            elif not step.cancelled() and (error := step.exception()) is not None:
                log.info("outlet %s: stopped while %s", self.name, error)
            raise

    async def _meet(self) -> None:
        await self._cursor.meet(self._reader, at_end=self._at_end)
        self._head = self._reader.head()

    async def _step(self) -> bool:
        """Deliver one window; whether there may be more to do at once."""
        head = await asyncio.to_thread(self._reader.head)
        if head.incarnation != self._head.incarnation:
            log.warning("outlet %s: the record was restored; what it lacks is sent again", self.name)
            await self._meet()
            self._marked, self._learnt, self._names_learnt = Marked(), 0, 0
        self._head = head
        await self._cursor.refresh()
        replayed = self._cursor.standing.replay is not None and await self._cursor.replay()
        if await self._letters():
            return True
        if self._cursor.letters >= self._ceiling:
            await self._tell(
                "stopped",
                f"{self._cursor.letters:,} dead letters are there, no more are made: see why they were refused, then"
                " send them again or drop them",
            )
            return False
        number = self._cursor.standing.number
        if number >= head.number:
            if self._outlet.pause_s:
                await self._outlet.send(())
            await self._tell("running")
            return replayed
        await self._learn(head.number)
        facts = await asyncio.to_thread(self._reader.after, number, self._outlet.window)
        facts = [fact for fact in facts if fact.number <= head.number]
        leaving, withheld, why = self._sorted(facts)
        try:
            refused = await self._send(leaving)
        except OutletUnavailable as error:
            if error.confirmed > number:
                confirmed = [fact for fact in facts if fact.number <= error.confirmed]
                _, withheld, why = self._sorted(confirmed)
                await self._cursor.advance(error.confirmed, withheld=withheld, why_withheld=why)
            raise
        by_number = {fact.number: fact for fact in facts}
        dead = [(one, by_number[one.number].source, by_number[one.number].id) for one in refused]
        for one in refused:
            log.warning(
                "outlet %s: event %d was refused (%s): %s", self.name, one.number, one.code, one.reason
            )
        await self._cursor.advance(
            facts[-1].number,
            passed=await asyncio.to_thread(self._passed, facts[-1]),
            refused=dead,
            withheld=withheld,
            why_withheld=why,
        )
        await self._tell("running")
        return len(facts) == self._outlet.window or not self._outlet.pause_s

    def _passed(self, last: Fact) -> tuple[int, int, int] | None:
        """The newest commit that ends at or before this event, of the two that may."""
        for commit in reversed(self._reader.commits(max(0, last.commit - 2), 2)):
            if commit.last <= last.number:
                return commit.number, commit.last, commit.at
        return None

    def _sorted(self, facts: Sequence[Fact]) -> tuple[list[Fact], int, str | None]:
        leaving: list[Fact] = []
        withheld, why = 0, None
        for fact in facts:
            if not self._choice.wants(fact):
                continue
            reason = self._choice.withheld(fact, self._marked)
            if reason is None:
                leaving.append(fact)
            else:
                withheld, why = withheld + 1, f"event {fact.number}: {reason}"
        return leaving, withheld, why

    async def _send(self, facts: Sequence[Fact], again: bool = False) -> Sequence[Refused]:
        if not facts:
            return ()
        return await self._outlet.send(await asyncio.to_thread(self._outgoing, facts, again))

    def _outgoing(self, facts: Sequence[Fact], again: bool) -> list[Outgoing]:
        out = []
        for fact in facts:
            data = self._choice.cut(fact.data)
            body = b""
            if self._outlet.wants_bodies:
                body = self._reader.body(fact.number)
                if data is not fact.data:
                    body = orjson.dumps({**orjson.loads(body), "data": data})
            out.append(Outgoing(fact if data is fact.data else fact._replace(data=data), body, again))
        return out

    async def _learn(self, upto: int) -> None:
        """Know every marking of the record, and of which part its boards are, before anything leaves."""
        await asyncio.to_thread(self._learn_now, upto)

    def _learn_now(self, upto: int) -> None:
        while self._learnt < upto:
            found = self._reader.typed(("line.part_declared",), self._learnt, upto, _SCAN)
            self._marked.declare(found)
            self._learnt = found[-1].number if len(found) == _SCAN else upto
        while self._marked.any and self._names_learnt < upto:
            facts = self._reader.after(self._names_learnt, _SCAN)
            self._marked.learn(facts)
            self._names_learnt = facts[-1].number if facts else upto

    async def _letters(self) -> bool:
        """Send again the dead letters that somebody wants to; whether there were any."""
        wanted = await self._cursor.wanted(self._outlet.window)
        for letter in wanted:
            await self._letter(letter)
        return bool(wanted)

    async def _letter(self, letter: Letter) -> None:
        try:
            number = await asyncio.to_thread(self._reader.number_of, letter.source, letter.event)
            (fact,) = await asyncio.to_thread(self._reader.facts, [number])
        except NotFound as error:
            gone = Refused(letter.number, "gone", f"it is not in the record: {error}")
            await self._cursor.advance(0, refused=[(gone, letter.source, letter.event)])
            return
        await self._learn(self._head.number)
        if (reason := self._choice.withheld(fact, self._marked)) is not None:
            refused: Sequence[Refused] = [Refused(number, "withheld", reason)]
        else:
            refused = await self._send([fact], again=True)
        if refused:
            await self._cursor.advance(0, refused=[(refused[0], letter.source, letter.event)])
        else:
            await self._cursor.delivered(letter.letter)

    async def _tell(self, condition: str, detail: str = "") -> None:
        if (condition, detail) != self._condition:
            self._condition = condition, detail
            level = logging.INFO if condition == "running" else logging.WARNING
            log.log(level, "outlet %s: %s%s", self.name, condition, f": {detail}" if detail else "")
            await self._cursor.told(condition, detail)
