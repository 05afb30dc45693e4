"""What a board's own statements show about the clocks of its machines."""

from datetime import datetime, timedelta
from typing import Any

import orjson
import pytest
from told import Told, at, board

from broker_bridge.events.fact import Fact
from broker_bridge.trace.clocks import UNTIMED
from broker_bridge.trace.visits import Visit
from broker_bridge.words.board import words

A = board("A")


class Wire(Told):
    """A supervisor that takes messages in; the machines' texts are in local time, one hour ahead of UTC."""

    def hears(self, kind: str, clock: str, station: str, *, taken: str | None = None) -> None:
        """A message about A that the machine stamps `clock` (UTC, by its own clock); `taken` where ours is far from it."""
        fact = self.say(
            f"board.{kind}", taken or clock, A, station=station, how="transferred", source="transfer",
            means="taken_in" if taken else "sent", flags=("clock_suspect",) if taken else (),
        )  # fmt: skip
        text = (at(clock) + timedelta(hours=1)).replace(tzinfo=None).isoformat(timespec="milliseconds")
        self.facts[-1] = _with_text(fact, text)

    def passes(self, station: str, arrived: str, departed: str, *_: Any, **__: Any) -> None:
        self.hears("arrived", arrived, station)
        self.hears("departed", departed, station)

    @property
    def route(self) -> tuple[Visit, ...]:
        return self.history("A").route


def _with_text(fact: Fact, text: str) -> Fact:
    data = orjson.loads(orjson.dumps(dict(fact.data)))
    data["origin"]["time_text"] = text
    return fact._replace(data=data)


@pytest.fixture
def told() -> Wire:
    wire = Wire()
    wire.passes("printer", "09:50:00", "09:50:30")
    return wire


def at_spi(told: Wire) -> list[tuple[datetime, datetime | None, str]]:
    return [(v.arrived, v.departed, v.certainty) for v in told.route if v.station == "spi"]


def test_a_clock_that_is_always_wrong_makes_no_second_visit(told: Wire) -> None:
    told.hears("arrived", "09:58:25", "spi", taken="10:00:00")
    told.inspects("spi", "09:58:25", "09:58:40", A, source="spi-files", method="paste")
    told.hears("departed", "09:58:50", "spi", taken="10:00:25")
    assert at_spi(told) == [(at("10:00:00"), at("10:00:25"), "observed")]
    (visit,) = (v for v in told.route if v.station == "spi")
    assert (visit.arrived_certainty, visit.departed_certainty) == ("inferred", "inferred")
    assert "95 s behind" in (visit.reason or "")


def test_a_late_message_of_a_right_clock_counts_by_the_machine(told: Wire) -> None:
    told.hears("arrived", "10:00:00", "spi")
    told.hears("departed", "10:00:25", "spi", taken="10:06:00")
    told.passes("jet", "10:01:00", "10:01:10")
    assert at_spi(told) == [(at("10:00:00"), at("10:00:25"), "observed")]
    (visit,) = (v for v in told.route if v.station == "spi")
    assert (visit.arrived_certainty, visit.departed_certainty) == ("observed", "inferred")
    assert "335 s late" in (visit.reason or "")


def test_a_message_that_nothing_explains_proves_no_visit(told: Wire) -> None:
    told.hears("departed", "10:00:25", "spi", taken="10:06:00")
    (visit,) = (v for v in told.route if v.station == "spi")
    assert (visit.certainty, visit.probability) == ("inferred", UNTIMED)


def test_a_time_that_was_stated_and_not_believed_is_not_said_to_be_missing() -> None:
    told = Wire()  # nothing shows in which zone the machine's text is
    told.hears("departed", "10:00:25", "spi", taken="10:06:00")
    (visit,) = (v for v in told.route if v.station == "spi")
    assert "states a time that is not believed, it is too far from the clock of its intake" in (
        visit.reason or ""
    )
    assert "states no time" not in (visit.reason or "")


@pytest.mark.parametrize(
    ("text", "said"),
    [(None, "states no time"), ("yesterday", "not believed, it cannot be read as an instant")],
)
def test_a_time_that_is_missing_or_no_time_is_said_so(told: Wire, text: str | None, said: str) -> None:
    fact = told.say("board.departed", "10:06:00", A, station="spi", how="transferred", means="taken_in")
    if text is not None:
        told.facts[-1] = _with_text(fact, text)
    (visit,) = (v for v in told.route if v.station == "spi")
    assert said in (visit.reason or "")


def test_a_clock_ahead_is_no_late_message(told: Wire) -> None:
    told.passes("spi", "08:00:00", "08:00:25")
    told.hears("arrived", "11:00:00", "spi", taken="10:00:00")
    assert [certainty for *_, certainty in at_spi(told)] == ["observed", "inferred"]


def test_a_late_message_after_a_step_is_not_told_by_the_clock_before_it(told: Wire) -> None:
    told.passes("spi", "08:00:00", "08:00:25")
    told.hears("arrived", "11:00:00", "spi", taken="10:00:00")
    told.hears("departed", "11:00:25", "spi", taken="11:40:00")
    assert all(arrived != at("11:00:25") for arrived, *_ in at_spi(told))
    assert next(certainty for *_, certainty in at_spi(told)) == "observed"
    assert "observed" not in [certainty for *_, certainty in at_spi(told)][1:]


def test_a_file_that_fits_no_pass_of_its_station_is_doubtful(told: Wire) -> None:
    told.passes("spi", "10:00:00", "10:00:25")
    told.inspects("spi", "11:00:05", "11:00:20", A, source="spi-files", method="paste")
    assert at_spi(told)[0] == (at("10:00:00"), at("10:00:25"), "observed")
    assert [certainty for *_, certainty in at_spi(told)] == ["observed", "inferred"]
    (doubtful,) = [visit for visit in told.history("A").route if visit.certainty != "observed"]
    assert doubtful.reason is not None
    assert doubtful.reason.count("fits none of the passes") == 1


def test_a_station_without_messages_is_taken_at_its_word(told: Wire) -> None:
    told.inspects("aoi", "11:00:05", "11:00:20", A)
    assert [v.certainty for v in told.route] == ["observed", "observed"]


def test_a_file_of_a_pass_whose_arrival_was_lost_fits(told: Wire) -> None:
    told.inspects("spi", "10:00:05", "10:00:20", A, source="spi-files", method="paste")
    told.hears("departed", "10:00:25", "spi")
    assert [(v.certainty, v.departed) for v in told.route if v.station == "spi"] == [
        ("observed", at("10:00:25"))
    ]


def test_what_has_a_doubtful_time_contradicts_nobody(told: Wire) -> None:
    told.passes("spi", "10:00:00", "10:10:00")
    told.passes("jet", "10:20:00", "10:20:10")
    told.inspects("jet", "10:04:00", "10:05:00", A, source="jet-files")
    assert [(v.station, v.certainty) for v in told.route] == [
        ("printer", "observed"), ("spi", "observed"), ("jet", "inferred"), ("jet", "observed"),
    ]  # fmt: skip


def test_calls_of_an_inspection_with_a_doubtful_time_are_doubtful(told: Wire) -> None:
    told.passes("aoi", "10:00:00", "10:00:25")
    told.inspects("aoi", "11:00:05", "11:00:20", A, source="aoi-files", outcome="failed")
    (inspection,) = told.history("A").inspections
    assert inspection.certainty == "inferred"
    first = next(v for v in told.route if v.station == "aoi")
    assert (first.certainty, first.outcome) == ("observed", None)


def test_an_inspection_is_told_by_the_clock_of_its_visit_and_keeps_what_its_machine_stated(
    told: Wire,
) -> None:
    told.hears("arrived", "09:58:25", "spi", taken="10:00:00")
    told.inspects("spi", "09:58:25", "09:58:40", A, source="spi-files", method="paste")
    told.hears("departed", "09:58:50", "spi", taken="10:00:25")
    history = told.history("A")
    (found,) = history.inspections
    assert (found.started, found.ended) == (at("09:58:25"), at("09:58:40"))
    assert found.corrected == at("10:00:00")
    assert "95 s behind" in (found.clock or "")
    text = " ".join(" ".join(words(history)).split())
    assert "spi, paste, 2026-03-02 10:00:00 (09:58:25 by its machine's clock): passed" in text
    assert "note: its machine's clock is 95 s behind, as its messages show: that much is taken off" in text


def test_an_inspection_on_a_right_clock_is_told_as_it_is_stated(told: Wire) -> None:
    told.passes("spi", "10:00:00", "10:00:25")
    told.inspects("spi", "10:00:05", "10:00:20", A, source="spi-files", method="paste")
    (found,) = told.history("A").inspections
    assert (found.corrected, found.clock) == (None, None)
