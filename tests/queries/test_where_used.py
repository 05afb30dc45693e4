"""where-used: the inverse of materials, bounded or not and why; kept up as made anew."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memory_store import MemoryStore
from told import Told, board, panel, recorded

from broker_bridge.errors import NotFound, UsageError
from broker_bridge.events.fact import Fact
from broker_bridge.projector.derived import Derived
from broker_bridge.queries.boards import board as history_of
from broker_bridge.queries.record import Record, open_with
from broker_bridge.queries.settling import settle
from broker_bridge.queries.where_used import where_used
from broker_bridge.trace.recall import Answer, Asked


def reel(name: str | None, lot: str | None = None, part: str = "P-1") -> dict[str, Any]:
    return {"part": part, **({"id": name} if name else {}), **({"lots": [lot]} if lot else {})}


class Plant(Told):
    """Panels of two boards through a printer and a placement machine that takes P-1 from slot 5."""

    def __init__(self) -> None:
        super().__init__()
        self.say("station.program_changed", "07:00:00", station="place", program={"name": "PRG"})
        self.say("material.planned", "07:00:00", station="place", program={"name": "PRG"}, feeding={"slot": "5"},
                 material={"part": "P-1"}, places=[{"designator": "R1"}])  # fmt: skip
        self.say(
            "work.stencil_cleaned",
            "07:00:00",
            station="print",
            stencil="S",
            method="washed",
            paste_removed=True,
        )

    def load(self, number: int) -> None:
        for position in (1, 2):
            self.say("board.introduced", "07:30:00", board(f"B{number}{position}", panel=f"P{number}", position=position),
                     station="load")  # fmt: skip

    def place(self, number: int, clock: str, *fed: tuple[str | None, str | None, int]) -> None:
        for position in (1, 2):
            self.say("work.completed", clock, board(panel=f"P{number}", position=position), station="place",
                     outcome="completed", program={"name": "PRG", "revision": "7"}, side="top")  # fmt: skip
        for name, lot, quantity in fed:
            self.say("material.installed", clock, panel(f"P{number}"), station="place", material=reel(name, lot),
                     feeding={"slot": "5"}, quantity=quantity, places=[], by="machine", side="top",
                     sequence="board_by_board")  # fmt: skip

    def sets_up(self, clock: str, name: str | None, lot: str | None, **more: Any) -> None:
        more.setdefault("proof", "verified")
        self.say(
            "material.set_up", clock, station="place", material=reel(name, lot), feeding={"slot": "5"}, **more
        )


def opened(facts: Iterable[Fact], folder: Path) -> Record:
    store = MemoryStore()
    recorded(store, list(facts))
    return open_with(store.reader, folder / "i.db")


def asked(plant: Told, folder: Path, **what: Any) -> Answer:
    record = opened(plant.facts, folder)
    try:
        return where_used(record, Asked(**what))
    finally:
        record.index.close()


def names(members: Sequence[Any]) -> list[str]:
    return [member.value for member in members]


def two_panels() -> Plant:
    plant = Plant()
    plant.sets_up("07:10:00", "R-A", "L1")
    for number, clock in ((1, "09:00:00"), (2, "09:10:00")):
        plant.load(number)
        plant.place(number, clock, ("R-A", "L1", 2) if number == 1 else ("R-B", "L2", 2))
    return plant


def test_exact_members_of_a_lot_and_of_a_reel(tmp_path: Path) -> None:
    answer = asked(two_panels(), tmp_path, lot="L1")
    assert (names(answer.exact), names(answer.possible), answer.bounded) == (["B11", "B12"], [], True)
    assert answer.exact[0].uses[0].designators == ("R1",)
    (tmp_path / "second").mkdir()
    assert names(asked(two_panels(), tmp_path / "second", container="R-B").exact) == ["B21", "B22"]


def test_a_plain_text_is_looked_up_in_every_kind(tmp_path: Path) -> None:
    assert asked(two_panels(), tmp_path, text="R-A").took == ("container",)
    for text, took in (("L2", "lot"), ("PRG", "program"), ("place", "station")):
        folder = tmp_path / text
        folder.mkdir()
        assert asked(two_panels(), folder, text=text).took == (took,)


def test_7_what_the_record_does_not_know_is_not_bounded(tmp_path: Path) -> None:
    answer = asked(two_panels(), tmp_path, lot="L9")
    assert (answer.exact, answer.possible, answer.bounded) == ((), (), False)
    assert "does not know" in answer.unbounded[0]
    assert "not a release" in answer.caution


def test_7_boards_that_passed_while_the_machine_was_silent_are_possible(tmp_path: Path) -> None:
    plant = two_panels()
    plant.load(3)
    for station in ("print", "oven"):
        plant.passes(
            station, "09:04:00" if station == "print" else "09:09:00", "09:09:30", panel("P3"), side="top"
        )
    plant.say(
        "source.gap",
        "09:05:00",
        station="place",
        source="place",
        start="09:04:30",
        end="09:08:00",
        cause="away",
    )
    plant.place(4, "09:20:00", ("R-A", "L1", 2))
    answer = asked(plant, tmp_path, lot="L1")
    assert {"B31", "B32"} <= set(names(answer.possible))
    assert answer.bounded
    assert any("gap" in reason.reason for reason in answer.reasons)


def test_7_an_open_gap_is_not_bounded(tmp_path: Path) -> None:
    plant = two_panels()
    plant.say("source.gap", "09:05:00", station="place", source="place", start="08:00:00", cause="away")
    answer = asked(plant, tmp_path, lot="L1")
    assert not answer.bounded
    assert any("open gap" in why for why in answer.unbounded)


def test_8_an_unproven_set_up_makes_boards_possible_and_says_what_would_decide(tmp_path: Path) -> None:
    plant = two_panels()
    plant.sets_up("09:30:00", None, None, proof="bypassed")
    plant.load(3)
    plant.place(3, "09:40:00", (None, None, 2))
    answer = asked(plant, tmp_path, lot="L1")
    assert names(answer.exact) == ["B11", "B12"]
    assert names(answer.possible) == ["B31", "B32"]
    (shrink,) = answer.shrink
    assert shrink.confirm.startswith("confirm the set-up at place slot 5 of 2026-03-02 09:30:00")
    assert (shrink.from_, shrink.to) == (2, 0)


def test_a_board_that_nobody_named_makes_those_there_possible(tmp_path: Path) -> None:
    plant = two_panels()
    plant.load(3)
    plant.passes("place", "09:29:50", "09:30:20", panel("P3"))
    plant.say("material.installed", "09:30:00", panel(), station="place", material=reel("R-C", "L3"),
              feeding={"slot": "5"}, quantity=2, places=[], by="machine", side="top")  # fmt: skip
    answer = asked(plant, tmp_path, lot="L3")
    assert names(answer.possible) == ["B31", "B32"]
    (tmp_path / "alone").mkdir()
    alone = two_panels()
    alone.say("material.installed", "09:30:00", panel(), station="place", material=reel("R-C", "L3"),
              feeding={"slot": "5"}, quantity=2, places=[], by="machine", side="top")  # fmt: skip
    assert any("nobody named" in why for why in asked(alone, tmp_path / "alone", lot="L3").unbounded)


def passes(plant: Plant, number: int, station: str, clock: str, **more: Any) -> None:
    for position in (1, 2):
        plant.say("board.arrived", clock, board(panel=f"P{number}", position=position, **more), station=station,
                  how="transferred", source="transfer")  # fmt: skip
        plant.say("inspection.completed", clock, board(panel=f"P{number}", position=position, **more), station=station,
                  outcome="passed", side="top", method="optical")  # fmt: skip


def test_a_board_seen_behind_a_station_and_not_at_it_is_possible_where_all_others_passed(
    tmp_path: Path,
) -> None:
    plant = Plant()
    plant.sets_up("07:10:00", "R-A", "L1")
    for number in range(1, 13):
        clock = f"09:{number:02}:00"
        plant.load(number)
        passes(plant, number, "spi", clock)
        if number != 6:
            plant.place(number, f"09:{number:02}:20", ("R-A", "L1", 2))
        passes(plant, number, "aoi", f"09:{number:02}:40")
    answer = asked(plant, tmp_path, lot="L1")
    assert names(answer.exact) == sorted(f"B{n}{p}" for n in range(1, 13) if n != 6 for p in (1, 2))
    assert names(answer.possible) == ["B61", "B62"]
    assert "seen behind place and not at it" in answer.reasons[0].reason


def test_a_board_that_has_not_come_to_the_station_yet_is_not(tmp_path: Path) -> None:
    plant = Plant()
    plant.sets_up("07:10:00", "R-A", "L1")
    for number in range(1, 13):
        plant.load(number)
        passes(plant, number, "spi", f"09:{number:02}:00")
        if number != 12:
            plant.place(number, f"09:{number:02}:20", ("R-A", "L1", 2))
            passes(plant, number, "aoi", f"09:{number:02}:40")
    assert names(asked(plant, tmp_path, lot="L1").possible) == []


def test_boards_that_may_be_meant_where_names_contradict_each_other_are_possible(tmp_path: Path) -> None:
    """A stale code travelled on with another panel's transfer identifier: P2 is called P1."""
    plant = Plant()
    plant.sets_up("07:10:00", "R-A", "L1")
    for number in (1, 2):
        plant.load(number)
        passes(plant, number, "spi", "09:00:30")
    for transfer, times in (("t-1", ("09:01:00", "09:03:00")), ("t-2", ("09:01:30", "09:03:30"))):
        for clock in times:
            station = "place" if clock < "09:02:00" else "oven"
            plant.say("board.arrived", clock, panel("P1", f"transfer={transfer}", how="passed_on"), station=station,
                      how="transferred", source="transfer")  # fmt: skip
    plant.say("material.installed", "09:01:40", panel("P1", how="passed_on"), station="place", side="top",
              material=reel("R-A", "L1"), feeding={"slot": "5"}, quantity=2, places=[], by="machine")  # fmt: skip
    passes(plant, 2, "aoi", "09:05:00")
    answer = asked(plant, tmp_path, lot="L1")
    assert {"B21", "B22"} <= set(names(answer.possible))


def test_11_a_part_that_came_off_is_told_as_carried_no_more(tmp_path: Path) -> None:
    plant = two_panels()
    plant.say(
        "material.removed_from_board",
        "12:00:00",
        board("B11"),
        station="bench",
        places=[{"designator": "R1"}],
    )
    answer = asked(plant, tmp_path, lot="L1")
    assert [any(use.now for use in member.uses) for member in answer.exact] == [False, True]
    assert "1 of them carry it no more" in answer.summary


def test_13_a_revision_that_is_not_stated_is_possible(tmp_path: Path) -> None:
    plant = two_panels()
    plant.load(3)
    plant.say(
        "work.completed",
        "10:00:00",
        board("B31"),
        station="place",
        outcome="completed",
        program={"name": "PRG"},
    )
    answer = asked(plant, tmp_path, program="PRG", program_revision="7")
    assert names(answer.exact) == ["B11", "B12", "B21", "B22"]
    assert names(answer.possible) == ["B31"]


def test_a_program_told_at_a_time_that_fits_no_pass_is_possible(tmp_path: Path) -> None:
    """A machine's clock that is hours off: the program ran on the boards, in which of their visits is not known."""
    plant = Plant()
    for number in (1, 2):
        for role in ("arrived", "departed"):
            how = {"how": "transferred", "outcome": "good"} if role == "departed" else {"how": "transferred"}
            plant.say(f"board.{role}", f"22:0{number}:{'00' if role == 'arrived' else '20'}", board(f"B{number}"),
                      station="aoi", source="transfer", **how)  # fmt: skip
    for number in (1, 2, 3):
        plant.say("inspection.completed", f"13:0{number}:00", board(f"B{number}"), station="aoi", outcome="passed",
                  method="optical", program={"name": "LANTERN", "revision": "C"})  # fmt: skip
    for what in (
        {"program": "LANTERN"},
        {"text": "LANTERN"},
        {"program": "LANTERN", "program_revision": "C"},
    ):
        folder = tmp_path / "-".join(what)
        folder.mkdir()
        answer = asked(plant, folder, **what)
        assert names(answer.exact) == ["B3"]
        assert names(answer.possible) == ["B1", "B2"]
        assert "fits none of the passes" in answer.reasons[0].reason
    assert not names(asked(plant, tmp_path, program="LANTERN", program_revision="D").possible)


def test_a_tool_of_which_only_one_board_is_sure_is_possible_on_the_other(tmp_path: Path) -> None:
    plant = Plant()
    for number in (1, 2):
        plant.say("board.arrived", f"22:0{number}:00", board(f"B{number}"), station="test", how="transferred",
                  source="transfer")  # fmt: skip
        plant.say("board.departed", f"22:0{number}:20", board(f"B{number}"), station="test", how="transferred",
                  source="transfer", outcome="good")  # fmt: skip
    for number, clock in ((1, "22:01:10"), (2, "13:02:00")):
        plant.say("inspection.test_completed", clock, board(f"B{number}"), station="test", outcome="passed",
                  method="functional", fixture="FX-9")  # fmt: skip
    answer = asked(plant, tmp_path, tool="FX-9")
    assert names(answer.exact) == ["B1"]
    assert names(answer.possible) == ["B2"]


def test_23_what_was_used_beyond_its_floor_life(tmp_path: Path) -> None:
    plant = two_panels()
    plant.say(
        "material.exposed", "08:00:00", material=reel("R-B"), change="opened", remaining_h=1, level="5a"
    )
    answer = asked(plant, tmp_path, exceeded=True)
    assert names(answer.exact) == ["B21", "B22"]


def test_24_a_machine_is_looked_for_where_it_was_declared_to_stand_then(tmp_path: Path) -> None:
    plant = two_panels()
    for number, machine, since in ((1, "M-1", "00:00:00"), (2, "M-2", "09:05:00")):
        plant.say("line.declared", f"00:00:0{number}", source="/harbour/smt/line-1/declared", line="line-1",
                  stations=[{"name": "place", "equipment": machine}], valid_from=since)  # fmt: skip
    assert names(asked(plant, tmp_path, equipment="M-1").possible) == ["B11", "B12"]
    (tmp_path / "second").mkdir()
    assert names(asked(plant, tmp_path / "second", equipment="M-2").possible) == ["B21", "B22"]


def test_17_a_station_and_a_time_list_the_boards_inside(tmp_path: Path) -> None:
    from told import at

    answer = asked(two_panels(), tmp_path, station="place", from_=at("09:09:00"), to=at("09:11:00"))
    assert names(answer.exact) == ["B21", "B22"]


def test_where_they_are_now(tmp_path: Path) -> None:
    plant = two_panels()
    plant.say("board.held", "13:00:00", board("B11"), hold="H1", reason="complaint")
    plant.say("board.shipped", "13:00:00", board("B12"), destination="customer")
    answer = asked(plant, tmp_path, lot="L1")
    assert [member.state for member in answer.exact] == ["held", "shipped"]


def test_as_of_an_older_commit_is_what_was_known_then(tmp_path: Path) -> None:
    plant = two_panels()
    record = opened(plant.facts, tmp_path)
    last = next(fact.commit for fact in plant.facts if fact.type == "material.installed")
    assert names(where_used(record, Asked(lot="L2"), at=last).exact) == []
    assert names(where_used(record, Asked(lot="L1"), at=last).exact) == ["B11", "B12"]
    assert names(where_used(record, Asked(lot="L2")).exact) == ["B21", "B22"]
    with pytest.raises(NotFound):
        where_used(record, Asked(lot="L2"), at=10_000)
    record.index.close()


@pytest.mark.parametrize(
    "what",
    [
        {},
        {"lot": "L", "tool": "T"},
        {"program_revision": "7", "lot": "L"},
        {"lot": "L", "from_": None, "to": 1},
    ],
)
def test_one_thing_is_asked_for(tmp_path: Path, what: dict[str, Any]) -> None:
    with pytest.raises(UsageError):
        asked(two_panels(), tmp_path, **what)


# -- properties -----------------------------------------------------------------------------------------------


@st.composite
def plants(draw: st.DrawFn) -> list[Fact]:
    """A few panels; what their slots fed, set-ups proven and not, splices, gaps, things taken off, in any order."""
    plant = Plant()
    count = draw(st.integers(1, 3))
    for number in range(1, count + 1):
        plant.load(number)
        minute = draw(st.integers(0, 50))
        fed = draw(st.lists(st.sampled_from([("R-A", "L1", 2), ("R-A", "L1", 1), ("R-B", "L2", 1), (None, None, 2)]),
                            max_size=2))  # fmt: skip
        if fed or draw(st.booleans()):
            plant.place(number, f"09:{minute:02}:00", *fed)
        if draw(st.booleans()):
            plant.passes("place", f"09:{minute:02}:00", f"09:{minute:02}:20", panel(f"P{number}"))
    for minute in draw(st.lists(st.integers(0, 59), max_size=3)):
        proof = draw(st.sampled_from(["verified", "bypassed"]))
        plant.sets_up(
            f"08:{minute:02}:30", *draw(st.sampled_from([("R-A", "L1"), ("R-B", "L2")])), proof=proof
        )
    if draw(st.booleans()):
        plant.say("material.spliced", "09:10:30", station="place", material=reel("R-B", "L2"), feeding={"slot": "5"},
                  proof="verified")  # fmt: skip
    if draw(st.booleans()):
        plant.say("source.gap", "09:05:00", station="place", source="place", start="09:04:30", end="09:08:00",
                  cause="away")  # fmt: skip
    if draw(st.booleans()):
        plant.say("material.removed_from_board", "12:00:00", board("B11"), station="bench",
                  places=[{"designator": "R1"}])  # fmt: skip
    order = draw(st.permutations(range(len(plant.facts))))
    return [plant.facts[place]._replace(number=n, commit=(n + 2) // 3) for n, place in enumerate(order, 1)]


@settings(max_examples=15, deadline=None)
@given(plants())
def test_where_used_is_the_inverse_of_materials(facts: list[Fact]) -> None:
    with TemporaryDirectory() as folder:
        record = opened(facts, Path(folder))
        carried: dict[str, dict[str, bool]] = defaultdict(dict)
        unknown: set[str] = set()
        serials = {
            i["value"]
            for f in facts
            for b in f.data["boards"]
            for i in b["identifiers"]
            if i["kind"] == "board"
        }
        for serial in serials:
            for one in history_of(record, serial).materials:
                for lot in one.lots:
                    carried[lot][serial] = carried[lot].get(serial, False) or one.certainty == "observed"
                if one.act == "installed" and not one.known:
                    unknown.add(serial)
        for lot in ("L1", "L2"):
            answer = where_used(record, Asked(lot=lot))
            exact = {serial for serial, sure in carried[lot].items() if sure}
            assert set(names(answer.exact)) == exact
            assert (
                set(names(answer.possible))
                >= (carried[lot].keys() | (unknown if carried[lot] else set())) - exact
            )
            excess = set(names(answer.possible)) - carried[lot].keys() - unknown
            assert all(
                "gap" in (u.reason or "") for m in answer.possible if m.value in excess for u in m.uses
            )
        record.index.close()


def told(path: Path) -> dict[str, Any]:
    """What the derived tables say, without the numbers by which they hang together."""
    derived = Derived(path)
    found: dict[str, Any] = {}
    for row in derived.all_boards():
        carried = sorted(map(repr, derived.carried_by(row.board)))
        passages = sorted(repr(p[1:]) for p in derived.passages_of(row.board))
        found[f"{row.kind} {row.value} {row.position}"] = (row[1:], carried, passages)
    derived.close()
    return found


@settings(max_examples=15, deadline=None)
@given(plants())
def test_kept_up_commit_by_commit_is_as_made_anew(facts: list[Fact]) -> None:
    with TemporaryDirectory() as folder:
        store = MemoryStore()
        for commit in sorted({fact.commit for fact in facts}):
            recorded(store, [fact for fact in facts if fact.commit == commit])
            record = open_with(store.reader, Path(folder) / "kept.db")
            assert settle(record)
            record.index.close()
        anew = open_with(store.reader, Path(folder) / "anew.db")
        assert settle(anew)
        anew.index.close()
        assert told(Path(folder) / "kept.db") == told(Path(folder) / "anew.db")
