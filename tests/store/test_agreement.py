"""SQLite and memory, driven through the same history, give the same answers; progress is what a set of numbers says."""

import itertools
import tempfile
from pathlib import Path

from contracts.arrivals import EPOCH, SOURCE, arrival, gap
from contracts.store_contract import OTHER, Driven, refusal
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from memory_store import MemoryStore

from broker_bridge.store.base import Heard
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

numbers = st.integers(1, 30)
sources = st.sampled_from([SOURCE, OTHER])
epochs = st.sampled_from([EPOCH, EPOCH + 1])
boards = st.sampled_from(["HW-1", "HW-2"])
plain = st.builds(
    arrival,
    sequence=numbers,
    source=sources,
    epoch=epochs,
    generation=st.sampled_from(["a", "b"]),
    board=boards,
    revision=st.integers(1, 2),
)
moved = st.builds(
    arrival, sequence=numbers, source=sources, epoch=epochs, position=st.integers(100, 105), board=boards
)
gaps = st.builds(
    lambda sequence, source, of, first, length: arrival(
        sequence,
        source=source,
        generation="gap",
        data=gap(of, first, None if length is None else first + length),
    ),
    numbers,
    sources,
    epochs,
    st.integers(0, 20),
    st.none() | st.integers(-1, 6),
)
refused = st.builds(
    refusal,
    body=st.sampled_from([b"", b"x", b"y" * 5000]),
    sequence=st.none() | numbers,
    topic=st.sampled_from("pq"),
)


def heard_of(source: str, epoch: int, last: int) -> Heard:
    return Heard(source, epoch, last, b"%d" % last)


async def in_memory() -> MemoryStore:
    return MemoryStore(now=itertools.count(1).__next__)


class Agreement(RuleBasedStateMachine):
    @initialize()
    def open(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "record.db"
        self.clock = itertools.count(1)
        self.memory = Driven(in_memory(), lambda writer: writer.reader)
        self.sqlite = self.opened()
        self.numbers: dict[tuple[str, int], set[int]] = {}

    def opened(self) -> Driven:
        return Driven(
            SqliteStore.open(self.path, "record", now=self.clock.__next__), lambda _: SqliteReader(self.path)
        )

    @rule(
        arrivals=st.lists(plain | moved | gaps, max_size=8),
        refusals=st.lists(refused, max_size=2),
        heard=st.lists(st.builds(heard_of, sources, epochs, st.integers(0, 35)), max_size=2),
    )
    def commit(self, arrivals: list, refusals: list, heard: list) -> None:
        ours = self.sqlite.commit(arrivals, refusals, heard)
        theirs = self.memory.commit(arrivals, refusals, heard)
        assert ours == theirs
        for event, _ in arrivals:
            self.numbers.setdefault((event.source, int(event.epoch)), set()).add(int(event.sequence))

    @rule(arrivals=st.lists(plain, max_size=2))
    def settle(self, arrivals: list) -> None:
        open_ones = [row.number for row in self.memory.refusals()]
        assert self.sqlite.commit(arrivals, resolved=open_ones[:1]) == self.memory.commit(
            arrivals, resolved=open_ones[:1]
        )
        for event, _ in arrivals:
            self.numbers.setdefault((event.source, int(event.epoch)), set()).add(int(event.sequence))

    @rule()
    def reopen(self) -> None:
        self.sqlite.close()
        self.clock = itertools.count(next(self.clock))
        self.sqlite = self.opened()

    @invariant()
    def readers_agree(self) -> None:
        ours, theirs = self.sqlite.reader, self.memory.reader
        assert ours.head()[2:] == theirs.head()[2:]
        assert ours.after(0, 1000) == theirs.after(0, 1000)
        assert ours.progress() == theirs.progress() == self.sqlite.progress()
        assert ours.states() == theirs.states()
        assert ours.states_received().keys() == theirs.states_received().keys(), "each has a clock of its own"
        assert ours.reused() == theirs.reused()
        assert [c[:3] for c in ours.commits(0, 1000)] == [c[:3] for c in theirs.commits(0, 1000)]
        assert [row._replace(first_seen=0, last_seen=0) for row in ours.refusals(0, 99, True)] == [
            row._replace(first_seen=0, last_seen=0) for row in theirs.refusals(0, 99, True)
        ]
        assert [(c.event, c.body, c.times) for c in ours.conflicts()] == [
            (c.event, c.body, c.times) for c in theirs.conflicts()
        ]

    @invariant()
    def no_committed_number_is_missing(self) -> None:
        for progress in self.sqlite.progress():
            missing = {number for first, last in progress.missing() for number in range(first, last + 1)}
            assert not missing & self.numbers.get((progress.source, progress.epoch), set())

    @invariant()
    def nothing_is_damaged(self) -> None:
        assert [finding for finding in self.sqlite.reader.verify() if finding] == []

    def teardown(self) -> None:
        if hasattr(self, "sqlite"):
            self.sqlite.close()
            self.memory.close()
            self.folder.cleanup()


TestAgreement = Agreement.TestCase
TestAgreement.settings = settings(max_examples=30, stateful_step_count=15)
