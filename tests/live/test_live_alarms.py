"""Alarms stay until they are over and seen."""

from looking import view
from told import Told, at

from broker_bridge.live.alarms import Alarm, AlarmId


def shown(said: Told, *seen: AlarmId) -> list[Alarm]:
    return list(view(said.facts, seen=set(seen)).alarms)


def raised(said: Told, time: str, code: str = "E1", **more: str) -> None:
    said.say("station.alarm_raised", time, station="a", code=code, source="m", **more)


def over(said: Told, time: str, code: str = "E1", **more: str) -> None:
    said.say("station.alarm_cleared", time, station="a", code=code, source="m", **more)


def test_an_alarm_that_is_over_stays_until_it_was_seen() -> None:
    said = Told()
    raised(said, "11:00:00")
    over(said, "11:01:00")
    (alarm,) = shown(said)
    assert (alarm.since, alarm.over, alarm.seen) == (at("11:00:00"), at("11:01:00"), False)
    assert shown(said, alarm.id) == []


def test_an_alarm_that_stands_stays_also_when_it_was_seen() -> None:
    said = Told()
    raised(said, "11:00:00")
    (alarm,) = shown(said)
    (alarm,) = shown(said, alarm.id)
    assert alarm.seen
    assert alarm.over is None


def test_raised_again_is_not_seen_yet() -> None:
    said = Told()
    raised(said, "11:00:00")
    first = shown(said)[0].id
    raised(said, "11:05:00")
    (alarm,) = shown(said, first)
    assert (alarm.since, alarm.times, alarm.seen) == (at("11:00:00"), 2, False)
    over(said, "11:06:00")
    raised(said, "11:07:00")
    (alarm,) = shown(said)
    assert (alarm.since, alarm.times, alarm.over) == (at("11:07:00"), 1, None)


def test_a_clearing_with_a_key_clears_that_occurrence_only() -> None:
    said = Told()
    raised(said, "11:00:00", alarm="k1")
    raised(said, "11:00:01", alarm="k2")
    over(said, "11:01:00", alarm="k1")
    assert [(alarm.key, alarm.over is None) for alarm in shown(said)] == [("k1", False), ("k2", True)]


def test_a_clearing_by_code_clears_all_of_that_code() -> None:
    said = Told()
    raised(said, "11:00:00", alarm="k1")
    raised(said, "11:00:01", alarm="k2")
    raised(said, "11:00:01", code="E2")
    over(said, "11:01:00")
    assert [alarm.code for alarm in shown(said) if alarm.over is None] == ["E2"]


def test_another_source_clears_nothing() -> None:
    said = Told()
    raised(said, "11:00:00")
    said.say("station.alarm_cleared", "11:01:00", station="a", code="E1", source="other")
    (alarm,) = shown(said)
    assert alarm.over is None


def test_a_clearing_that_comes_first_still_clears() -> None:
    said = Told()
    over(said, "11:01:00")
    raised(said, "11:00:00")
    (alarm,) = shown(said)
    assert alarm.over == at("11:01:00")
