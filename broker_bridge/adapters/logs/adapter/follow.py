"""The watch over logs that grow: one look at the folder after the other, and what is read from each log.

A log is followed by its bytes (module recognise): renamed, copied, compressed or met after a restart it is the same
log and gives the same ids. On doubt a file is read as another log; where it may be either, that is a stated gap.
"""

import asyncio
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.adapters.base import SourceWriter, Taking
from broker_bridge.adapters.logs.adapter.batch import Batch, Sleep
from broker_bridge.adapters.logs.adapter.content import Unfinished, other_packing, plain_name
from broker_bridge.adapters.logs.adapter.folder import Changed, Folder, Found, Listing, Locked, Signature
from broker_bridge.adapters.logs.adapter.growing import Head, log_generation
from broker_bridge.adapters.logs.adapter.intake import Step
from broker_bridge.adapters.logs.adapter.ledger import DOUBTS, FOLDER, Seen, dump_seen, load_seen, quoted
from broker_bridge.adapters.logs.adapter.live_log import LiveLog, OtherLog
from broker_bridge.adapters.logs.adapter.log_keeping import LogKeeping
from broker_bridge.adapters.logs.adapter.log_retry import answer_requests
from broker_bridge.adapters.logs.adapter.log_state import LogState
from broker_bridge.adapters.logs.adapter.losses import cut, doubtful
from broker_bridge.adapters.logs.adapter.reading import misnamed, shown, unread
from broker_bridge.adapters.logs.adapter.recognise import Logs, Recognised, recognise
from broker_bridge.adapters.logs.adapter.stream import Stream
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.takings import Place
from broker_bridge.adapters.logs.mapping.values import FieldError
from broker_bridge.config import FilesAdapter

_SLICE_S: Final = 2.0
"""A look reads for so long at most; then the next one shows what has changed meanwhile."""
_LISTING_SHARE: Final = 20
"""Listing the folder takes at most 1/20 of the time, however many old logs lie there."""
_LIVE: Final = 16
"""Logs whose readers are kept in memory; another one is read from its first byte again when it grows."""
_MAGIC: Final = 16
_AGREED: Final = 2
"""Looks in a row that must agree before a log counts as cut: a listing is not one moment."""


class Known(NamedTuple):
    """A file that was dealt with as it is."""

    signature: Signature
    generation: str | None


class Doubt(NamedTuple):
    """A file of which it is not yet known whether it is a log that is known."""

    signature: Signature
    since: float
    looks: int
    before: str
    """The look before the one that met it first (RFC 3339), empty where there was none."""


class Follow:
    """Follows the logs of one source. `cycle` is one look."""

    def __init__(
        self, config: FilesAdapter, mapping: Compiled, writer: SourceWriter, sleep: Sleep = asyncio.sleep
    ) -> None:
        self._config = config
        self._mapping = mapping
        self._writer = writer
        self._folder = Folder(config.folder, config.pattern, config.done_marker)
        self._place = Place(config.name, config.station, config.equipment, config.lane)
        self._batch = Batch(writer, sleep)
        self._keeping = LogKeeping(mapping, writer, self._batch, sleep)
        self._logs: dict[str, LogState] = {}
        self._live: dict[str, LiveLog] = {}
        self._known: dict[str, Known] = {}
        self._doubts: dict[str, Doubt] = {}
        self._changed: dict[str, float] = {}
        self._holes: dict[str, float] = {}
        self._missing: dict[str, int] = {}
        self._by_head = Logs()
        self._device: int | None = None
        self._started = False
        self._looked = ""
        self._told = ""
        self._until = 0.0
        self._pass_over = False
        self._first = False

    async def cycle(self) -> float:
        """Look once; returns the seconds to wait before the next look. Raises as the drop folder's does."""
        now = datetime.now(UTC)
        listing, cost = await asyncio.to_thread(self._folder.timed)
        if not self._started:
            await self._start(listing)
        if listing.device != self._device:
            if not (listing.files or listing.others):
                self._writer.report(
                    "away", f"{self._folder.path} is empty and on another device: not mounted?"
                )
                return self._config.poll_s
            self._device = listing.device
            await self._batch.add(_only({FOLDER: str(listing.device).encode()}))
        self._told = ""
        self._until = time.monotonic() + _SLICE_S
        files = sorted(listing.files, key=lambda found: (found.signature.modified_ns, found.name))
        there = {found.name: found.signature for found in listing.files + listing.unmatched}
        self._forget_names(there)
        more, locked = False, 0
        for found in files:
            try:
                more |= await self._look(found, there)
            except Locked:
                locked += 1
        await self._follow_renamed(listing, there)
        if not more:
            await self._close_finished(there)
            await self._account(there, now)
            self._looked = now.isoformat()
            if self._first or self._pass_over:
                # Only now: a restart in the middle of the first look must pass over the rest as well.
                await self._batch.add(_only({FOLDER: str(listing.device).encode()}))
                self._first = self._pass_over = False
        await self._batch.flush()
        if locked:
            self._writer.report("locked", f"{locked} files are held by their machine")
        elif more:
            self._writer.report("reading", "more is there to read")
        elif self._told:
            self._writer.report("waiting", self._told)
        else:
            self._writer.report("idle")
        return 0.0 if more else max(self._config.poll_s, _LISTING_SHARE * cost)

    async def answer_requests(self) -> None:
        """Read logs again from their kept raw bytes where people ask for it."""
        if not self._started:
            return
        for state in self._logs.values():
            if state.revision < self._mapping.revision:
                self._live.pop(state.generation, None)  # its chunk of positions may be replaced
        await answer_requests(self._writer, self._mapping, self._place, self._batch, self._logs)

    # -- what is known

    async def _start(self, listing: Listing) -> None:
        device = await self._writer.state(FOLDER)
        self._logs = await self._keeping.load()
        self._by_head = Logs(self._logs.values())
        if self._config.start == "beginning":
            for state in self._logs.values():
                self._keeping.begin_again(state)
        self._first = device is None
        self._device = int(device) if device is not None else listing.device
        self._pass_over = self._config.start == "end" or (
            self._config.start == "saved-or-end" and self._first
        )
        if self._config.start == "beginning":
            self._started = True
            return
        self._looked = max((state.looked for state in self._logs.values()), default="")
        files = {quoted(found.name): found for found in listing.files}
        for key, value in (await self._writer.states(DOUBTS)).items():
            found = files.get(key.removeprefix(DOUBTS))
            if found is None:
                await self._batch.add(_only({key: None}))
            else:
                self._known[found.name] = Known(load_seen(value).signature, None)
        for state in self._logs.values():
            holder = files.get(state.file)
            if holder is not None and holder.signature == state.signature and not state.lost:
                self._known[holder.name] = Known(holder.signature, state.generation)
        self._started = True

    def _forget_names(self, there: Mapping[str, Signature]) -> None:
        for kept in (self._known, self._doubts):
            for name in kept.keys() - there.keys():
                del kept[name]

    # -- one file

    async def _look(self, found: Found, there: Mapping[str, Signature]) -> bool:
        """Read what is new in one file; returns whether there is more."""
        known = self._known.get(found.name)
        unchanged = known is not None and known.signature == found.signature
        if unchanged and known is not None and known.generation not in self._holes:
            return False
        if time.monotonic() >= self._until:
            return True
        try:
            stream = await asyncio.to_thread(Stream, self._folder.path / found.name)
        except Changed:
            return False
        try:
            return await self._read(found.name, stream, there)
        except Unfinished as error:
            self._told = str(error)
            return False
        finally:
            stream.close()

    async def _read(self, name: str, stream: Stream, there: Mapping[str, Signature]) -> bool:
        before = self._known.get(name)
        likely = before.generation if before is not None else None
        refuted: set[str] = set()
        while True:
            found = await asyncio.to_thread(recognise, self._mapping, stream, self._by_head, likely, refuted)
            state = found.log
            if state is None:
                state = await self._new(name, stream, found)
            elif not state.refused and await asyncio.to_thread(
                self._is_longer_beside, name, stream, state, there
            ):
                if not self._doubt_is_over(name, stream.signature, by_looks=True):
                    return False
                state = await self._begin(name, stream, state.head)
            if state is None:
                return False
            try:
                more = await self._advance(name, stream, state, there)
            except OtherLog:
                self._live.pop(state.generation, None)
                refuted.add(state.generation)
                continue
            self._doubts.pop(name, None)
            return more

    async def _new(self, name: str, stream: Stream, found: Recognised) -> LogState | None:
        """The log of a file that holds none that is known; None where that cannot be told yet."""
        other = other_packing(await asyncio.to_thread(stream.read, 0, _MAGIC))
        if other is not None:
            await self._refuse_packed(name, stream, other)
            return None
        if found.head is None:
            if stream.read(0, 1):
                self._told = self._told or f"{shown(name)}: its first record is not complete"
            self._known[name] = Known(stream.signature, None)
            return None
        for rival in found.rivals:
            if await self._keeping.digest(rival.generation, found.size) != found.digest:
                continue
            if self._doubt_is_over(name, stream.signature):
                doubt = self._doubts.pop(name)
                taking = doubtful(self._mapping, rival, found.digest, shown(name), doubt.before, datetime.now(UTC),
                                  adapter=self._config.name, station=self._config.station)  # fmt: skip
                self._writer.count(doubtful_files=1)
                self._known[name] = Known(stream.signature, None)
                state = {DOUBTS + quoted(name): dump_seen(Seen(stream.signature, None))}
                await self._batch.add(_only({**state}, [taking]))
            return None
        return await self._begin(name, stream, found.head)

    async def _refuse_packed(self, name: str, stream: Stream, reason: str) -> None:
        """State once that a file cannot be read, when it has stayed the same for long enough."""
        if not self._doubt_is_over(name, stream.signature, told=f"{shown(name)}: {reason}"):
            return
        del self._doubts[name]
        digest, size = await asyncio.to_thread(stream.measure)
        taking = unread(self._mapping, digest, size, shown(name), reason, adapter=self._config.name,
                        modified=stream.signature.modified, station=self._config.station, archived=False)  # fmt: skip
        self._writer.count(rejected=1)
        self._known[name] = Known(stream.signature, None)
        state = {DOUBTS + quoted(name): dump_seen(Seen(stream.signature, None))}
        await self._batch.add(_only({**state}, [taking]))

    def _is_longer_beside(
        self, name: str, stream: Stream, state: LogState, there: Mapping[str, Signature]
    ) -> bool:
        """Whether a file goes on behind a log that lies, unchanged, in another file: then it is another log."""
        for other, known in self._known.items():
            if known.generation == state.generation and other != name and quoted(other) == state.file:
                return there.get(other) == known.signature and bool(stream.read(state.size, 1))
        return False

    def _doubt_is_over(
        self, name: str, signature: Signature, *, by_looks: bool = False, told: str = ""
    ) -> bool:
        """Note a doubt about a file; whether it has stayed the same for long enough."""
        doubt = self._doubts.get(name)
        if doubt is None or (doubt.signature != signature and not by_looks):
            doubt = Doubt(signature, time.monotonic(), 0, self._looked)
        self._doubts[name] = doubt = doubt._replace(looks=doubt.looks + 1)
        self._told = told or f"{shown(name)} begins like a log that is known; it may be a copy of it"
        if by_looks:
            return doubt.looks > _AGREED
        return time.monotonic() - doubt.since >= self._config.incomplete_after_s

    async def _begin(self, name: str, stream: Stream, head: Head) -> LogState | None:
        number = 1 + max((state.number for state in self._by_head.with_head(head)), default=0)
        modified = stream.signature.modified.isoformat()
        refused: FieldError | None = None
        try:
            generation = log_generation(self._mapping, head, number, shown(name))
        except FieldError as error:
            generation, refused = f"misnamed-{head.hash[:32]}", error.with_traceback(None)
            if generation in self._logs:
                self._known[name] = Known(stream.signature, generation)
                return None
        state = LogState(
            generation, head, number, shown(name), modified, self._mapping.revision, file=quoted(name)
        )
        while generation in self._logs:  # another name has led to the same values
            state.number += 1
            state.generation = generation = log_generation(self._mapping, head, state.number, shown(name))
        self._logs[generation] = state
        self._by_head.add(state)
        self._writer.count(logs_begun=1)
        if refused is not None:
            await self._refuse(name, stream, state, refused)
            return None
        return state

    async def _refuse(self, name: str, stream: Stream, state: LogState, error: FieldError) -> None:
        raw = await asyncio.to_thread(stream.read, 0, state.head.size)
        state.refused, state.signature = True, stream.signature
        state.size, state.digest, state.tail = LogKeeping.proof(raw)
        taking = misnamed(self._mapping, state.generation, raw, shown(name), str(error), self._place,
                          state.modified_time)  # fmt: skip
        self._writer.count(rejected=1)
        self._known[name] = Known(stream.signature, state.generation)
        await self._batch.add(_only({state.key(): state.dump()}, [taking]))

    # -- one log

    async def _advance(
        self, name: str, stream: Stream, state: LogState, there: Mapping[str, Signature]
    ) -> bool:
        """Read a log to the end of its file, or for as long as the look may last; returns whether there is more."""
        if state.refused:
            self._known[name] = Known(stream.signature, state.generation)
            return False
        signature = stream.signature
        fresh = await asyncio.to_thread(stream.read, state.size, 1)
        if not fresh and state.size:
            self._known[name] = Known(signature, state.generation)
            return False
        again: list[Taking] = []
        if quoted(name) != state.file and state.size:
            again = self._moved(state, {name: signature}, there)
        if state.closed:
            self._keeping.reopen(state)
            self._live.pop(state.generation, None)
        live = self._live.pop(state.generation, None)
        if live is None:
            live = LiveLog(self._mapping, self._place, state)
            await self._keeping.resume(live)
            again += await asyncio.to_thread(live.replay, stream)
        self._live[state.generation] = live
        while len(self._live) > _LIVE:
            del self._live[next(iter(self._live))]
        if self._pass_over:
            await self._keeping.pass_over(live, stream)
        rejected = live.log.rejected
        while True:
            patient = self._holes.get(state.generation)
            over = patient is not None and time.monotonic() - patient >= self._config.incomplete_after_s
            piece = await asyncio.to_thread(live.advance, stream, over_holes=over)
            takings, again = [*again, *piece.takings], []
            if piece.raw or takings:
                state.file, state.signature, state.gone, state.lost = quoted(name), signature, "", False
                state.looked = self._looked or state.looked
                self._changed[state.generation] = time.monotonic()
                await self._keeping.keep(live, takings)
            if piece.hole:
                self._holes.setdefault(state.generation, time.monotonic())
                self._told = f"{shown(name)}: NUL characters at byte {state.size}; they are waited for"
                break
            self._holes.pop(state.generation, None)
            if not piece.raw:
                break
            if time.monotonic() >= self._until:
                return True
        self._known[name] = Known(signature, state.generation)
        self._writer.count(rejected=live.log.rejected - rejected)
        return False

    # -- all of them

    async def _follow_renamed(self, listing: Listing, there: Mapping[str, Signature]) -> None:
        """Read on in logs that got a name which does not match the pattern before their last line was read."""
        by_number = {found.signature.number: found for found in listing.unmatched}
        held = self._held()
        for state in list(self._logs.values()):
            found = by_number.get(state.signature.number)
            if found is None or state.generation in held or state.refused:
                continue
            try:
                stream = await asyncio.to_thread(Stream, self._folder.path / found.name)
            except (Changed, Locked):
                continue
            try:
                told = await asyncio.to_thread(recognise, self._mapping, stream, Logs([state]), None)
                if told.log is state:
                    await self._advance(found.name, stream, state, there)
            except (OtherLog, Unfinished):
                pass
            finally:
                stream.close()

    def _held(self) -> dict[str, list[str]]:
        held: dict[str, list[str]] = {}
        for name, known in self._known.items():
            if known.generation is not None:
                held.setdefault(known.generation, []).append(name)
        return held

    async def _account(self, there: Mapping[str, Signature], now: datetime) -> None:
        """Note where every log lies; state what was lost of those that lie nowhere."""
        held = self._held()
        names_there = {quoted(name) for name in there}
        for state in list(self._logs.values()):
            names = held.get(state.generation, [])
            if names:
                await self._lies(state, names, there, now)
            elif not state.refused:
                await self._is_gone(state, state.file in names_there, now)

    async def _lies(
        self,
        state: LogState,
        names: Sequence[str],
        there: Mapping[str, Signature],
        now: datetime,
    ) -> None:
        self._missing.pop(state.generation, None)
        main = next((name for name in names if quoted(name) == state.file), None)
        takings: list[Taking] = []
        name = main or names[0]
        # Not what the listing says: the file may have been another one by the time it was opened.
        signatures = {name: self._known[name].signature for name in names}
        if main is None:
            takings = self._moved(state, signatures, there)
        if main is None or signatures[name] != state.signature or state.gone or state.lost:
            state.file, state.signature, state.gone, state.lost = quoted(name), signatures[name], "", False
            await self._batch.add(_only({state.key(): state.dump()}, takings))
        state.looked = now.isoformat()

    def _moved(
        self, state: LogState, names: Mapping[str, Signature], there: Mapping[str, Signature]
    ) -> list[Taking]:
        """The gap of a log that is found in another file than before, unless that file was only renamed or packed.

        What was written between a copy and the cut of the log itself is nowhere.
        """
        number = state.signature.number
        renamed = any(signature.number == number for signature in names.values())
        # Where its name is gone as well, its number is that of a file that came later.
        left = any(quoted(name) == state.file for name in there) and any(
            signature.number == number for name, signature in there.items() if name not in names
        )
        packed = any(plain_name(name) != name for name in names)
        if renamed or (packed and not left):
            return []
        now = datetime.now(UTC)
        return [self._cut(state, now, f"it was copied to {shown(next(iter(names)))} and cut")]

    async def _is_gone(self, state: LogState, replaced: bool, now: datetime) -> None:
        looks = self._missing[state.generation] = self._missing.get(state.generation, 0) + 1
        takings: list[Taking] = []
        changed = False
        if not state.gone:
            state.gone, changed = now.isoformat(), True
        absent = now - datetime.fromisoformat(state.gone)
        over = looks >= _AGREED if replaced else absent >= timedelta(seconds=self._config.incomplete_after_s)
        if over and not state.lost and not state.closed:
            state.lost = changed = True
            why = "another content has its name" if replaced else "its file is gone"
            takings = [self._cut(state, now, why)]
            self._live.pop(state.generation, None)
        if absent >= timedelta(days=self._config.forget_after_days):
            del self._logs[state.generation]
            self._by_head.remove(state)
            await self._keeping.forget(state)
        elif changed:
            await self._batch.add(_only({state.key(): state.dump()}, takings))

    def _cut(self, state: LogState, now: datetime, why: str) -> Taking:
        self._writer.count(cut_logs=1)
        return cut(self._mapping, state, why, now, adapter=self._config.name, station=self._config.station)

    async def _close_finished(self, there: Mapping[str, Signature]) -> None:
        """Give the last record of logs that will not grow any more, where its end is missing."""
        newest = max((sig.modified_ns for name, sig in there.items() if name in self._known), default=0)
        now = time.monotonic()
        for name, known in list(self._known.items()):
            state = self._logs.get(known.generation or "")
            if state is None or state.closed or state.refused or quoted(name) != state.file:
                continue
            signature = there[name]
            quiet = now - self._changed.setdefault(state.generation, now)
            followed = signature.modified_ns < newest
            limit = self._config.final_line_after_s
            if limit is None:
                limit = self._config.incomplete_after_s if followed else None
            if state.generation in self._holes or known.signature != signature:
                continue
            if limit is None or quiet < limit:
                if state.size - state.progress.anchor > 0 and quiet >= self._config.incomplete_after_s:
                    self._told = self._told or (
                        f"{shown(name)}: nothing can be given yet of what begins at byte {state.progress.anchor}"
                    )
                continue
            await self._close(name, state)

    async def _close(self, name: str, state: LogState) -> None:
        takings: list[Taking] = []
        live = self._live.pop(state.generation, None)
        if state.size > state.progress.anchor:
            if live is None:
                live = LiveLog(self._mapping, self._place, state)
                await self._keeping.resume(live)
                try:
                    with await asyncio.to_thread(Stream, self._folder.path / name) as stream:
                        takings = await asyncio.to_thread(live.replay, stream)
                except (Changed, Locked, OtherLog, Unfinished):
                    return
            closing = await asyncio.to_thread(live.log.close)
            state.loose = [taking.position for taking in closing]
            takings += closing
        state.closed = True
        if live is not None and takings:
            self._writer.count(unterminated=len(state.loose))
            await self._keeping.keep(live, takings)
        else:
            await self._batch.add(_only({state.key(): state.dump()}))


def _only(state: dict[str, bytes | None], takings: Sequence[Taking] = ()) -> Step:
    return Step([*takings], state)
