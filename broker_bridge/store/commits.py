"""One commit of the record, statement by statement: plain sqlite3, on whatever thread the caller is.

Rules for maintainers: everything in memory here is a copy of the database and is loaded anew when a transaction failed;
events are inserted first and asked about only when the count says that some were there already.
"""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain
from typing import Any, Final, NamedTuple

from broker_bridge.errors import RecordDamaged
from broker_bridge.store.base import Arrival, Committed, Head, Heard, Progress, Refusal
from broker_bridge.store.content import content
from broker_bridge.store.instants import microseconds
from broker_bridge.store.leaf import leaf
from broker_bridge.store.names import Key, Names, fetch
from broker_bridge.store.numbers import GAP, advance, close, closure, covers, overlaps, spans
from broker_bridge.store.packing import PACK_FROM, PLAIN, pack, unpack

_ROW: Final = "(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_INSERT: Final = (
    "INSERT OR IGNORE INTO events (commit_no, generation, position, ordinal, revision, type, time, epoch,"
    f" sequence, encoding, leaf, body) VALUES {_ROW}"
)
_TOGETHER: Final = 100
"""Rows that go in by one statement, or a multiple: `executemany` gives the interpreter's lock away for every row and asks
for it back, which costs a third more, and far more while the event loop is busy. Few lengths, for the cache of statements."""
_MOST: Final = 2_500
"""Rows of the longest statement: SQLite takes 32,766 parameters."""
_FIND: Final = (
    "SELECT wanted.key, events.number, events.leaf FROM json_each(?) AS wanted CROSS JOIN events"
    " ON generation = json_extract(wanted.value, '$[0]') AND position = json_extract(wanted.value, '$[1]')"
    " AND ordinal = json_extract(wanted.value, '$[2]') AND revision = json_extract(wanted.value, '$[3]')"
)

Row = tuple[Any, ...]
"""A row of the table of events, in the order of _INSERT."""
_ID: Final = slice(1, 5)
_EPOCH: Final = 7
_SEQUENCE: Final = 8
_LEAF: Final = 10


class _Sorted(NamedTuple):
    """What became of the arrivals of one commit, by their place in it."""

    fresh: dict[int, int]
    """Place to number of the event."""
    duplicates: int
    conflicts: list[tuple[int, int]]
    """Place, and number of the event that was there first."""


class Commits:
    """Writes commits through one connection. `load` first, and again after a failure."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.names = Names(connection)
        self.head = Head("", 0, 0, 0)

    def load(self) -> None:
        """Read again what is kept in memory."""
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")
        self.names.load()
        (head,) = self._all(
            "SELECT name, incarnation, (SELECT coalesce(max(number), 0) FROM commits),"
            " (SELECT coalesce(max(number), 0) FROM events) FROM record"
        )
        self.head = Head(*head)

    def write(
        self,
        arrivals: Sequence[Arrival],
        refusals: Sequence[Refusal],
        heard: Sequence[Heard],
        resolved: Sequence[int],
        at: int,
    ) -> Committed:
        """Write one commit inside the transaction of the caller; `at` is its time."""
        commit = self.head.commit + 1
        rows, numbers = self._rows(arrivals, commit)
        fresh, duplicates, conflicts = self._insert(rows, arrivals)
        kept = len(fresh)
        for place, there in conflicts:
            kept += self._keep_conflict(arrivals[place].body, there, commit, at)
        for refusal in refusals:
            kept += self._keep_refusal(refusal, commit, at)

        suspects = [place for place in self._suspects(rows, numbers) if place in fresh]
        for refusal in refusals:
            if refusal.source is not None and refusal.epoch is not None and refusal.sequence is not None:
                numbers[refusal.source, refusal.epoch].append(refusal.sequence)
        moved: dict[Key, Progress] = {}
        for key, sequences in numbers.items():
            moved[key] = advance(self.names.epoch(*key).progress, spans(sequences))
        for source, epoch, last, state in heard:
            progress = moved.get((source, epoch)) or self.names.epoch(source, epoch).progress
            moved[source, epoch] = progress._replace(last=max(progress.last, last))
            self._keep_state(source, state, at)
        for place, (event, _) in enumerate(arrivals):
            if event.type == GAP and place in fresh and (gap := closure(event)) is not None:
                key = (event.source, gap[0])
                epoch_no, progress = self.names.epoch(*key)
                moved[key], span = close(moved.get(key, progress), gap[1], gap[2])
                self._all(
                    "INSERT INTO closures (event, epoch, first, last) VALUES (?, ?, ?, ?)",
                    (fresh[place], epoch_no, *span),
                )
        reused = 0
        for place in suspects:
            reused += self._flag_reused(rows[place], fresh[place])

        self.names.keep(moved)
        if kept:
            number = self.head.number
            self._all(
                "INSERT INTO commits (number, first, last, committed_at) VALUES (?, ?, ?, ?)",
                (commit, number + 1, number + len(fresh), at),
            )
        if resolved:
            self._connection.executemany(
                "UPDATE refusals SET resolved = ? WHERE number = ?",
                [(commit if kept else self.head.commit, number) for number in resolved],
            )
        return Committed(
            commit=commit if kept else 0,
            new=len(fresh),
            duplicates=duplicates,
            conflicts=len(conflicts),
            refused=len(refusals),
            reused=reused,
            progress=moved,
        )

    def _insert(self, rows: list[Row], arrivals: Sequence[Arrival]) -> _Sorted:
        """Insert what is new; tell new ones, duplicates and conflicts apart."""
        if not rows:
            return _Sorted({}, 0, [])
        if self._add(rows) == len(rows):
            start = self.head.number + 1
            return _Sorted(dict(enumerate(range(start, start + len(rows)))), 0, [])
        fresh: dict[int, int] = {}
        conflicts: list[tuple[int, int]] = []
        met: set[int] = set()
        found = self._all(_FIND, (json.dumps([row[_ID] for row in rows]),))
        if len(found) != len(rows):
            raise RecordDamaged(f"the index of ids finds {len(found)} of {len(rows)} events just written")
        for place, number, hashed in sorted(found):
            if number > self.head.number and number not in met:
                met.add(number)
                fresh[place] = number
            elif hashed != rows[place][_LEAF] and not self._says(number, arrivals[place].body):
                conflicts.append((place, number))
        return _Sorted(fresh, len(rows) - len(fresh) - len(conflicts), conflicts)

    def _add(self, rows: Sequence[Row]) -> int:
        """Insert them in order, but for those whose id is there; how many were inserted."""
        added = at = 0
        # One after the other: a full disk ends the transaction, and what had been asked already would be outside of it.
        while length := min(_MOST, (len(rows) - at) // _TOGETHER * _TOGETHER):
            values = list(chain.from_iterable(rows[at : at + length]))
            cursor = self._connection.execute(_INSERT + f", {_ROW}" * (length - 1), values)
            added += cursor.rowcount
            at += length
        if at < len(rows):
            cursor = self._connection.executemany(_INSERT, rows[at:])
            added += cursor.rowcount
        return added

    def _says(self, number: int, body: bytes) -> bool:
        stored = self._all("SELECT encoding, body FROM events WHERE number = ?", (number,))
        return content(unpack(*stored[0])) == content(body)

    def _rows(self, arrivals: Sequence[Arrival], commit: int) -> tuple[list[Row], dict[Key, list[int]]]:
        """The arrivals as rows, and the sequences that came of each epoch."""
        try:
            return self._laid_out(arrivals, commit)
        except KeyError:
            self.names.learn([event for event, _ in arrivals])
            return self._laid_out(arrivals, commit)

    def _laid_out(self, arrivals: Sequence[Arrival], commit: int) -> tuple[list[Row], dict[Key, list[int]]]:
        """As `_rows`; raises KeyError when a name is not known yet."""
        streams, types, generations = self.names.streams, self.names.types, self.names.generations
        rows: list[Row] = []
        numbers: dict[Key, list[int]] = defaultdict(list)
        for event, body in arrivals:
            source_no, epoch_no, key = streams[event.source, event.epoch]
            generation, position, ordinal, revision = event.id.split(".")
            encoding, packed = (PLAIN, body) if len(body) < PACK_FROM else pack(body)
            sequence = int(event.sequence)
            rows.append(
                (
                    commit, generations[source_no, generation], int(position), int(ordinal), int(revision),
                    types[event.type], microseconds(event.time), epoch_no, sequence, encoding, leaf(body), packed,
                )
            )  # fmt: skip
            numbers[key].append(sequence)
        return rows, numbers

    def _suspects(self, rows: Sequence[Row], numbers: Mapping[Key, list[int]]) -> list[int]:
        """Places of arrivals whose number was committed before, or came earlier in this commit."""
        if all(
            len(set(sequences)) == len(sequences) and not overlaps(self.names.epochs[key].progress, sequences)
            for key, sequences in numbers.items()
        ):
            return []
        progress = {epoch.number: epoch.progress for epoch in self.names.epochs.values()}
        suspects = []
        seen: set[tuple[int, int]] = set()
        for place, row in enumerate(rows):
            epoch_no, sequence = row[_EPOCH], row[_SEQUENCE]
            if (epoch_no, sequence) in seen or covers(progress[epoch_no], sequence):
                suspects.append(place)
            seen.add((epoch_no, sequence))
        return suspects

    def _flag_reused(self, row: Row, number: int) -> bool:
        """Flag an event whose number is taken, unless a refusal or a stated gap explains that."""
        explained = self._all(
            "SELECT 1 FROM refusals AS r JOIN epochs AS e ON e.epoch = r.epoch JOIN sources AS s"
            " ON s.number = e.source AND s.name = r.source WHERE e.number = ?1 AND r.sequence = ?2"
            " UNION ALL SELECT 1 FROM closures WHERE epoch = ?1 AND ?2 BETWEEN first AND last LIMIT 1",
            (row[_EPOCH], row[_SEQUENCE]),
        )
        if not explained:
            self._all("INSERT INTO reused (event) VALUES (?)", (number,))
        return not explained

    def _keep_conflict(self, body: bytes, event: int, commit: int, at: int) -> bool:
        encoding, packed = pack(body)
        kept = self._all(
            "INSERT INTO conflicts (event, commit_no, first_seen, last_seen, times, content, encoding, leaf, body)"
            " VALUES (?, ?, ?, ?, 1, ?, ?, ?, ?) ON CONFLICT (event, content)"
            " DO UPDATE SET times = times + 1, last_seen = excluded.last_seen RETURNING times",
            (event, commit, at, at, content(body), encoding, leaf(body), packed),
        )
        return bool(kept[0][0] == 1)

    def _keep_refusal(self, refusal: Refusal, commit: int, at: int) -> bool:
        encoding, packed = pack(refusal.body)
        kept = self._all(
            "INSERT INTO refusals (topic, code, reason, source, epoch, sequence, commit_no, first_seen, last_seen,"
            " times, encoding, leaf, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 1, ?, ?, ?) ON CONFLICT (topic, leaf)"
            " DO UPDATE SET times = times + 1, last_seen = excluded.last_seen RETURNING times",
            (
                refusal.topic, refusal.code, refusal.reason, refusal.source, refusal.epoch, refusal.sequence,
                commit, at, at, encoding, leaf(refusal.body), packed,
            ),
        )  # fmt: skip
        return bool(kept[0][0] == 1)

    def _keep_state(self, source: str, state: bytes, at: int) -> None:
        self._all(
            "INSERT INTO source_states (source, received_at, state) VALUES (?, ?, ?) ON CONFLICT (source)"
            " DO UPDATE SET received_at = excluded.received_at, state = excluded.state",
            (self.names.source(source), at, state),
        )

    def _all(self, sql: str, parameters: Iterable[Any] = ()) -> list[Any]:
        return fetch(self._connection, sql, parameters)
