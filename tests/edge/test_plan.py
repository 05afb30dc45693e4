"""What of one source is sent next: nothing is forgotten, whatever broker and record do."""

from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.edge.plan import AHEAD, ALARM_S, GRACE_S, ROOM, STALL_S, Plan, Range


def send_all(plan: Plan, last: int, now: float) -> list[Range]:
    """Take what the plan asks for until it asks for nothing more."""
    spans = []
    while (wanted := plan.next_range(last, now)) is not None:
        span, again = wanted
        spans.append(span)
        plan.sent(span.last, again)
    return spans


def test_new_events_are_sent_once_and_in_order():
    plan = Plan(receipted=0, now=0.0)
    assert send_all(plan, 5, 0.0) == [Range(1, 5)]
    assert send_all(plan, 5, 0.1) == []
    assert send_all(plan, 7, 0.2) == [Range(6, 7)]


def test_a_start_continues_behind_what_was_receipted():
    assert send_all(Plan(receipted=40, now=0.0), 42, 0.0) == [Range(41, 42)]


def test_a_lost_connection_repeats_what_was_not_acknowledged():
    plan = Plan(receipted=0, now=0.0)
    send_all(plan, 10, 0.0)
    plan.acknowledge(4, 0.1)
    plan.disconnect()
    assert send_all(plan, 10, 0.2) == [Range(5, 10)]


def test_a_missing_range_is_sent_again_once_it_had_time_to_arrive():
    plan = Plan(receipted=0, now=0.0)
    send_all(plan, 10, 0.0)
    plan.acknowledge(10, 0.1)
    plan.receive(3, [(4, 6)], 0.2)
    assert send_all(plan, 10, 0.2) == [], "may still be on its way"
    later = 0.2 + GRACE_S
    plan.receive(3, [(4, 6)], later)
    assert send_all(plan, 10, later) == [Range(4, 6)]
    plan.receive(3, [(4, 6)], later + 0.1)
    assert send_all(plan, 10, later + 0.1) == [], "was sent again a moment ago"


def test_what_lies_above_all_that_the_record_has_is_on_its_way():
    """Sent again every two seconds, a queue that takes longer than that would never end."""
    plan = Plan(receipted=0, now=0.0)
    send_all(plan, 1000, 0.0)
    plan.acknowledge(1000, 0.1)
    for tenth in range(1, 300):  # half a minute in which the record gets on, slowly
        plan.receive(tenth, [(tenth + 1, 1000)], tenth / 10, reached=tenth)
        assert send_all(plan, 1000, tenth / 10) == []
    plan.receive(299, [(300, 309), (311, 1000)], 30.0, reached=310)
    assert send_all(plan, 1000, 30.0) == [Range(300, 309)], "what lies below is a hole"
    at = 30.0 + STALL_S + 0.1
    plan.receive(299, [(300, 309), (311, 1000)], at, reached=310)
    assert Range(300, 309) in send_all(plan, 1000, at)
    assert Range(300, 1000) in send_all(plan, 1000, at + STALL_S), "it does not get on: all of it"


def test_only_so_much_is_out_without_a_receipt():
    plan = Plan(receipted=0, now=0.0)
    assert send_all(plan, 50_000, 0.0) == [Range(1, AHEAD)]
    plan.acknowledge(AHEAD, 0.1)
    plan.receive(ROOM - 1, [], 0.2, reached=ROOM - 1)
    assert send_all(plan, 50_000, 0.2) == [], "not for a handful"
    plan.receive(ROOM, [], 0.3, reached=ROOM)
    assert send_all(plan, 50_000, 0.3) == [Range(AHEAD + 1, AHEAD + ROOM)]
    assert send_all(plan, AHEAD + ROOM + 1, 0.3) == []
    plan.receive(ROOM + 1, [], 0.4, reached=ROOM + 1)
    assert send_all(plan, AHEAD + ROOM + 1, 0.4) == [Range(AHEAD + ROOM + 1, AHEAD + ROOM + 1)], (
        "the last ones go"
    )


def test_a_record_that_is_away_is_sent_the_same_less_and_less_often():
    plan = Plan(receipted=0, now=0.0)
    send_all(plan, 10, 0.0)
    plan.acknowledge(10, 0.0)
    times = [now for now in range(3600) if send_all(plan, 10, float(now))]
    assert times[:4] == [11, 21, 41, 81]
    assert len(times) < 30
    plan.receive(0, [(1, 10)], 3600.0, reached=0)
    assert send_all(plan, 10, 3600.0 + STALL_S) == [Range(1, 10)], "it is back, and has nothing"


def test_a_broker_that_acknowledges_and_forgets_is_caught_by_the_missing_receipt():
    plan = Plan(receipted=0, now=0.0)
    send_all(plan, 10, 0.0)
    plan.acknowledge(10, 0.1)
    assert send_all(plan, 10, STALL_S) == []
    assert send_all(plan, 10, STALL_S + 0.2) == [Range(1, 10)]
    assert plan.overdue(ALARM_S + 0.2) is not None


def test_waiting_for_new_events_is_no_reason_for_an_alarm():
    plan = Plan(receipted=0, now=0.0)
    send_all(plan, 1, 100.0)
    plan.acknowledge(1, 100.0)
    assert plan.overdue(101.0) is None


def test_a_restored_record_gets_again_what_it_lacks():
    plan = Plan(receipted=0, now=0.0)
    send_all(plan, 10, 0.0)
    plan.acknowledge(10, 0.1)
    plan.receive(10, [], 0.2)
    plan.restore(4, 1.0)
    assert send_all(plan, 10, 1.0) == [Range(5, 10)]


class Road:
    """A broker and a record that lose messages and connections as told, and a clock."""

    def __init__(self, tells: bool) -> None:
        self.tells = tells
        self.plan = Plan(receipted=0, now=0.0)
        self.last = 0
        self.now = 0.0
        self.record: set[int] = set()

    def contiguous(self) -> int:
        number = 0
        while number + 1 in self.record:
            number += 1
        return number

    def missing(self) -> list[tuple[int, int]]:
        """One range a number, up to the last number the record has heard of."""
        top = max(self.record, default=0)
        return [(n, n) for n in range(self.contiguous() + 1, top) if n not in self.record]

    def step(self, new: int, delivered: int, cut: bool, receipt: bool) -> None:
        self.now += 1.0
        self.last += new
        for index in range(20):
            wanted = self.plan.next_range(self.last, self.now)
            if wanted is None:
                break
            span, again = wanted
            self.plan.sent(span.last, again)
            for number in range(span.first, span.last + 1):
                if (delivered >> ((number + index) % 8)) & 1:
                    self.record.add(number)
            if cut:
                self.plan.disconnect()
                return
            if not again:
                self.plan.acknowledge(span.last, self.now)
        if receipt:
            self.plan.receive(
                self.contiguous(),
                self.missing(),
                self.now,
                max(self.record, default=0) if self.tells else None,
            )


steps = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 255), st.booleans(), st.booleans()), max_size=40)


@settings(max_examples=150, deadline=None)
@given(steps, st.booleans())
def test_whatever_is_lost_on_the_way_the_record_is_complete_in_the_end(told, tells):
    road = Road(tells)
    for new, delivered, cut, receipt in told:
        road.step(new, delivered, cut, receipt)
    for _ in range(60):
        road.step(0, 255, False, True)
    assert road.record == set(range(1, road.last + 1))
    assert road.plan.receipted == road.last
    assert send_all(road.plan, road.last, road.now + 1.0) == []
