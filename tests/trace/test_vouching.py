"""What may be said to a machine: "good" needs everything, and each thing that is wrong alone takes it away."""

from collections.abc import Callable
from typing import Any

import pytest
from told import Told, at, board, call, verdict

from broker_bridge.trace.gaps import Hearing, Source
from broker_bridge.trace.history import History
from broker_bridge.trace.vouching import together, vouch


def clean(**looked: Any) -> Told:
    """Printed and inspected on a declared line, and seen all the way."""
    told = Told()
    told.say(
        "line.declared", "07:00:00", source="plan", line="line-1", valid_from=at("07:00:00"),
        stations=[{"name": name} for name in ("print", "aoi", "test")],
    )  # fmt: skip
    told.say("board.arrived", "10:00:00", board("A"), station="print", how="transferred", order="WO-7")
    told.say(
        "work.completed", "10:00:20", board("A"), station="print", started="10:00:05", ended="10:00:20",
        outcome="completed",
    )  # fmt: skip
    told.say("board.departed", "10:00:30", board("A"), station="print", how="transferred", outcome="good")
    told.say("board.arrived", "10:05:00", board("A"), station="aoi", how="transferred")
    told.inspects("aoi", "10:05:05", "10:05:20", board("A"), **looked)
    told.say("board.departed", "10:05:30", board("A"), station="aoi", how="transferred", outcome="good")
    return told


def history(told: Told) -> History:
    return heard(told.history("A"))


def heard(found: History, missing: int | None = 0, connected: bool = True) -> History:
    """The history where what is missing of its sources is known, as queries give it."""
    source = Source("/harbour/smt/line-1/aoi", missing, (Hearing("aoi", connected, at("07:00:00")),))
    return found._replace(completeness=found.completeness._replace(sources=(source,)))


def test_what_was_seen_all_the_way_is_good() -> None:
    found = vouch(history(clean()), declared=True)
    assert (found.word, found.reasons, found.order) == ("good", (), "WO-7")
    assert "releases nothing" in found.caution


def held() -> Told:
    told = clean()
    told.say("board.held", "11:00:00", board("A"), hold="H-1", reason="look at it")
    return told


def called() -> Told:
    return clean(outcome="failed", calls=[call("R1")])


def confirmed() -> Told:
    told = called()
    told.say(
        "inspection.reviewed", "12:00:00", board("A"), station="desk", inspected_at="aoi", inspected="10:05:05",
        outcome="failed", verdicts=[verdict("R1", "confirmed", defect="short")],
    )  # fmt: skip
    return told


def reworked() -> Told:
    told = confirmed()
    told.say(
        "inspection.rework_performed", "13:00:00", board("A"), station="desk", kind="rework", outcome="completed",
        actions=[{"place": {"designator": "R1"}, "action": "resoldered"}],
    )  # fmt: skip
    return told


def scrapped() -> Told:
    told = clean()
    told.say("board.dispositioned", "12:00:00", board("A"), disposition="scrap")
    return told


def untold() -> Told:
    told = clean()
    told.passes("test", "11:00:00", "11:01:00", board("A"))
    return told


def skipped() -> Told:
    told = Told()
    told.facts += [fact for fact in clean().facts if fact.data.get("station") != "print"]
    return told


def lost() -> Told:
    told = clean()
    told.say(
        "source.gap", "10:07:00", source="aoi", station="aoi", cause="away", start="10:02:00", end="10:04:00"
    )
    return told


def uninspected() -> Told:
    return clean(outcome="not_inspected")


def left_out() -> Told:
    return clean(coverage={"left_out": ["R9"]})


def failed_test() -> Told:
    told = clean()
    told.say(
        "inspection.test_completed", "11:00:30", board("A"), station="test", started="11:00:00", ended="11:00:30",
        method="functional", outcome="failed", attempt=1,
    )  # fmt: skip
    return told


def elsewhere() -> Told:
    told = clean()
    told.passes("kiln", "11:00:00", "11:01:00", board("A"))
    return told


@pytest.mark.parametrize(
    ("happens", "word", "reason"),
    [
        (held, "unknown", "on hold H-1"),
        (called, "failed", "calls are not judged"),
        (confirmed, "failed", "defect open at R1"),
        (reworked, "failed", "defect reworked at R1"),
        (scrapped, "failed", "it was decided: scrap"),
        (untold, "unknown", "test stated no good end of its work"),
        (skipped, "unknown", "something may be missing at print"),
        (lost, "unknown", "something may be missing at aoi (away)"),
        (uninspected, "unknown", "aoi came out as not inspected"),
        (left_out, "unknown", "aoi left out R9"),
        (failed_test, "failed", "test came out as failed"),
        (elsewhere, "unknown", "kiln is not in the process declared"),
    ],
)
def test_each_thing_that_is_wrong_takes_good_away(
    happens: Callable[[], Told], word: str, reason: str
) -> None:
    found = vouch(history(happens()), declared=True)
    assert any(reason in one for one in found.reasons), found.reasons
    assert found.word == word


@pytest.mark.parametrize(
    ("declared", "behind", "missing", "connected", "reason"),
    [
        (False, None, 0, True, "no process is declared"),
        (True, "the index is behind", 0, True, "the index is behind"),
        (True, None, 3, True, "3 events are missing"),
        (True, None, None, True, "what was missing then is not known"),
        (True, None, 0, False, "aoi is not heard now"),
    ],
)
def test_what_is_not_whole_or_not_current_is_unknown(
    declared: bool, behind: str | None, missing: int | None, connected: bool, reason: str
) -> None:
    found = vouch(heard(clean().history("A"), missing, connected), declared=declared, behind=behind)
    assert found.word == "unknown"
    assert any(reason in one for one in found.reasons)


def test_no_word_and_no_order_of_what_may_be_another_board() -> None:
    """Two names that contradict each other: even a failed test may be the other board's."""
    told = failed_test()
    told.say("board.arrived", "10:00:10", board("A"), station="kiln", how="transferred")
    told.say("board.departed", "10:40:00", board("A"), station="kiln", how="transferred")
    found = vouch(history(told), declared=True)
    assert (found.word, found.order) == ("unknown", None)


def test_without_an_inspection_nothing_is_good() -> None:
    told = Told()
    told.passes("print", "10:00:00", "10:00:30", board("A"), outcome="good")
    found = vouch(history(told), declared=True)
    assert "nothing has inspected or tested it" in found.reasons
    assert found.word == "unknown"


def test_a_panel_is_no_better_than_its_boards() -> None:
    good = vouch(history(clean()), declared=True)
    worse = good._replace(word="unknown", reasons=("on hold",))
    bad = good._replace(word="failed", reasons=("defect open",))
    assert together(good, [good, good]).word == "good"
    assert together(good, [good, worse]).word == "unknown"
    assert together(good, [good, bad]).word == "unknown", "one failed board does not make the others failed"
    assert together(bad, [bad, bad]).word == "failed"
    assert together(good, [good, worse]).reasons == ("A: on hold",)
