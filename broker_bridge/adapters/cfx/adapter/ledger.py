"""Which messages were taken, and which transactions still wait for the names of their boards: pure.

Kept beside the outbox, and changed in the transaction of the events. A message that comes again is known by its UniqueID; a
message about boards that nobody has named yet is told anew, one revision higher, once its transaction names them; so is one
that was rejected, when a person asks for it and it can be told by now.

Rules for whoever changes this: a draft changes nothing of the ledger until it is applied; what is forgotten (the oldest
messages and transactions, beyond the configured numbers) is only told less well, never twice and never wrongly.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import islice
from typing import Any, Final, TypeVar

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.cfx.adapter.remembered import (
    REJECTED,
    SEEN,
    TRANSACTION,
    Entry,
    Rejected,
    Seen,
    Waiting,
)
from broker_bridge.adapters.cfx.mapping import REVISION, Known, Mapper, Reading
from broker_bridge.adapters.cfx.protocol import envelope as wire
from broker_bridge.adapters.cfx.protocol.envelope import Broken, Envelope
from broker_bridge.events.source import SourceRejected

_MOST_REJECTED: Final = 10_000
"""Rejected messages that can be read again, the youngest: about 300 bytes each, beside the archive that has the bytes."""
_NAMELESS_BYTES: Final = 4 * 2**20
"""Packed bytes of the messages of one transaction that wait for names, at most."""


class Ledger:
    """All that is remembered of one adapter's messages."""

    def __init__(self, kept: Mapping[str, bytes], *, messages: int, transactions: int) -> None:
        """`kept`: the states as they were last written. `messages`, `transactions` (of a machine): how many to remember."""
        self.messages = messages
        self.transactions = transactions
        self.seen: dict[str, Seen] = {}
        self.entries: dict[str, Entry] = {}
        found = [(key, Seen.load(value)) for key, value in kept.items() if key.startswith(SEEN)]
        for key, seen in sorted(found, key=lambda one: one[1].number):
            self.seen[key] = seen
        opened = [(key, Entry.load(value)) for key, value in kept.items() if key.startswith(TRANSACTION)]
        for key, entry in sorted(opened, key=lambda one: one[1].number):
            self.entries[key] = entry
        self.rejected: dict[str, Rejected] = {}
        refused = [(key, Rejected.load(value)) for key, value in kept.items() if key.startswith(REJECTED)]
        for key, one in sorted(refused, key=lambda found: found[1].number):
            self.rejected[key] = one
        numbers = [seen.number for seen in self.seen.values()]
        numbers += [entry.number for entry in self.entries.values()]
        numbers += [one.number for one in self.rejected.values()]
        self.number = max(numbers, default=0)

    def draft(self, mapper: Mapper) -> "Draft":
        """A set of changes to be written together."""
        return Draft(self, mapper)


class Draft:
    """What some messages change and give. `apply` once it is written."""

    def __init__(self, ledger: Ledger, mapper: Mapper) -> None:
        self._ledger = ledger
        self._mapper = mapper
        self._number = ledger.number
        self._seen: dict[str, Seen | None] = {}
        self._entries: dict[str, Entry | None] = {}
        self._rejected: dict[str, Rejected | None] = {}
        self.takings: list[Taking] = []
        self.archive: dict[str, bytes] = {}
        """Raw bytes that have to be in the raw archive before, by their hash."""
        self.counts: Counter[str] = Counter()
        self.signs: dict[str, float | None] = {}
        """Handles that said something, with the seconds until their next heartbeat where it was one."""

    def add(self, message: Envelope | Broken, taken: datetime, rawname: str) -> Reading | None:
        """Take a message into account; what it says, None where it was taken before or is none."""
        if isinstance(message, Broken):
            if self._last_rejected(REJECTED + message.key) is not None:
                self.counts["messages_again"] += 1
                return None
            said = self._mapper.broken(message, taken)
            self._take(message.key, REVISION, (said,), message.raw, rawname)
            self._note_rejected(message.key, message.raw, taken, rawname, message.encoding)
            return None
        if message.source is not None:
            self.signs.setdefault(message.source, None)
        key = self._fresh(message)
        if key is None:
            self.counts["messages_again"] += 1
            return None
        place, entry = self._entry(message)
        reading = self._mapper.read(message, taken, entry.known if entry is not None else Known())
        if reading.beats_s is not None and message.source is not None:
            self.signs[message.source] = reading.beats_s
        if not reading.statements:
            self.counts["signs_of_life" if reading.machine is not None else "messages_left_aside"] += 1
            return reading
        told_before = key == message.key and self._last_seen(SEEN + key) is not None
        self._note(message)
        self._take(key, REVISION, reading.statements, message.raw, rawname)
        if told_before:
            self._rejected[REJECTED + key] = None  # a higher revision of one of the two would hide the other
        elif _is_rejection(reading.statements):
            self._note_rejected(key, message.raw, taken, rawname, None)
        if place is not None and entry is not None and reading.learnt is not None:
            self._carry_on(place, entry, message, key, reading, taken, rawname, REVISION)
        return reading

    def retry(self, key: str, one: Rejected, raw: bytes, found: Sequence[Envelope | Broken]) -> str | None:
        """Tell a rejected message one revision higher, by what its bytes are read as now; why not, if it is still rejected.

        `key`: of `Ledger.rejected`. Bytes that were no message and hold some by now are retracted, and the messages told in
        their own names.
        """
        generation = key.removeprefix(REJECTED)
        if generation in [each.key for each in found if isinstance(each, Broken)]:
            return next(each.reason for each in found if isinstance(each, Broken))
        if generation.startswith("b-"):
            self._retract(key, one, raw, f"read again: it holds {len(found)} messages, told by themselves")
            for message in found:
                self.add(message, one.taken, one.rawname)
            return None
        (message,) = found
        if isinstance(message, Broken):
            return message.reason
        place, entry = self._entry(message)
        reading = self._mapper.read(message, one.taken, entry.known if entry is not None else Known())
        if _is_rejection(reading.statements):
            return _reason(reading.statements)
        if not reading.statements:
            self._retract(key, one, raw, "read again: it says nothing that is recorded of this machine")
            return None
        self._rejected[key] = None
        revision = one.revision + 1
        self._take(generation, revision, reading.statements, message.raw, one.rawname)
        if place is not None and entry is not None and reading.learnt is not None:
            self._carry_on(place, entry, message, generation, reading, one.taken, one.rawname, revision)
        return None

    def state(self) -> dict[str, bytes | None]:
        """The changes to what is kept."""
        self._forget()
        changes: dict[str, bytes | None] = {}
        for key, seen in self._seen.items():
            changes[key] = None if seen is None else seen.dump()
        for key, entry in self._entries.items():
            changes[key] = None if entry is None else entry.dump()
        for key, one in self._rejected.items():
            changes[key] = None if one is None else one.dump()
        return changes

    def apply(self) -> None:
        """The changes are written: from now on they hold."""
        ledger = self._ledger
        ledger.number = self._number
        _merge(ledger.seen, self._seen)
        _merge(ledger.entries, self._entries)
        _merge(ledger.rejected, self._rejected)

    # -- messages -----------------------------------------------------------------------------------------

    def _fresh(self, message: Envelope) -> str | None:
        """The key of a message; None where it was taken before."""
        before = self._last_seen(SEEN + message.key)
        if before is None:
            return message.key
        now = _fingerprint(message, 0)
        if before.content == now.content:
            return None  # sent again, perhaps with another time on it
        if before.time == now.time:
            self.counts["messages_changed"] += 1
            return message.key  # the same message says something else: the record keeps both and shows it
        # One UniqueID for two messages, against the standard: the bytes name the second one.
        self.counts["unique_ids_used_twice"] += 1
        key = "h-" + hashlib.sha256(message.raw).hexdigest()[:40]
        return None if self._last_seen(SEEN + key) is not None else key

    def _note(self, message: Envelope) -> None:
        self._number += 1
        found = _fingerprint(message, self._number)
        key = SEEN + message.key
        if self._last_seen(key) is not None:
            key = SEEN + "h-" + hashlib.sha256(message.raw).hexdigest()[:40]
        self._seen[key] = found

    def _last_seen(self, key: str) -> Seen | None:
        return self._seen[key] if key in self._seen else self._ledger.seen.get(key)

    def _take(
        self, key: str, revision: int, statements: tuple[Statement, ...], raw: bytes, rawname: str
    ) -> None:
        self.takings.append(Taking(key, 0, revision, statements, rawname))
        stated = statements[0].data.origin.raw
        if stated is not None and stated.archived is not None:
            self.archive[stated.archived] = raw
        for statement in statements:
            self.counts[statement.data.TYPE.replace(".", "_")] += 1

    # -- what was rejected ------------------------------------------------------------------------------------

    def _last_rejected(self, key: str) -> Rejected | None:
        return self._rejected[key] if key in self._rejected else self._ledger.rejected.get(key)

    def _note_rejected(
        self, generation: str, raw: bytes, taken: datetime, rawname: str, encoding: str | None
    ) -> None:
        key = REJECTED + generation
        digest = hashlib.sha256(raw).hexdigest()
        before = self._last_rejected(key)
        if before is not None and before.digest != digest:
            self._rejected[key] = None  # two messages of one name
            return
        self._number += 1
        self._rejected[key] = Rejected(self._number, digest, taken, rawname, REVISION, encoding)

    def _retract(self, key: str, one: Rejected, raw: bytes, reason: str) -> None:
        self._rejected[key] = None
        said = self._mapper.retracted(raw, reason, one.taken)
        self._take(key.removeprefix(REJECTED), one.revision + 1, (said,), raw, one.rawname)

    # -- transactions -------------------------------------------------------------------------------------

    def _entry(self, message: Envelope) -> tuple[str | None, Entry | None]:
        transaction = self._mapper.transaction(message)
        if transaction is None or message.source is None or self._mapper.machine(message) is None:
            return None, None
        digest = hashlib.sha256(f"{message.source}\n{transaction}".encode()).hexdigest()[:32]
        key = TRANSACTION + digest
        there = self._entries[key] if key in self._entries else self._ledger.entries.get(key)
        return key, there or Entry(0, message.source)

    def _carry_on(
        self,
        place: str,
        entry: Entry,
        message: Envelope,
        key: str,
        reading: Reading,
        taken: datetime,
        rawname: str,
        revision: int,
    ) -> None:
        learnt = reading.learnt or entry.known
        waiting = entry.waiting
        if waiting and learnt.named and learnt.boards != entry.known.boards:
            waiting = tuple(still for one in waiting for still in self._tell_anew(one, learnt, rawname))
        if reading.nameless:
            mine = Waiting(key, message.raw, taken, revision, entry.known.told)
            waiting = self._bounded((*waiting, mine))
        self._number += 1
        self._entries[place] = replace(entry, number=self._number, known=learnt, waiting=waiting)

    def _tell_anew(self, one: Waiting, learnt: Known, rawname: str) -> tuple[Waiting, ...]:
        """Tell a message again, now that its boards have names; it goes on waiting where that did not help."""
        (message,) = wire.read(one.raw)
        if not isinstance(message, Envelope):
            return ()
        reading = self._mapper.read(message, one.taken, replace(learnt, told=one.told))
        if reading.nameless:
            return (one,)
        self._take(one.key, one.revision + 1, reading.statements, one.raw, rawname)
        self.counts["named_late"] += 1
        return ()

    def _bounded(self, waiting: tuple[Waiting, ...]) -> tuple[Waiting, ...]:
        size = 0
        kept: list[Waiting] = []
        for one in reversed(waiting):
            size += len(one.raw)
            if size > _NAMELESS_BYTES:
                self.counts["not_named_any_more"] += 1
                continue
            kept.append(one)
        return tuple(reversed(kept))

    def _forget(self) -> None:
        """Let go of the oldest beyond what is to be remembered."""
        _drop_oldest(self._ledger.seen, self._seen, self._ledger.messages)
        _drop_oldest(self._ledger.rejected, self._rejected, _MOST_REJECTED)
        machines: dict[str, list[str]] = {}
        merged: dict[str, Any] = {**self._ledger.entries, **self._entries}
        for key, entry in merged.items():
            if entry is not None:
                machines.setdefault(entry.handle, []).append(key)
        for keys in machines.values():
            if len(keys) > self._ledger.transactions:
                keys.sort(key=lambda key: merged[key].number)
                for key in keys[: len(keys) - self._ledger.transactions]:
                    self.counts["not_named_any_more"] += len(merged[key].waiting)
                    self._entries[key] = None


def _fingerprint(message: Envelope, number: int) -> Seen:
    said = json.dumps([message.source, message.name, message.body], sort_keys=True, ensure_ascii=True)
    return Seen(
        number,
        hashlib.sha256((message.time_text or "").encode()).hexdigest()[:12],
        hashlib.sha256(said.encode()).hexdigest()[:24],
    )


def _is_rejection(statements: Sequence[Statement]) -> bool:
    return any(isinstance(statement.data, SourceRejected) for statement in statements)


def _reason(statements: Sequence[Statement]) -> str:
    return next(one.data.reason for one in statements if isinstance(one.data, SourceRejected))


Remembered = TypeVar("Remembered")


def _drop_oldest(there: Mapping[str, Remembered], changes: dict[str, Remembered | None], most: int) -> None:
    fresh = sum(1 for key, one in changes.items() if one is not None and key not in there)
    gone = sum(1 for key, one in changes.items() if one is None and key in there)
    excess = len(there) + fresh - gone - most
    for key in list(islice(there, max(0, excess))):
        if key not in changes:
            changes[key] = None
    if excess > len(there):
        for key in [key for key in changes if changes[key] is not None][: excess - len(there)]:
            del changes[key]


def _merge(there: dict[str, Any], changes: Mapping[str, Any]) -> None:
    for key, value in changes.items():
        there.pop(key, None)  # the youngest stands last
        if value is not None:
            there[key] = value
