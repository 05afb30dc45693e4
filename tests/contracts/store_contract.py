"""What every store of the record does, whatever it is made of. Subclass it and say how to open one."""

import asyncio
import re
from collections.abc import Callable, Coroutine
from datetime import timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from contracts.arrivals import EPOCH, SOURCE, START, arrival, board_arrived, gap, run_of

from broker_bridge.errors import NotFound
from broker_bridge.store.base import (
    Committed,
    Head,
    Heard,
    Progress,
    Refusal,
    RefusedRow,
    StoreReader,
    StoreWriter,
)

OTHER = "/harbour/smt/line-1/aoi"


class Driven:
    """A writer driven from plain code, and a reader of the same record."""

    def __init__(
        self, opening: Coroutine[Any, Any, StoreWriter], reading: Callable[[Any], StoreReader]
    ) -> None:
        self.runner = asyncio.Runner()
        try:
            self.writer = self.runner.run(opening)
        except BaseException:
            self.runner.close()
            raise
        self.reader = reading(self.writer)
        self.open = True

    def commit(self, *arguments: Any, **named: Any) -> Committed:
        return self.runner.run(self.writer.commit(*arguments, **named))

    def progress(self) -> list[Progress]:
        return self.runner.run(self.writer.progress())

    def refusals(self, after: int = 0, limit: int = 100) -> list[RefusedRow]:
        return self.runner.run(self.writer.refusals(after, limit))

    def head(self) -> Head:
        return self.runner.run(self.writer.head())

    def close(self) -> None:
        """Closing again does nothing: a fixture closes what a failed test left open."""
        if not self.open:
            return
        self.open = False
        self.reader.close()
        self.runner.run(self.writer.close())
        self.runner.close()


def refusal(body: bytes = b"not json", sequence: int | None = None, topic: str = "plant/v1/x") -> Refusal:
    known = sequence is not None
    return Refusal(
        topic, "json", "is not JSON", body, SOURCE if known else None, EPOCH if known else None, sequence
    )


class StoreContract:
    """Inherit, and give `driven`."""

    @pytest.fixture
    def driven(self, tmp_path: Path) -> Driven:
        raise NotImplementedError

    def progress(self, driven: Driven, epoch: int = EPOCH) -> Progress:
        (found,) = [row for row in driven.progress() if (row.source, row.epoch) == (SOURCE, epoch)]
        assert found in driven.reader.progress()
        return found

    # -- events come back as they came ---------------------------------------------------------------------

    def test_an_empty_record(self, driven: Driven) -> None:
        assert driven.head()[2:] == (0, 0)
        assert driven.reader.after(0, 10) == []
        assert driven.reader.last_number(0) == 0
        assert driven.reader.progress() == []
        assert driven.commit() == Committed(0, 0, 0, 0, 0, 0, {})

    def test_events_come_back_in_order_with_the_bytes_they_came_in(self, driven: Driven) -> None:
        arrivals = run_of(1, 5)
        done = driven.commit(arrivals[:3])
        assert done[:4] == (1, 3, 0, 0)
        assert driven.commit(arrivals[3:]).commit == 2
        facts = driven.reader.after(0, 10)
        assert [fact.number for fact in facts] == [1, 2, 3, 4, 5]
        assert [fact.commit for fact in facts] == [1, 1, 1, 2, 2]
        assert [driven.reader.body(number) for number in range(1, 6)] == [a.body for a in arrivals]
        for fact, (event, body) in zip(facts, arrivals, strict=True):
            assert (fact.id, fact.source, fact.type) == (event.id, event.source, event.type)
            assert fact.data == orjson.loads(body)["data"]
            assert driven.reader.number_of(event.source, event.id) == fact.number

    def test_times_are_utc_text(self, driven: Driven) -> None:
        driven.commit([arrival(1, time=START), arrival(2, time=START + timedelta(microseconds=1500))])
        assert [fact.time for fact in driven.reader.after(0, 2)] == [
            "2026-11-02T06:00:00Z",
            "2026-11-02T06:00:00.001500Z",
        ]

    def test_facts_come_in_the_order_asked_for(self, driven: Driven) -> None:
        driven.commit(run_of(1, 9))
        assert [fact.number for fact in driven.reader.facts([7, 2, 9, 2])] == [7, 2, 9, 2]
        assert driven.reader.facts([]) == []

    def test_what_is_not_there_is_named(self, driven: Driven) -> None:
        driven.commit(run_of(1, 2))
        for asked, told in [
            (lambda: driven.reader.facts([1, 3]), "3"),
            (lambda: driven.reader.body(4), "4"),
            (lambda: driven.reader.last_number(2), "2"),
            (lambda: driven.reader.number_of(SOURCE, "gen.5.0.1"), "gen.5.0.1"),
            (lambda: driven.reader.number_of("/no/such/one/here", "gen.100.0.1"), "/no/such/one/here"),
            (lambda: driven.reader.number_of(SOURCE, "no id"), "no id"),
        ]:
            with pytest.raises(NotFound, match=re.escape(told)):
                asked()

    def test_commits_cut_the_record(self, driven: Driven) -> None:
        driven.commit(run_of(1, 3))
        driven.commit(refusals=[refusal()])
        driven.commit(run_of(4, 4))
        assert [(c.number, c.first, c.last) for c in driven.reader.commits(0, 9)] == [
            (1, 1, 3),
            (2, 4, 3),
            (3, 4, 4),
        ]
        assert [driven.reader.last_number(commit) for commit in range(4)] == [0, 3, 3, 4]
        times = [commit.at for commit in driven.reader.commits(0, 9)]
        assert driven.reader.commit_at(times[1]) == 2
        assert driven.reader.commit_at(times[0] - 1) == 0
        assert driven.reader.commits(2, 9)[0].number == 3

    # -- nothing twice --------------------------------------------------------------------------------------

    def test_a_redelivery_changes_nothing(self, driven: Driven) -> None:
        driven.commit(run_of(1, 4))
        done = driven.commit(run_of(2, 6))
        assert (done.new, done.duplicates, done.conflicts, done.reused) == (2, 3, 0, 0)
        assert driven.head().number == 6
        assert driven.commit(run_of(1, 6))[:3] == (0, 0, 6)

    def test_the_same_event_twice_in_one_commit_is_one(self, driven: Driven) -> None:
        one = arrival(1)
        done = driven.commit([one, one, arrival(2), one])
        assert (done.new, done.duplicates, done.reused) == (2, 2, 0)
        assert [fact.id for fact in driven.reader.after(0, 9)] == ["gen.100.0.1", "gen.200.0.1"]

    def test_how_an_event_was_taken_in_does_not_count(self, driven: Driven) -> None:
        driven.commit([arrival(1)])
        later = START + timedelta(days=1)
        done = driven.commit([arrival(7, epoch=EPOCH + 1, position=100, recorded=later)])
        assert (done.new, done.duplicates, done.conflicts) == (0, 1, 0)
        assert self.progress(driven, EPOCH + 1).above == ((7, 7),)

    def test_the_same_id_in_another_source_is_another_event(self, driven: Driven) -> None:
        assert driven.commit([arrival(1), arrival(1, source=OTHER)]).new == 2

    def test_other_content_under_one_id_is_kept_beside_it(self, driven: Driven) -> None:
        first, other = arrival(1, board="HW-1"), arrival(2, position=100, board="HW-2")
        driven.commit([first])
        done = driven.commit([other, arrival(3)])
        assert (done.new, done.conflicts) == (1, 1)
        driven.commit([other])
        (conflict,) = driven.reader.conflicts()
        assert (conflict.event, conflict.body, conflict.commit, conflict.times) == (1, other.body, 2, 2)
        assert driven.reader.body(1) == first.body
        assert self.progress(driven).contiguous == 3

    def test_conflict_within_one_commit(self, driven: Driven) -> None:
        done = driven.commit([arrival(1, board="HW-1"), arrival(2, position=100, board="HW-2")])
        assert (done.new, done.conflicts) == (1, 1)
        assert driven.reader.conflicts()[0].event == 1

    def test_a_commit_of_nothing_but_a_conflict_has_a_number(self, driven: Driven) -> None:
        driven.commit([arrival(1, board="HW-1")])
        conflicting = arrival(1, board="HW-2")
        assert driven.commit([conflicting]).commit == 2
        assert driven.commit([conflicting]).commit == 0

    def test_the_events_of_one_raw_record_at_all_revisions(self, driven: Driven) -> None:
        driven.commit(
            [
                arrival(1, position=40, ordinal=1, revision=2),
                arrival(2, position=40, ordinal=0, revision=1),
                arrival(3, position=41),
                arrival(4, position=40, ordinal=0, revision=2),
                arrival(5, position=40, source=OTHER),
            ]
        )
        raw = (SOURCE, "gen", 40)
        for numbers in ([2], [1, 4], [4, 1, 2]):
            assert sorted(driven.reader.siblings(numbers)) == [
                (*raw, 1, 0, 2),
                (*raw, 2, 0, 4),
                (*raw, 2, 1, 1),
            ]
        assert driven.reader.siblings([]) == []

    def test_contradicted_events_are_told_with_the_commits_that_did_it(self, driven: Driven) -> None:
        driven.commit([arrival(1, board="HW-1"), arrival(2), arrival(3)])
        for board in ("HW-2", "HW-3", "HW-2"):
            driven.commit([arrival(1, board=board)])
        driven.commit([arrival(3, board="HW-4")])
        assert driven.reader.contradicted([1, 2]) == {1: [2, 3]}
        assert driven.reader.contradicted([]) == {}

    # -- complete by numbers -------------------------------------------------------------------------------

    def test_holes_are_missing_ranges(self, driven: Driven) -> None:
        done = driven.commit([*run_of(1, 3), *run_of(7, 8), *run_of(11, 11)])
        progress = self.progress(driven)
        assert done.progress == {(SOURCE, EPOCH): progress}
        assert (progress.contiguous, progress.above, progress.last) == (3, ((7, 8), (11, 11)), 11)
        assert progress.missing() == ((4, 6), (9, 10))
        driven.commit(run_of(4, 6))
        assert self.progress(driven).missing() == ((9, 10),)

    def test_what_was_heard_of_is_missing_until_it_comes(self, driven: Driven) -> None:
        driven.commit(run_of(1, 2), heard=[Heard(SOURCE, EPOCH, 4, b"{}")])
        assert self.progress(driven).missing() == ((3, 4),)
        driven.commit(heard=[Heard(SOURCE, EPOCH, 1, b"{}"), Heard(OTHER, EPOCH, 0, b"{}")])
        assert self.progress(driven).last == 4
        assert len(driven.reader.progress()) == 2

    def test_the_latest_state_of_each_source_is_kept(self, driven: Driven) -> None:
        driven.commit(heard=[Heard(SOURCE, EPOCH, 1, b"old"), Heard(OTHER, EPOCH, 1, b"other")])
        assert driven.commit(heard=[Heard(SOURCE, EPOCH, 2, b"new")]).commit == 0
        assert driven.reader.states() == {SOURCE: b"new", OTHER: b"other"}

    def test_epochs_are_counted_apart(self, driven: Driven) -> None:
        driven.commit([*run_of(1, 2), arrival(1, epoch=EPOCH + 1, generation="b")])
        assert [(row.epoch, row.contiguous) for row in driven.progress()] == [(EPOCH, 2), (EPOCH + 1, 1)]

    def test_a_refused_event_blocks_nothing(self, driven: Driven) -> None:
        done = driven.commit([arrival(1), arrival(3)], [refusal(b"poison", 2)])
        assert done.refused == 1
        assert self.progress(driven).contiguous == 3

    def test_a_stated_gap_closes_its_range(self, driven: Driven) -> None:
        driven.commit([*run_of(1, 2), *run_of(6, 6)])
        driven.commit([arrival(7, data=gap(EPOCH, 3, 4))])
        assert self.progress(driven).missing() == ((5, 5),)
        assert not self.progress(driven).closed

    def test_a_gap_without_end_closes_the_epoch(self, driven: Driven) -> None:
        driven.commit(run_of(1, 2), heard=[Heard(SOURCE, EPOCH, 9, b"{}")])
        done = driven.commit([arrival(1, epoch=EPOCH + 1, generation="b", data=gap(EPOCH, 3, None))])
        assert set(done.progress) == {(SOURCE, EPOCH), (SOURCE, EPOCH + 1)}
        assert self.progress(driven)[2:] == (9, (), 9, True)

    def test_a_gap_about_an_epoch_never_heard_of(self, driven: Driven) -> None:
        driven.commit([arrival(1, data=gap(EPOCH - 1, 1, None))])
        assert self.progress(driven, EPOCH - 1)[2:] == (0, (), 0, True)

    # -- two edges under one name ----------------------------------------------------------------------------

    def test_a_number_used_for_two_events_is_flagged_and_both_are_kept(self, driven: Driven) -> None:
        driven.commit(run_of(1, 3))
        done = driven.commit([arrival(2, generation="twin"), arrival(4)])
        assert (done.new, done.reused) == (2, 1)
        assert driven.reader.reused() == [4]
        done = driven.commit([arrival(5, generation="one"), arrival(5, generation="two")])
        assert (done.new, done.reused) == (2, 1)

    def test_an_event_refused_before_does_not_look_like_a_twin(self, driven: Driven) -> None:
        driven.commit(refusals=[refusal(b"newer schema", 1)])
        assert driven.commit([arrival(1)], resolved=[1]).reused == 0

    def test_an_event_that_comes_after_its_gap_was_stated_does_not_either(self, driven: Driven) -> None:
        driven.commit([arrival(3, data=gap(EPOCH, 1, 2))])
        done = driven.commit(run_of(1, 1))
        assert (done.new, done.reused) == (1, 0)

    # -- refusals ------------------------------------------------------------------------------------------

    def test_equal_refusals_are_counted(self, driven: Driven) -> None:
        done = driven.commit(refusals=[refusal(), refusal(), refusal(topic="plant/v1/y")])
        assert (done.commit, done.refused) == (1, 3)
        assert driven.commit(refusals=[refusal()]).commit == 0
        rows = driven.reader.refusals()
        assert [(row.number, row.times, row.refusal.topic) for row in rows] == [
            (1, 3, "plant/v1/x"),
            (2, 1, "plant/v1/y"),
        ]
        assert rows[0].first_seen < rows[0].last_seen
        assert rows == driven.refusals()

    def test_a_refusal_that_became_an_event_is_settled_not_forgotten(self, driven: Driven) -> None:
        driven.commit(refusals=[refusal(b"a", 1), refusal(b"b", 2)])
        driven.commit([arrival(1)], resolved=[1])
        assert [row.number for row in driven.refusals()] == [2]
        assert [row.number for row in driven.reader.refusals()] == [2]
        everything = driven.reader.refusals(resolved=True)
        assert [(row.number, row.resolved) for row in everything] == [(1, 2), (2, None)]
        assert driven.reader.refusals(after=1, limit=1)[0].number == 2

    # -- large and odd -------------------------------------------------------------------------------------

    def test_a_payload_of_the_largest_size(self, driven: Driven) -> None:
        body = arrival(1).body[:-1] + b" " * (8 * 2**20 - len(arrival(1).body)) + b"}"
        large = arrival(1)._replace(body=body)
        driven.commit([large])
        assert driven.reader.body(1) == body
        assert driven.reader.facts([1])[0].data == orjson.loads(large.body)["data"]

    def test_text_of_all_the_world(self, driven: Driven) -> None:
        odd = arrival(1, data=board_arrived("板-Ü-\U0001f50c"), board="板")
        driven.commit([odd])
        assert driven.reader.body(1) == odd.body
        assert driven.commit([odd]).duplicates == 1

    def test_a_sound_record_has_no_findings(self, driven: Driven) -> None:
        driven.commit(run_of(1, 3), [refusal()])
        driven.commit([arrival(1, board="HW-2")])
        assert [finding for finding in driven.reader.verify() if finding] == []
