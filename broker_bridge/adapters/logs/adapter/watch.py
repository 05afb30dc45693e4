"""The watch over a drop folder: one listing after the other, and what is done with what lies there.

A file is touched only after its events are safe in the outbox and its bytes in the archive. Identity may be wrong
on shares, so ids make reading again harmless; passing over is never harmless, so on doubt a file is read again.
"""

import asyncio
import time
from collections.abc import Sequence
from typing import Final, NamedTuple

from broker_bridge.adapters.base import SourceWriter
from broker_bridge.adapters.logs.adapter.after import After
from broker_bridge.adapters.logs.adapter.batch import Batch, Sleep
from broker_bridge.adapters.logs.adapter.companions import CompanionFolder
from broker_bridge.adapters.logs.adapter.content import (
    ContentTooLarge,
    OtherPacking,
    Unreadable,
    decompressed,
    plain_name,
)
from broker_bridge.adapters.logs.adapter.folder import Changed, Folder, Found, Listing, Locked
from broker_bridge.adapters.logs.adapter.intake import Intake, Step
from broker_bridge.adapters.logs.adapter.ledger import (
    FILES,
    FOLDER,
    SEEN,
    SEQUENCE,
    FileState,
    Seen,
    dump_file,
    dump_seen,
    load_seen,
    name_of,
    seen_key,
)
from broker_bridge.adapters.logs.adapter.readiness import Parking, Readiness
from broker_bridge.adapters.logs.adapter.reading import Reading, missing_files, read_bytes, shown, unread
from broker_bridge.adapters.logs.adapter.retry import answer_requests
from broker_bridge.adapters.logs.adapter.sequence import Numbers
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.config import FilesAdapter

_READING_SHARE: Final = 10
_LEAST_READING_S: Final = 2.0
"""Files are read, the oldest first, for ten times as long as the listing took, two seconds at least; then the next
listing shows what has changed meanwhile."""
_FINAL_LINE_S: Final = 10.0
"""Seconds that a last line without line end waits for it, unless `final_line_after_s` states another time."""
_IDLE_SHARE: Final = 25
"""An idle folder is listed so seldom that listing it, nearly all of a look's cost, takes at most 1/25 of the time:
100,000 files may lie there."""


class _Unread(NamedTuple):
    """Why nothing can be read from a file."""

    why: str
    whole: bool = False
    """It is what it is, however much may still come."""


class Watch:
    """Looks at the folder of one source. `cycle` is one look."""

    def __init__(
        self,
        config: FilesAdapter,
        mapping: Compiled,
        writer: SourceWriter,
        earlier_uses: Sequence[tuple[str, ...]] = (),
        sleep: Sleep = asyncio.sleep,
    ) -> None:
        self._config = config
        self._mapping = mapping
        self._writer = writer
        self._folder = Folder(config.folder, config.pattern, config.done_marker)
        self._most = int(config.max_file_mb * 2**20)
        self._companions = CompanionFolder(mapping, self._folder, self._most)
        self._readiness = Readiness(config.stable_polls, config.done_marker is not None)
        self._parking = Parking(config.incomplete_after_s)
        self._final_line_after_s = config.final_line_after_s or _FINAL_LINE_S
        self._intake = Intake(mapping, writer, config.name, earlier_uses)
        self._batch = Batch(writer, sleep)
        self._sleep = sleep
        self._after = After(config, self._folder, writer)
        self._safe_soon: list[Found] = []
        self._seen: dict[str, Seen] = {}
        self._device: int | None = None
        self._started = False
        self._read_again: set[str] | None = set() if config.start == "beginning" else None
        self._told: set[str] = set()
        self._numbers = Numbers(config.incomplete_after_s)

    async def answer_requests(self) -> None:
        """Read archived contents again where people ask for it."""
        await answer_requests(self._writer, self._mapping, self._config, self._sleep)

    async def cycle(self) -> float:
        """List the folder and read what is ready; returns the seconds to wait before the next look.

        Raises SourceUnavailable when the folder cannot be reached and StoreUnavailable when nothing can be kept:
        nothing is lost, call again.
        """
        listing, cost = await asyncio.to_thread(self._folder.timed)
        anew = self._companions.take_out(listing)
        if not self._started:
            await self._start(listing)
        if listing.device != self._device:
            if not (listing.files or listing.others):
                self._writer.report(
                    "away", f"{self._folder.path} is empty and on another device: not mounted?"
                )
                return self._config.poll_s
            self._device = listing.device
            await self._batch.add(Step([], {FOLDER: str(listing.device).encode()}))
        else:
            await self._forget(listing)
        self._tell_others(listing)
        fresh = [found for found in listing.files if not self._dealt_with(found)]
        ready = self._readiness.ready(listing, fresh)
        ready = [found for found in ready if anew or self._parking.may_leave(found)]
        read, locked = await self._read_files(ready, max(_LEAST_READING_S, _READING_SHARE * cost))
        await self._tell_missing()
        await self._flush()
        await self._after.leftovers([found for found in listing.files if self._is_read(found)])
        more = len(ready) - read
        if locked:
            self._writer.report("locked", f"{locked} files are held by their machine")
        elif more > 0:
            self._writer.report("reading", f"{more} files wait")
        elif self._parking:
            condition = "waiting" if self._parking.needs_a_look else "reading"
            self._writer.report(condition, self._parking.told())
        else:
            self._writer.report("idle" if not fresh else "reading")
        if more > 0:
            return 0.0
        if fresh:
            return self._config.poll_s
        return max(self._config.poll_s, _IDLE_SHARE * cost)

    # -- what is known

    async def _start(self, listing: Listing) -> None:
        device = await self._writer.state(FOLDER)
        kept = await self._writer.states(SEEN)
        if self._config.start != "beginning":
            self._seen = {name_of(key): load_seen(value) for key, value in kept.items()}
        self._device = int(device) if device is not None else listing.device
        first = device is None
        numbers = await self._writer.state(SEQUENCE)
        if numbers is not None:
            self._numbers.load(numbers)
        if self._config.start == "end" or (self._config.start == "saved-or-end" and first):
            passed = [found for found in listing.files if not self._dealt_with(found)]
            for found in passed:
                self._seen[found.name] = Seen(found.signature, None)
            keys = {seen_key(found.name): dump_seen(self._seen[found.name]) for found in passed}
            await self._batch.add(Step([], {**keys}))
            self._writer.count(passed_over_files=len(passed))
        if first:
            await self._batch.add(Step([], {FOLDER: str(listing.device).encode()}))
        await self._batch.flush()
        self._started = True

    def _dealt_with(self, found: Found) -> bool:
        seen = self._seen.get(found.name)
        if seen is None or seen.signature != found.signature:
            return False
        return seen.passed_over is None or self._most <= seen.passed_over

    def _is_read(self, found: Found) -> bool:
        seen = self._seen.get(found.name)
        return (
            seen is not None
            and self._dealt_with(found)
            and seen.generation is not None
            and not seen.passed_over
        )

    async def _forget(self, listing: Listing) -> None:
        """Drop what is known of files that are gone. Only of a folder that is surely there."""
        names = {found.name for found in listing.files}
        self._parking.keep_only(names)
        gone = self._seen.keys() - names
        for name in gone:
            del self._seen[name]
        if gone:
            await self._batch.add(Step([], {seen_key(name): None for name in gone}))

    def _tell_others(self, listing: Listing) -> None:
        others, refused = listing.others - self._told, listing.refused - self._told
        if others or refused:
            self._writer.count(other_files=len(others), refused_entries=len(refused))
        self._told = set(listing.others | listing.refused)

    # -- reading

    async def _read_files(self, ready: Sequence[Found], seconds: float) -> tuple[int, int]:
        """Read files for so many seconds; returns how many were dealt with and how many of them were locked."""
        locked, until = 0, time.monotonic() + seconds
        for number, found in enumerate(ready):
            if time.monotonic() >= until:
                return number, locked
            try:
                await self._read(found)
            except Changed:
                self._writer.count(changed_while_read=1)
            except Locked:
                locked += 1
        return len(ready), locked

    async def _read(self, found: Found) -> None:
        if found.signature.size > self._most:
            if not self._parking.park(found, _too_large(self._most)):
                return
            digest = await asyncio.to_thread(self._folder.digest, found)
            await self._set_aside(found, digest, None, _too_large(self._most))
            return
        raw, content = await asyncio.to_thread(self._unpacked, found)
        if isinstance(content, _Unread):
            wait = self._final_line_after_s if content.whole else None
            if self._parking.park(found, content.why, wait):
                await self._set_aside(found, None, raw, content.why)
        elif content.complete and not self._awaits_line_end(found, content):
            await self._take_in(found, content)
        elif not content.complete:
            why = content.waits_for
            told = (
                f"its companion {', '.join(why)} is missing or too old"
                if why
                else "its stated end is missing"
            )
            if self._parking.park(found, told):
                await self._take_in(found, content)

    def _awaits_line_end(self, found: Found, content: Reading) -> bool:
        """Whether the rest of the last line may still come: many machines write none, so only for a short time."""
        if not content.unterminated or self._config.done_marker is not None:
            return False
        return not self._parking.park(found, "its last line has no end", self._final_line_after_s)

    def _unpacked(self, found: Found) -> "tuple[bytes, Reading | _Unread]":
        """A file's bytes and what is to be read from them, or why that cannot be.

        No exception leaves: one that is kept keeps by its traceback all that was unpacked.
        """
        raw = self._folder.read(found, self._most)
        try:
            content = decompressed(raw, self._most)
        except ContentTooLarge:
            return raw, _Unread(_too_large(self._most))
        except Unreadable as error:
            return raw, _Unread(str(error), isinstance(error, OtherPacking))
        config = self._config
        reading = read_bytes(
            self._mapping,
            content,
            shown(found.name),
            adapter=config.name,
            modified=found.signature.modified,
            station=config.station,
            equipment=config.equipment,
            lane=config.lane,
            companions=self._companions.of(plain_name(shown(found.name))),
        )
        return raw, reading

    async def _take_in(self, found: Found, reading: Reading) -> None:
        reading, known = await self._intake.settle(reading, self._batch.pending)
        generation = reading.generation
        if self._read_again is not None and generation not in self._read_again:
            self._read_again.add(generation)
            known = None
        before = self._seen.get(found.name)
        if before is not None and before.generation not in (None, generation):
            self._writer.count(rewritten_files=1)
        seen: dict[str, bytes | None] = {seen_key(found.name): dump_seen(Seen(found.signature, generation))}
        number = reading.number
        if number is not None and known is None:
            self._numbers.met(number, reading.modified.isoformat(), generation, time.monotonic())
            seen[SEQUENCE] = self._numbers.dump()
        overtaken, state = await self._intake.overtaken(reading, self._batch.pending)
        seen |= state
        work = await self._intake.begin(reading, known, seen, overtaken)
        if work is None:
            self._writer.count(duplicate_files=1, retracted=len(overtaken))
            await self._keep(Step(overtaken, seen))
        else:
            last = False
            while not last:
                step, last = await asyncio.to_thread(work.next_step)
                await self._keep(step)
            counters = reading.counters
            self._writer.count(
                files_read=1, rejected=counters.get("rejected", 0), retracted=work.retracted,
                **({"incomplete_files": 1} if not reading.complete else {}),
            )  # fmt: skip
        self._done(found, Seen(found.signature, generation))

    async def _set_aside(self, found: Found, digest: str | None, raw: bytes | None, reason: str) -> None:
        """A file that cannot be read at all: one rejection, and its bytes in the archive where they are few enough."""
        if raw is not None:
            digest = await self._writer.archive(raw)
        assert digest is not None
        modified = found.signature.modified
        taking = unread(
            self._mapping, digest, found.signature.size, shown(found.name), reason, adapter=self._config.name,
            modified=modified, station=self._config.station, archived=raw is not None,
        )  # fmt: skip
        seen = Seen(
            found.signature, taking.generation, self._most if reason == _too_large(self._most) else None
        )
        known = await self._intake.file_state(taking.generation, self._batch.pending)
        takings = [taking] if known is None else []
        state = {
            seen_key(found.name): dump_seen(seen),
            FILES + taking.generation: dump_file(
                FileState(self._mapping.revision, 1, True, "", taking.rawname or "", modified.isoformat())
            ),
        }
        self._writer.count(**({"rejected": 1} if takings else {"duplicate_files": 1}))
        await self._keep(Step(takings, {**state}))
        self._done(found, seen)

    async def _tell_missing(self) -> None:
        """State as a gap what the machine has counted and nobody has seen."""
        for missing in self._numbers.overdue(time.monotonic()):
            self._writer.count(missing_files=missing.last - missing.first + 1)
            taking = missing_files(
                self._mapping, missing, adapter=self._config.name, station=self._config.station
            )
            await self._keep(Step([taking], {SEQUENCE: self._numbers.dump()}))

    def _done(self, found: Found, seen: Seen) -> None:
        self._seen[found.name] = seen
        self._parking.leave(found)
        if seen.passed_over is None:
            self._safe_soon.append(found)

    async def _keep(self, step: Step) -> None:
        if await self._batch.add(step):
            await self._touch()

    async def _flush(self) -> None:
        await self._batch.flush()
        await self._touch()

    async def _touch(self) -> None:
        # `_safe_soon` holds only files whose last step was added before this flush.
        safe, self._safe_soon = self._safe_soon, []
        await self._after.done(safe)


def _too_large(most: int) -> str:
    return f"it holds more than {most} bytes; raise max_file_mb to have it read"
