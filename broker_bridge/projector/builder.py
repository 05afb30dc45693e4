"""From the record into the index: some whole commits a transaction, and the new cursor with them.

So the index is always that of a whole commit and may be killed at any time. SQLite's own write lock is the only
one: whoever gets it reads the cursor first and goes on from there. Plain sqlite3, because a person's question must
not wait for an event loop; `synchronous=NORMAL`, because after a power cut the index is an older one and catches
up.
"""

import contextlib
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

from broker_bridge.db import make_file, open_reader, split_script
from broker_bridge.errors import BridgeError, NotFound, StoreUnavailable, StoreVersionError
from broker_bridge.events.fact import Fact
from broker_bridge.projector.entries import (
    MarkRow,
    container_rows,
    declared_line,
    line_of,
    magazine_file,
    mark_row,
    mentions,
    nameless_rows,
    notice,
    places,
    reach,
    revokes,
    tie_rows,
)  # fmt: skip
from broker_bridge.projector.index import rules_of
from broker_bridge.projector.said import NAME, TIE, kind_of_name, said_rows, told_rows
from broker_bridge.projector.schema import INDEX, RULES, SETTLED, TABLES
from broker_bridge.projector.streams import Streams
from broker_bridge.store.base import Head, StoreReader
from broker_bridge.trace.gaps import HEARING
from broker_bridge.trace.life import lived
from broker_bridge.trace.mentions import Node
from broker_bridge.trace.route import DECLARED

Progress = Callable[[int, int], None]
"""Told the events taken in, and the events there are."""

STEP: Final = 1000
"""Events of one transaction at most; more only where one commit has more."""
_KEPT: Final = 200_000
"""Names and ties kept in memory; others are looked up or inserted again in vain."""


class Builder:
    """Writes the index of a record. Any number may be open; they take turns."""

    def __init__(self, path: Path, reader: StoreReader, *, busy_ms: int) -> None:
        """Open or create the index; `busy_ms` is how long to wait for another that writes.

        Raises StoreUnavailable when it cannot be written. What is no index of this program is made anew.
        """
        self._path = path
        self._reader = reader
        self._names: dict[Node, int] = {}
        self._ties: set[tuple[int, int, int, int]] = set()
        self._sources: set[str] = set()
        self._places: dict[tuple[str, str], int] = {}
        self._contents: set[tuple[str, str]] = set()
        self._tellers: set[tuple[int, str]] = set()
        self._reaches: set[int] = set()
        self._hearings: set[tuple[str, str]] = set()
        self._slots: set[tuple[int, str, str]] = set()
        self._revisions: dict[tuple[str, str], set[int]] = {}
        self._words: dict[str, int] = {}
        self._streams = Streams()
        self._last_name = 0
        self.number = 0
        self.commit = 0
        """The index is as of this commit."""
        self._connection = connection_of(path, busy_ms)

    def close(self) -> None:
        """Let go of the index; the record stays open."""
        self._connection.close()

    def step(self) -> bool:
        """Take in some whole commits; False when there is nothing new.

        Raises StoreUnavailable when another holds the index longer than was to be waited.
        """
        with self._transaction():
            # Not before: another that took in newer commits meanwhile would have an index of another record.
            head = self._reader.head()
            self._begin(head)
            if self.commit >= head.commit:
                return False
            facts = self._whole_commits(head)
            self._add(facts)
            self._finish(facts, facts[-1].commit if facts else head.commit)
        return True

    def _whole_commits(self, head: Head) -> list[Fact]:
        facts = self._reader.after(self.number, STEP)
        if len(facts) < STEP:
            return [fact for fact in facts if fact.commit <= head.commit]
        last = self._reader.last_number(facts[-1].commit)
        if facts[-1].number < last and facts[0].commit < facts[-1].commit:
            return [fact for fact in facts if fact.commit < facts[-1].commit]
        return facts + (
            self._reader.after(facts[-1].number, last - facts[-1].number) if facts[-1].number < last else []
        )

    def _begin(self, head: Head) -> None:
        """Find where the index stands; make it anew where it is not one of this record as it is."""
        row = None
        if rules_of(self._connection) == RULES:
            row = self._connection.execute(
                "SELECT record, incarnation, commit_no, number, source, event FROM cursor"
            ).fetchone()
        if row is None or row[:2] != (head.name, head.incarnation) or not self._continues(row, head):
            self._make(head)
            row = (head.name, head.incarnation, 0, 0, "", "")
        if row[3] != self.number:
            self._forget()
        self.commit, self.number = row[2], row[3]
        if not self._last_name:
            self._last_name = self._one("SELECT coalesce(max(name), 0) FROM names")

    def _continues(self, row: Sequence[object], head: Head) -> bool:
        """Whether the last event taken in is still the same in the record."""
        number, source, event = row[3:6]
        if number == 0:
            return True
        if not isinstance(number, int) or number > head.number:
            return False
        try:
            (fact,) = self._reader.facts([number])
        except NotFound:
            return False
        return (fact.source, fact.id) == (source, event)

    def _make(self, head: Head) -> None:
        self._forget()
        self.number = 0
        for (name,) in self._connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table'"
        ).fetchall():
            self._connection.execute(f'DROP TABLE "{name}"')
        for statement in split_script(TABLES + SETTLED):
            self._connection.execute(statement)
        self._connection.execute(f"PRAGMA application_id={INDEX.application_id}")
        self._connection.execute(f"PRAGMA user_version={len(INDEX.migrations)}")
        self._connection.execute(
            "INSERT INTO cursor VALUES (1, ?, ?, ?, 0, 0, '', '')", (RULES, head.name, head.incarnation)
        )

    def _add(self, facts: Sequence[Fact]) -> None:
        named: list[tuple[int, int, int]] = []
        tied: list[tuple[int, int, int, int, int]] = []
        notices: list[tuple[object, ...]] = []
        revoked: list[tuple[str, str, int]] = []
        marked: list[tuple[object, ...]] = []
        held: list[tuple[object, ...]] = []
        unnamed: list[tuple[object, ...]] = []
        lives: list[tuple[object, ...]] = []
        for fact in facts:
            found = mentions(fact)
            number = fact.number
            for node, place in places(found):
                named.append((self._names.get(node) or self._name(node, number), place, number))
            for a, relation, b, position in tie_rows(fact, found):
                tie = (self._names[a], relation, self._names[b], position)
                if tie not in self._ties:
                    self._ties.add(tie)
                    tied.append((*tie, number))
                    self._streams.add("ties", TIE.pack(number, *tie))
            if (told := notice(fact, found)) is not None:
                station = fact.data.get("station") or ""
                far = reach(told.since, told.until)
                about = (fact.type, fact.source, fact.generation, station)
                notices.append((number, told.line, *about, told.since, told.until, far))
                if far not in self._reaches:
                    self._reaches.add(far)
                    self._many("reaches", [(far,)])
                if fact.type in HEARING and (fact.source, station) not in self._hearings:
                    self._hearings.add((fact.source, station))
                    self._many("hearings", [(fact.source, station)])
            if (reference := revokes(fact)) is not None:
                revoked.append((*reference, number))
            if (row := mark_row(fact)) is not None:
                place = self._place(row.line, row.station)
                marked.append((place, row.family, row.slot, row.since, number, int(row.proven), row.jar))
                self._first_of(place, row, number)
                if (place, fact.source) not in self._tellers:
                    self._tellers.add((place, fact.source))
                    self._many("mark_sources", [(place, fact.source, number)])
            unnamed += nameless_rows(fact, found)
            lives += [(container, number) for container in lived(fact)]
            for container in container_rows(fact):
                if container not in self._contents:
                    self._contents.add(container)
                    held.append((*container, number))
            for packed in said_rows(fact, self._names.__getitem__, self._word):
                self._streams.add("said", packed)
            for packed in told_rows(fact, self._word):
                self._streams.add("told", packed)
            if fact.source not in self._sources:
                self._sources.add(fact.source)
                self._many("sources", [(fact.source, line_of(fact.source), number)])
        self._many("named", named)
        self._many("ties", tied)
        self._many("notices", notices)
        self._many("revocations", revoked)
        self._many("marks", marked)
        self._many("contents", held)
        self._many("nameless", unnamed)
        self._many("lives", lives)
        self._spoil(facts, {row[0] for row in named})
        if facts:
            self._streams.write(self._connection, facts[0].number)

    def _spoil(self, facts: Sequence[Fact], names: set[int]) -> None:
        """Note which histories these facts may change; `names` are those that they give."""
        changed = [*facts, *self._superseded(facts)]
        for fact in changed[len(facts) :]:
            names.update(self._names_of(fact))
        agenda = [fact for fact in changed if fact.type == "board.asserted"]
        seen: set[tuple[str, str]] = set()
        while agenda:
            reference = revokes(agenda.pop())
            if reference is not None and reference not in seen:
                seen.add(reference)
                with contextlib.suppress(NotFound):
                    (fact,) = self._reader.facts([self._reader.number_of(*reference)])
                    names.update(self._names_of(fact))
                    agenda.append(fact)
        self._many("dirty", [(name,) for name in sorted(names)])
        if self._connection.execute("SELECT 1 FROM boards LIMIT 1").fetchone() is None:
            return  # nothing stands on anything yet
        files: set[str] = set()
        containers: set[str] = set()
        windows: dict[tuple[str, str], tuple[int, int]] = {}
        for fact in changed:
            containers.update(container for container, _ in container_rows(fact))
            containers.update(lived(fact))
            if (magazine := fact.data.get("magazine")) is not None:
                files.add(magazine_file(fact.source, magazine))
            if fact.type == DECLARED:
                files.add(declared_line(fact.source, fact.data["line"]))
            for line, station, since, until in _touched(fact):
                first, last = windows.get((line, station), (since, until))
                windows[line, station] = min(first, since), max(last, until)
        self._many("dirty_files", [(file,) for file in sorted(files)])
        self._many("dirty_containers", [(container,) for container in sorted(containers)])
        self._many("dirty_windows", [(*where, *window) for where, window in sorted(windows.items())])

    def _superseded(self, facts: Sequence[Fact]) -> Sequence[Fact]:
        """The other facts of raw records that came in several revisions."""
        numbers = [fact.number for fact in facts if self._revisions_of(fact) > 1]
        if not numbers:
            return []
        known = [s for s in self._reader.siblings(numbers) if s.number <= facts[-1].number]
        revisions: dict[tuple[str, str, int], set[int]] = {}
        for sibling in known:
            revisions.setdefault(sibling[:3], set()).add(sibling.revision)
        several = {raw for raw, them in revisions.items() if len(them) > 1}
        self._many("revised", sorted(several))
        self._many("doubted", [(s.number,) for s in known if s[:3] in several])
        return self._reader.facts(sorted({s.number for s in known} - set(numbers)))

    def _revisions_of(self, fact: Fact) -> int:
        """In how many revisions records of a fact's generation came so far."""
        key = fact.source, fact.generation
        known = self._revisions.get(key)
        if known is None:
            sql = "SELECT revision FROM revisions WHERE source = ? AND generation = ?"
            known = self._revisions[key] = {row[0] for row in self._connection.execute(sql, key)}
        if fact.revision not in known:
            known.add(fact.revision)
            self._many("revisions", [(*key, fact.revision)])
        return len(known)

    def _names_of(self, fact: Fact) -> list[int]:
        return [self._names.get(node) or self._name(node, fact.number) for node, _ in places(mentions(fact))]

    def _first_of(self, place: int, row: MarkRow, number: int) -> None:
        """Note a slot, or a kind of statement, of which a station never said anything before."""
        key = (place, row.family, row.slot)
        if key not in self._slots:
            self._slots.add(key)
            known = "SELECT 1 FROM slots WHERE place = ? AND family = ? AND slot = ?"
            if self._connection.execute(known, key).fetchone() is None:
                self._many("slots", [(*key, number)])
                self._many("dirty_places", [(row.line, row.station)])

    def _place(self, line: str, station: str) -> int:
        if (line, station) not in self._places:
            self._many("places", [(None, line, station)])
            sql = "SELECT place FROM places WHERE line = ? AND station = ?"
            self._places[line, station] = self._connection.execute(sql, (line, station)).fetchone()[0]
        return self._places[line, station]

    def _word(self, text: str) -> int:
        word = self._words.get(text)
        if word is None:
            self._connection.execute("INSERT OR IGNORE INTO words (text) VALUES (?)", (text,))
            word = self._connection.execute("SELECT word FROM words WHERE text = ?", (text,)).fetchone()[0]
            self._words[text] = word
        return word

    def _name(self, node: Node, number: int) -> int:
        row = self._connection.execute(
            "SELECT name FROM names WHERE value = ? AND kind = ?", (node.value, node.kind)
        ).fetchone()
        if row is None:
            self._last_name += 1
            self._connection.execute(
                "INSERT INTO names VALUES (?, ?, ?, ?)", (self._last_name, node.value, node.kind, number)
            )
            self._streams.add("names", NAME.pack(number, self._last_name, kind_of_name(node)))
        self._names[node] = self._last_name if row is None else row[0]
        return self._names[node]

    def _many(self, table: str, rows: Sequence[tuple[object, ...]]) -> None:
        if rows:
            marks = ", ".join("?" * len(rows[0]))
            self._connection.executemany(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", rows)

    def _finish(self, facts: Sequence[Fact], commit: int) -> None:
        if facts:
            last = facts[-1]
            self._connection.execute(
                "UPDATE cursor SET commit_no = ?, number = ?, source = ?, event = ?",
                (commit, last.number, last.source, last.id),
            )
            self.number = last.number
        else:
            self._connection.execute("UPDATE cursor SET commit_no = ?", (commit,))
        self.commit = commit
        if len(self._names) + len(self._revisions) + len(self._words) > _KEPT or len(self._ties) > 4 * _KEPT:
            self._forget()

    def _forget(self) -> None:
        self._names.clear()
        self._ties.clear()
        self._sources.clear()
        self._places.clear()
        self._contents.clear()
        self._tellers.clear()
        self._reaches.clear()
        self._hearings.clear()
        self._slots.clear()
        self._revisions.clear()
        self._words.clear()
        self._streams.clear()
        self._last_name = 0

    def _one(self, sql: str) -> int:
        return int(self._connection.execute(sql).fetchone()[0])

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                # What is in memory may tell of rows that were never written.
                self._forget()
                self.number = -1
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise trouble(self._path, error) from error


def catch_up(
    reader: StoreReader, index: Path, progress: Progress | None = None, *, wait_s: float = 0.3
) -> int:
    """Bring an index up to the record's newest commit, for a reader when no projector runs; returns that commit.

    Raises StoreUnavailable when the index cannot be written, or another writes it for longer than `wait_s`: it
    may be read as it stands.
    """
    builder = Builder(index, reader, busy_ms=round(wait_s * 1000))
    try:
        while builder.step():
            if progress is not None:
                progress(builder.number, reader.head().number)
        return builder.commit
    finally:
        builder.close()


def _touched(fact: Fact) -> Iterator[tuple[str, str, int, int]]:
    """Line, station and time for which a fact changes what is known to have been set up."""
    if (row := mark_row(fact)) is not None:
        yield row.line, row.station, row.since, row.since
    if fact.type in ("source.gap", "source.rejected") and (told := notice(fact, ())) is not None:
        yield line_of(fact.source), fact.data.get("station") or "", told.since, told.until


def trouble(path: Path, error: sqlite3.Error) -> StoreUnavailable:
    if getattr(error, "sqlite_errorcode", None) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return StoreUnavailable(f"{path} is damaged ({error}): delete it, it is made anew from the record")
    if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY:
        return StoreUnavailable(f"another process is writing {path.name}")
    return StoreUnavailable(f"{path} cannot be written: {error}")


def connection_of(path: Path, busy_ms: int) -> sqlite3.Connection:
    try:
        if path.exists() and path.stat().st_size:
            open_reader(path, INDEX).close()
    except StoreVersionError:
        # Not ours, a newer program's, or no database at all: nothing is lost that the record does not hold.
        for suffix in ("", "-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
    except NotFound:
        pass  # begun and still empty
    except BridgeError as error:
        if isinstance(error.__cause__, sqlite3.Error):
            raise trouble(path, error.__cause__) from error
        raise
    try:
        make_file(path)
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    except (sqlite3.Error, OSError) as error:
        raise StoreUnavailable(f"{path} cannot be opened: {error}") from error
    try:
        connection.execute(f"PRAGMA busy_timeout={busy_ms}")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=NORMAL")
        connection.execute("PRAGMA wal_autocheckpoint=16000")
        connection.execute("PRAGMA cache_size=-64000")
    except sqlite3.Error as error:
        connection.close()
        raise trouble(path, error) from error
    return connection
