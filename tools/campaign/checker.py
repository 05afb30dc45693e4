"""Pure: the one judge of every campaign. What machines wrote is held against what the record has.

Each raw record carries a truth id, and the board, the outcome and the bytes that belong to it are known from the
machine's own list, never from our code. Sets of truth ids:

attempted      a machine wrote it
acknowledged   an outbox had taken it when looked at: the machine's file could go
receipted      the outbox was told that the record has it
recorded       it is in the record
stated         the record says openly that it may lack it (a gap covers its number)
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence, Set
from typing import NamedTuple


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
