"""The whole history: its invariants, its JSON, and that nothing legal breaks it."""

import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from lives import lives, named
from strategies import events
from told import AS_OF, Told, at, board, call, history_of, panel, verdict

from broker_bridge.events.fact import Fact
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import EVENT_TYPES, dump_event
from broker_bridge.trace.history import history, subjects
from broker_bridge.trace.mentions import Node, Slot
from broker_bridge.trace.plain import plain
from broker_bridge.trace.revisions import holding
from broker_bridge.trace.schema import history_schema

VALIDATOR = Draft202012Validator(history_schema(), format_checker=Draft202012Validator.FORMAT_CHECKER)


def whole_life() -> Told:
    """A board of a panel from the loader to the test, with a bit of everything."""
    told = Told()
    told.say("source.connected", "07:00:00", source="spi")
    told.say(
        "line.declared", "07:00:00", source="plan", line="line-1", valid_from=at("07:00:00"),
        stations=[{"name": name} for name in ("load", "print", "spi", "place", "aoi", "ict")],
    )  # fmt: skip
    told.say(
        "board.introduced", "10:00:00", panel("P", "transfer=T"), station="load", order="WO-7",
        part={"number": "HW-100", "revision": "C"}, material={"lots": ["PCB-1"], "part": "4711"}, purpose="production",
    )  # fmt: skip
    told.passes("print", "10:01:00", "10:01:30", panel("transfer=T"), source="transfer")
    told.say("work.print_attempted", "10:01:20", panel("P"), station="print", attempt=1, outcome="completed")
    for position, serial in ((1, "A"), (2, "B")):
        told.inspects(
            "spi", "10:02:00", "10:02:20", board(serial, panel="P", position=position, state="good"), method="paste",
            outcome="failed" if serial == "A" else "passed", calls=[call("R1", "low")] if serial == "A" else [],
            coverage={"inspected": 40, "total": 40, "of": "pads"},
        )  # fmt: skip
    told.say(
        "inspection.paste_topped_up", "10:02:40", board("A"), station="jet", places=[{"designator": "R1"}],
        outcome="completed",
    )  # fmt: skip
    told.say(
        "material.installed",
        "10:04:00",
        panel("P"),
        station="place",
        material={"id": "REEL-1", "lots": ["L1"]},
        places=[],
    )
    told.inspects(
        "aoi", "10:10:00", "10:10:20", board(panel="P", position=1), outcome="failed", calls=[call("U1")]
    )
    told.say(
        "inspection.reviewed", "12:00:00", board("A"), station="desk", inspected_at="aoi", inspected="10:10:00",
        outcome="failed", verdicts=[verdict("U1", "confirmed")],
    )  # fmt: skip
    told.say("source.gap", "10:07:00", source="oven", cause="away", start="10:05:00", end="10:07:00")
    told.say("source.rejected", "10:06:00", station="oven", reason="line 3: cut off")
    told.say("board.held", "12:05:00", board("A"), reason="confirmed bridge", hold="H-1")
    told.say(
        "inspection.test_completed", at("09:00:00", day=1), board("A", "customer_serial=CS"), station="ict",
        method="in_circuit", outcome="failed", attempt=1, fixture="FX",
    )  # fmt: skip
    told.say(
        "board.asserted",
        at("10:00:00", day=1),
        board("A"),
        source="desk",
        claim="note",
        who="op-1",
        why="scratch",
    )
    told.say("board.shipped", at("11:00:00", day=2), board("A"), destination="customer")
    return told


def test_whole_life_reads_as_it_was_told() -> None:
    told = whole_life()
    history = told.history("A")
    identity = history.identity
    assert (identity.key.value, identity.unit, identity.position) == ("A", "board", 1)
    assert identity.panel and identity.panel.value == "P"  # noqa: PT018
    assert {(i.kind, i.value) for i in identity.identifiers} == {("board", "A"), ("customer_serial", "CS")}
    assert (identity.part_number, identity.revision, identity.purpose) == ("HW-100", "C", "production")
    assert [visit.station for visit in history.route] == [
        "load", "print", "spi", "jet", "place", "aoi", "desk", "ict",
    ]  # fmt: skip
    assert {visit.certainty for visit in history.route} == {"observed"}
    assert [(i.station, i.outcome, len(i.calls)) for i in history.inspections] == [
        ("spi", "failed", 1),
        ("aoi", "failed", 1),
    ]
    assert [(d.place.designator, d.paste, d.state) for d in history.defects] == [
        ("R1", True, "reworked"),
        ("U1", False, "open"),
    ]
    assert [m.lots for m in history.materials] == [("PCB-1",), ("L1",)]
    assert [d.type for d in history.decisions] == ["board.held", "board.asserted", "board.shipped"]
    assert [(g.kind, g.where.rpartition("/")[2]) for g in history.gaps] == [
        ("stated", "oven"),
        ("rejected", "oven"),
    ]
    assert history.findings == ()
    assert history.completeness.first_seen == at("10:00:00")
    assert "not a release" in history.completeness.caution


def test_the_sisters_share_is_the_sisters() -> None:
    history = whole_life().history("B")
    assert [(i.station, i.outcome) for i in history.inspections] == [("spi", "passed")]
    assert history.rework == history.defects == history.decisions == ()
    assert [visit.station for visit in history.route] == ["load", "print", "spi", "place"]


def test_a_panel_tells_its_boards_and_leaves_their_inspections_to_them() -> None:
    history = whole_life().history("P", "panel")
    assert [(member.position, member.value) for member in history.identity.boards] == [(1, "A"), (2, "B")]
    assert [visit.station for visit in history.route] == ["load", "print", "spi", "place", "aoi"]
    assert history.inspections == ()


def test_5_skipped_position_taken_for_a_board_later_is_a_finding() -> None:
    told = Told()
    told.say(
        "board.arrived",
        "10:00:00",
        board(panel="P", position=4, state="skipped"),
        station="print",
        how="unknown",
    )
    told.say(
        "board.arrived",
        "10:05:00",
        board(panel="P", position=4, state="good"),
        station="place",
        how="unknown",
    )
    history = history_of(told.facts, Slot(Node("panel", "P"), 4))
    assert [(s.state, s.station) for s in history.identity.states] == [
        ("skipped", "print"),
        ("good", "place"),
    ]
    assert [finding.kind for finding in history.findings] == ["skipped_and_worked"]


def test_other_content_under_one_id_is_a_finding() -> None:
    told = whole_life()
    fact = next(fact for fact in told.facts if fact.type == "inspection.completed")
    history = told.history("A", conflicts={(fact.source, fact.id): 1})
    assert [finding.kind for finding in history.findings] == ["other_content"]


@pytest.mark.parametrize("asked", [("A", "board"), ("B", "board"), ("P", "panel"), ("CS", "customer_serial")])
def test_json_is_what_the_schema_says(asked: tuple[str, str]) -> None:
    document = plain(whole_life().history(*asked))
    VALIDATOR.validate(json.loads(json.dumps(document)))


def test_json_has_the_shape_that_was_promised() -> None:
    document = plain(whole_life().history("A"))
    assert {
        "identity",
        "route",
        "gaps",
        "materials",
        "inspections",
        "defects",
        "tests",
        "completeness",
        "as_of",
    } <= set(document)
    identifier = document["identity"]["identifiers"][0]
    assert {"kind", "value", "how", "from", "to"} <= set(identifier)
    visit = document["route"][1]
    assert visit["arrived"] == "2026-03-02T10:01:00Z"
    assert {"station", "pass", "arrived", "departed", "certainty", "evidence"} <= set(visit)
    assert set(visit["evidence"][0]) == {"source", "id"}
    assert {"kind", "where", "from", "to", "cause"} <= set(document["gaps"][0])


def test_every_statement_has_evidence_and_every_doubt_a_reason() -> None:
    told = whole_life()
    told.inspects("aoi", "10:10:40", "10:11:00", board("A", how="assumed"))
    told.say("board.arrived", "10:02:00", board("A"), station="elsewhere", how="unknown")
    history = told.history("A")
    known = {(fact.source, fact.id) for fact in told.facts}

    def walk(value: object) -> None:
        fields = getattr(value, "_fields", ())
        if "evidence" in fields:
            evidence = value.evidence  # type: ignore[attr-defined]
            assert evidence
            assert set(evidence) <= known
        if "certainty" in fields and value.certainty != "observed":  # type: ignore[attr-defined]
            assert value.reason  # type: ignore[attr-defined]
            assert 0 < value.probability < 1  # type: ignore[attr-defined]
        for part in value if isinstance(value, tuple) else ():
            walk(part)

    walk(history)
    assert {visit.certainty for visit in history.route} > {"observed"}


# -- the same facts in any order, any numbering, any repetition -------------------------------------------


@settings(max_examples=40)
@given(lives(), st.randoms(use_true_random=False))
def test_any_order_any_numbering_any_repetition_gives_the_same_history(
    facts: list[Fact], chance: random.Random
) -> None:
    numbers = [fact.number for fact in facts]
    chance.shuffle(numbers)
    other = [fact._replace(number=number) for fact, number in zip(facts, numbers, strict=True)]
    other += chance.sample(other, len(other) // 2)
    chance.shuffle(other)
    for asked in named(facts):
        one, two = subjects(holding(facts), asked), subjects(holding(other), asked)
        assert [history(subject, AS_OF) for subject in one] == [history(subject, AS_OF) for subject in two]


@settings(max_examples=40)
@given(lives())
def test_no_fact_is_observed_about_two_boards(facts: list[Fact]) -> None:
    """A statement that names one thing is never certain about two different serials."""
    things = [subjects(holding(facts), Node("board", name)) for name in ("A", "B")]
    if not all(things):
        return
    (first,), (second,) = things
    if first.thing.names & second.thing.names:
        return
    for statement in first.statements:
        ways = [subject.thing.about(statement) for subject in (first, second)]
        own = [way for way in ways if way is not None and way.scope == "self"]
        if (
            len(own) == 2
            and len(statement.mentions) == 1
            and statement.fact.type not in ("board.joined", "board.separated")
        ):
            assert any(way.belief.certainty != "observed" for way in own), statement


@settings(max_examples=15)
@given(st.lists(st.sampled_from(sorted(EVENT_TYPES)).flatmap(events), min_size=1, max_size=4))
def test_nothing_legal_breaks_it(told: list[object]) -> None:
    facts = [_fact(number, event) for number, event in enumerate(told, 1)]
    for asked in named(facts):
        for subject in subjects(holding(facts), asked):
            VALIDATOR.validate(json.loads(json.dumps(plain(history(subject, AS_OF)))))


def _fact(number: int, event: object) -> Fact:
    document = json.loads(dump_event(event))  # type: ignore[arg-type]
    generation, position, ordinal, revision = EventId.parse(document["id"])
    return Fact(
        number, 1, document["source"], generation, position, ordinal, revision, document["type"], document["time"],
        document["data"],
    )  # fmt: skip
