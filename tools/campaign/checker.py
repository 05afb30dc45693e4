"""Pure: the one judge of every campaign. What machines wrote is held against what the record has.

Each raw record carries a truth id, and the board, the outcome and the bytes that belong to it are known from the
machine's own list, never from our code. Sets of truth ids:

attempted      a machine wrote it
acknowledged   an outbox had taken it when looked at: the machine's file could go
receipted      the outbox was told that the record has it
recorded       it is in the record
stated         the record says openly that it may lack it (a gap covers its number)

What order is promised, and checked here:

Numbers. An outbox gives a source's events the numbers 1, 2, 3 ... of its epoch, without holes, in the order in which its
adapter took them in. Each number that an outbox gave is in the record with the very bytes of the outbox, or the record has
the event already (same id, same content, read again into a later number or epoch), or a gap covers the number. The record
has no number that no outbox gave, and none twice.
Files. Within a file, or a log that grows, numbers follow the file, per epoch.
Not promised: an order among files, as one may have to wait while others are read (`crossed` counts it); the order in which
the record was told, as what was lost on the way is sent again (`late` counts it): readers go by the numbers.
"""

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence, Set
from typing import Any, NamedTuple


class Written(NamedTuple):
    """One raw record as its machine knows it."""

    source: str
    file: int
    """Number of the file or log it stands in, in the order its machine began them."""
    order: int
    """Place among all raw records of this source."""
    board: str
    outcome: str
    raw_hash: str
    """SHA-256 of the raw record's bytes, hexadecimal."""


class Recorded(NamedTuple):
    """One event of the record that came from a raw record."""

    truth: str
    source: str
    epoch: int
    sequence: int
    board: str
    outcome: str
    raw_hash: str


class Number(NamedTuple):
    """Under what an outbox gave an event."""

    source: str
    epoch: int
    sequence: int

    def __str__(self) -> str:
        return f"{self.source} epoch {self.epoch} number {self.sequence}"


class Gap(NamedTuple):
    """Numbers of which the record says that it may lack them."""

    source: str
    epoch: int
    first: int
    last: int | None
    """None: and all above."""


class Order(NamedTuple):
    """What became of the numbers that outboxes gave."""

    numbered: int
    """Numbers that were seen in an outbox."""
    holes: tuple[str, ...]
    """Given by an outbox, or below one that was; neither in the record nor covered by a gap."""
    unlike: tuple[str, ...]
    """In the record under a number that no outbox gave, or that it has twice, or with other bytes than the outbox gave."""
    late: int
    """Recorded behind a higher number of the same epoch: allowed, as what was lost on the way is sent again."""


class Verdict(NamedTuple):
    """Counts, and truth ids of everything that must not be."""

    attempted: int
    acknowledged: int
    receipted: int
    recorded: int
    stated: tuple[str, ...]
    """Missing, and a gap says so: allowed."""
    lost: tuple[str, ...]
    """Missing, and nobody says so."""
    broken: tuple[str, ...]
    """Receipted and missing, stated or not: a promise that was not kept."""
    unexpected: tuple[str, ...]
    doubled: tuple[str, ...]
    disordered: tuple[str, ...]
    """Numbered before something that stands earlier in the same file or log, within an epoch of the source."""
    misplaced: tuple[str, ...]
    """On another board, or said by another source, than the machine's list has it."""
    altered: tuple[str, ...]
    """Another outcome, or another hash of the raw bytes."""
    crossed: tuple[str, ...]
    """Numbered before something of an earlier file: allowed, as a file may have to wait while later ones are read."""

    @property
    def faultless(self) -> bool:
        """Nothing that must not be."""
        return not any((self.lost, self.broken, self.unexpected, self.doubled, self.disordered,
                        self.misplaced, self.altered))  # fmt: skip


def in_order(given: Mapping[Number, bytes], recorded: Sequence[bytes], gaps: Collection[Gap]) -> Order:
    """Hold the record's numbers against those of the outboxes.

    `given`: all that was ever seen in an outbox; `recorded`: all events as the record keeps them, in its own order.
    """
    events = [json.loads(body) for body in recorded]
    numbers = [Number(event["source"], int(event["epoch"]), int(event["sequence"])) for event in events]
    times = Counter(numbers)
    contents = {(event["source"], event["id"]): _content(event) for event in events}
    unlike = [
        str(number)
        for number, body in zip(numbers, recorded, strict=True)
        if times[number] > 1 or given.get(number) != body
    ]
    holes = []
    for number in _up_to_the_last(given.keys() | times.keys()):
        if number in times or any(_covers(gap, number) for gap in gaps):
            continue
        event = json.loads(given[number]) if number in given else None
        if event is None or contents.get((event["source"], event["id"])) != _content(event):
            holes.append(str(number))
    latest: dict[tuple[str, int], int] = defaultdict(int)
    late = 0
    for source, epoch, sequence in numbers:
        late += sequence < latest[source, epoch]
        latest[source, epoch] = max(latest[source, epoch], sequence)
    return Order(len(given), tuple(holes), tuple(unlike), late)


def _up_to_the_last(numbers: Collection[Number]) -> Iterator[Number]:
    last: dict[tuple[str, int], int] = defaultdict(int)
    for source, epoch, sequence in numbers:
        last[source, epoch] = max(last[source, epoch], sequence)
    for (source, epoch), end in sorted(last.items()):
        yield from (Number(source, epoch, sequence) for sequence in range(1, end + 1))


def _covers(gap: Gap, number: Number) -> bool:
    above = number.sequence >= gap.first
    return gap[:2] == number[:2] and above and (gap.last is None or number.sequence <= gap.last)


def _content(event: dict[str, Any]) -> tuple[Any, ...]:
    """What an event says, whenever it was taken in."""
    return event["type"], event.get("time"), event.get("subject"), event["data"]


def judge(
    attempted: Mapping[str, Written],
    acknowledged: Set[str],
    receipted: Set[str],
    recorded: Sequence[Recorded],
    stated: Set[str] = frozenset(),
) -> Verdict:
    """Hold the record against what was written; the order of `recorded` does not matter."""
    times = Counter(event.truth for event in recorded)
    missing = attempted.keys() - times.keys()
    known = [event for event in recorded if event.truth in attempted]
    return Verdict(
        attempted=len(attempted),
        acknowledged=len(acknowledged),
        receipted=len(receipted),
        recorded=len(times),
        stated=tuple(sorted(missing & stated)),
        lost=tuple(sorted(missing - stated)),
        broken=tuple(sorted(receipted - times.keys())),
        unexpected=tuple(sorted(times.keys() - attempted.keys())),
        doubled=tuple(sorted(truth for truth, count in times.items() if count > 1)),
        disordered=_disordered(attempted, known, across=False),
        crossed=_disordered(attempted, known, across=True),
        misplaced=tuple(
            event.truth for event in known
            if (event.source, event.board) != (attempted[event.truth].source, attempted[event.truth].board)
        ),
        altered=tuple(
            event.truth for event in known
            if (event.outcome, event.raw_hash) != (attempted[event.truth].outcome, attempted[event.truth].raw_hash)
        ),
    )  # fmt: skip


def _disordered(
    attempted: Mapping[str, Written], known: Sequence[Recorded], *, across: bool
) -> tuple[str, ...]:
    """What is numbered in another order than its machine wrote it, within its file or across files."""
    epochs: dict[tuple[str, int, int], list[tuple[int, int, str]]] = defaultdict(list)
    for event in known:
        written = attempted[event.truth]
        key = event.source, event.epoch, 0 if across else written.file
        epochs[key].append((event.sequence, written.order, event.truth))
    found = []
    for events in epochs.values():
        latest = -1
        for _, order, truth in sorted(events):
            if order < latest:
                found.append(truth)
            latest = max(latest, order)
    return tuple(found)
