"""What is remembered of messages and transactions: repetitions, late names, what is forgotten."""

import gzip
import hashlib
import json
from datetime import UTC, datetime
from typing import Any

import pytest
from cfx_machine import HANDLE, WORK, config, envelope, said, units
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.cfx.adapter.ledger import Draft, Ledger
from broker_bridge.adapters.cfx.mapping import Mapper
from broker_bridge.adapters.cfx.protocol.envelope import Broken, Envelope, Limits, read

TAKEN = datetime(2026, 3, 2, 8, 20, tzinfo=UTC)


class Kept:
    """A ledger with the state it was written to; `again` reads it as a new process does."""

    def __init__(self, messages: int = 100, transactions: int = 5) -> None:
        self._limits = {"messages": messages, "transactions": transactions}
        self.state: dict[str, bytes] = {}
        self.ledger = Ledger({}, **self._limits)
        self.mapper = Mapper(config())
        self.archive: dict[str, bytes] = {}

    def again(self) -> None:
        self.ledger = Ledger(self.state, **self._limits)

    def add(self, *messages: Envelope | Broken, apply: bool = True) -> Draft:
        draft = self.ledger.draft(self.mapper)
        for message in messages:
            draft.add(message, TAKEN, "test")
        if apply:
            self._write(draft)
        return draft

    def retry(self) -> tuple[Draft, list[str | None]]:
        """Read all rejected messages again; what that gives, and why not, of each."""
        draft = self.ledger.draft(self.mapper)
        whys = []
        for key, one in self.ledger.rejected.items():
            raw = self.archive[one.digest]
            whys.append(draft.retry(key, one, raw, read(raw, one.encoding)))
        self._write(draft)
        return draft, whys

    def _write(self, draft: Draft) -> None:
        self.archive |= {hashlib.sha256(raw).hexdigest(): raw for raw in draft.archive.values()}
        for key, value in draft.state().items():
            if value is None:
                self.state.pop(key, None)
            else:
                self.state[key] = value
        draft.apply()


def shown(takings: list[Taking]) -> list[tuple[str, int, list[str]]]:
    """Type, revision and first names of each taking."""
    return [
        (
            taking.statements[0].data.TYPE,
            taking.revision,
            [name.value for board in taking.statements[0].data.boards for name in (*board.identifiers, *([board.panel] if board.panel else []))],
        )
        for taking in takings
    ]  # fmt: skip


def arrived(number: int, **more: Any) -> Envelope:
    return envelope("UnitsArrived", {"PrimaryIdentifier": f"HW-{number}"}, **more)


def test_a_message_that_comes_again_is_taken_once() -> None:
    kept = Kept()
    assert len(kept.add(arrived(1), arrived(1)).takings) == 1
    assert kept.add(arrived(1)).counts["messages_again"] == 1
    kept.again()
    assert kept.add(arrived(1)).takings == []


def test_what_was_not_written_is_taken_again() -> None:
    kept = Kept()
    assert len(kept.add(arrived(1), apply=False).takings) == 1
    assert len(kept.add(arrived(1)).takings) == 1


def test_one_unique_id_for_two_messages_loses_neither() -> None:
    """Against the standard, and seen where a program makes its identifiers by hand."""
    kept = Kept()
    one, two = (
        arrived(1, UniqueID="5" * 8 + "-5555" * 3 + "-" + "5" * 12),
        arrived(2, UniqueID="5" * 8 + "-5555" * 3 + "-" + "5" * 12, at="2026-03-02T08:16:00Z"),
    )
    assert len({taking.generation for taking in kept.add(one, two).takings}) == 2
    assert kept.add(two, one).takings == []
    # Sent again with another time on it, it is still the same.
    later = arrived(1, UniqueID="5" * 8 + "-5555" * 3 + "-" + "5" * 12, at="2026-03-02T08:17:00Z")
    assert kept.add(later).takings == []


def started(**more: Any) -> Envelope:
    return envelope("WorkStarted", {"TransactionID": WORK, "Units": []} | more)


PROCESSED = envelope(
    "Processing.UnitsProcessed",
    {"TransactionId": WORK, "OverallResult": "Succeeded", "CommonProcessData": {"Speed": 60.0}},
)
COMPLETED = envelope(
    "WorkCompleted",
    {
        "TransactionID": WORK,
        "Result": "Completed",
        "PrimaryIdentifier": "HW-P-01",
        "Units": units("HW-1", "HW-2"),
    },
    at="2026-03-02T08:16:00Z",
)


def test_names_that_come_late_reach_back_over_their_transaction_only() -> None:
    kept = Kept()
    assert shown(kept.add(started(), PROCESSED).takings) == [
        ("work.started", 1, []), ("reading.recorded", 1, []),
    ]  # fmt: skip
    kept.again()  # the process was killed meanwhile
    other = envelope(
        "Processing.UnitsProcessed", {"TransactionId": WORK.replace("2", "3"), "CommonProcessData": {"A": 1}}
    )
    draft = kept.add(other, COMPLETED)
    names = ["HW-P-01", "HW-1", "HW-P-01", "HW-2", "HW-P-01"]
    assert shown(draft.takings) == [
        ("reading.recorded", 1, []),
        ("work.completed", 1, names),
        ("work.started", 2, names),
        ("reading.recorded", 2, names),
    ]
    assert draft.counts["named_late"] == 2
    assert kept.add(started(), PROCESSED, COMPLETED).takings == []


def test_units_initialized_names_them_as_well() -> None:
    kept = Kept()
    named = envelope("UnitsInitialized", {"TransactionID": WORK, "Units": units("HW-1", "HW-2")})
    assert [each[:2] for each in shown(kept.add(started(), named).takings)] == [
        ("work.started", 1), ("board.identified", 1), ("work.started", 2),
    ]  # fmt: skip


def test_transactions_of_two_machines_are_two() -> None:
    kept = Kept()
    kept.mapper = Mapper(config(machines=[
        {"handle": "HarbourWorks.Spi.1", "station": "spi-1"}, {"handle": "HarbourWorks.Aoi.1", "station": "aoi-1"},
    ]))  # fmt: skip
    kept.add(started(PrimaryIdentifier="HW-P-01"))
    other = envelope(
        "Processing.UnitsProcessed",
        {"TransactionId": WORK, "CommonProcessData": {"A": 1}},
        Source="HarbourWorks.Aoi.1",
    )
    assert shown(kept.add(other).takings) == [("reading.recorded", 1, [])]


@settings(max_examples=60)
@given(st.lists(st.integers(0, 4), min_size=1, max_size=25), st.sets(st.integers(0, 24)))
def test_in_any_order_and_however_often_the_last_revision_names_the_boards(
    order: list[int], restarts: set[int]
) -> None:
    kept = Kept()
    messages = [started(), PROCESSED, COMPLETED, arrived(7), arrived(8)]
    takings: list[Taking] = []
    for place, which in enumerate(order):
        if place in restarts:
            kept.again()
        takings += kept.add(messages[which]).takings
    keys = [(taking.generation, taking.revision) for taking in takings]
    assert len(keys) == len(set(keys)), "an event was given twice"
    newest = {taking.generation: taking for taking in sorted(takings, key=lambda taking: taking.revision)}
    assert len(newest) == len(set(order))
    if 2 in order:
        for taking in newest.values():
            assert taking.statements[0].data.boards, taking.statements[0].data.TYPE


def test_what_is_remembered_is_bounded_and_the_youngest_stays() -> None:
    kept = Kept(messages=3, transactions=2)
    for number in range(10):
        transaction = f"{number:08}-0000-4000-8000-000000000000"
        kept.add(envelope("WorkStarted", {"TransactionID": transaction, "Units": []}))
    assert sum(key.startswith("seen/") for key in kept.state) == 3
    assert sum(key.startswith("transaction/") for key in kept.state) == 2
    assert len(kept.ledger.seen) == 3
    late = envelope(
        "WorkCompleted",
        {"TransactionID": "00000009-0000-4000-8000-000000000000", "PrimaryIdentifier": "HW-1"},
    )
    assert [each[:2] for each in shown(kept.add(late).takings)] == [
        ("work.completed", 1),
        ("work.started", 2),
    ]
    many = Kept(messages=0)
    many.add(*(arrived(number) for number in range(5)))
    assert many.state == {}


def test_what_is_broken_is_rejected_by_its_bytes() -> None:
    kept = Kept()
    (broken,) = read(said("UnitsArrived", {})[:-1])
    draft = kept.add(broken, broken)
    assert [taking.statements[0].data.TYPE for taking in draft.takings] == ["source.rejected"]
    assert kept.add(broken).counts["messages_again"] == 1
    assert list(draft.archive.values()) == [said("UnitsArrived", {})[:-1]]


def test_a_heartbeat_is_a_sign_of_life_and_nothing_else() -> None:
    kept = Kept()
    beat = envelope("CFX.Heartbeat", {"CFXHandle": "HarbourWorks.Spi.1", "HeartbeatFrequency": "00:01:00"})
    draft = kept.add(beat)
    assert draft.takings == []
    assert draft.signs == {"HarbourWorks.Spi.1": 60.0}
    assert kept.state == {}
    assert json.loads(beat.raw)["MessageName"] == "CFX.Heartbeat"


STRANGER = "HarbourWorks.Aoi.1"


def mended(kept: Kept) -> Kept:
    """The same after a restart with the stranger named as a machine."""
    kept.mapper = Mapper(config(machines=[
        {"handle": HANDLE, "station": "spi-1"}, {"handle": STRANGER, "station": "aoi-1"},
    ]))  # fmt: skip
    kept.again()
    return kept


def test_what_was_rejected_is_told_one_revision_higher_once_it_can_be() -> None:
    kept = Kept()
    first = kept.add(arrived(1, Source=STRANGER), arrived(2))
    assert [t.statements[0].data.TYPE for t in first.takings] == ["source.rejected", "board.arrived"]
    kept.again()
    _, (why,) = kept.retry()
    assert why is not None
    assert STRANGER in why
    assert len(kept.ledger.rejected) == 1, "it stays, for the next time"
    mended(kept)
    draft, whys = kept.retry()
    assert whys == [None]
    (taking,) = draft.takings
    assert (taking.generation, taking.revision) == (first.takings[0].generation, 2)
    assert taking.statements[0].data.station == "aoi-1"
    assert taking.statements[0].subject == "HW-1"
    # It is known from now on: neither the machine nor a second request tells it again.
    kept.again()
    assert kept.add(arrived(1, Source=STRANGER)).takings == []
    assert kept.ledger.rejected == {}


def test_names_reach_back_to_what_is_read_again_and_on_from_it() -> None:
    kept = Kept()
    work = [
        envelope("WorkStarted", {"TransactionID": WORK, "Units": []}, Source=STRANGER),
        envelope("Processing.UnitsProcessed", {"TransactionId": WORK, "CommonProcessData": {"A": 1}}, Source=STRANGER),
        envelope("WorkCompleted", {"TransactionID": WORK, "PrimaryIdentifier": "HW-1"}, Source=STRANGER),
    ]  # fmt: skip
    kept.add(*work[:2])
    mended(kept)
    draft, whys = kept.retry()
    assert whys == [None, None]
    assert [each[:2] for each in shown(draft.takings)] == [("work.started", 2), ("reading.recorded", 2)]
    assert shown(kept.add(work[2]).takings) == [
        ("work.completed", 1, ["HW-1"]), ("work.started", 3, ["HW-1"]), ("reading.recorded", 3, ["HW-1"]),
    ]  # fmt: skip


def test_a_body_that_can_be_read_by_now_gives_its_messages_their_own_names() -> None:
    """A limit that was raised: the body is no raw record any more, its messages are."""
    kept = Kept()
    body = gzip.compress(b"[" + said("UnitsArrived", {"PrimaryIdentifier": "HW-1"}) + b"," + said("UnitsArrived", {"PrimaryIdentifier": "HW-2"}) + b"]")  # fmt: skip
    (broken,) = read(body, "gzip", Limits(size=200))
    assert isinstance(broken, Broken)
    (before,) = kept.add(broken).takings
    kept.again()
    draft, whys = kept.retry()
    assert whys == [None]
    gone, *told = draft.takings
    assert (gone.generation, gone.revision) == (before.generation, 2)
    assert gone.statements[0].data.TYPE == "source.retracted"
    assert [(each.revision, each.statements[0].subject) for each in told] == [(1, "HW-1"), (1, "HW-2")]
    assert kept.add(arrived(2)).takings == []


def test_of_two_messages_under_one_name_none_is_hidden_by_a_retry() -> None:
    kept = Kept()
    same = {"UniqueID": "6" * 8 + "-6666" * 3 + "-" + "6" * 12, "Source": STRANGER}
    kept.add(arrived(1, **same), arrived(2, **same))
    assert mended(kept).ledger.rejected == {}


@pytest.mark.parametrize("ignore", [True, False])
def test_what_says_nothing_by_now_is_retracted(ignore: bool) -> None:
    kept = Kept()
    beat = envelope("CFX.Heartbeat", {"HeartbeatFrequency": "00:01:00"}, Source=STRANGER)
    kept.add(beat)
    mended(kept)
    if ignore:
        kept.mapper = Mapper(config(other_handles="ignore"))
    draft, whys = kept.retry()
    assert whys == [None]
    assert [(t.revision, t.statements[0].data.TYPE) for t in draft.takings] == [(2, "source.retracted")]
