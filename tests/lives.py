"""Random lives of a few boards that share, mix up and lose their names; what mends and what is missing included."""

from datetime import timedelta
from typing import Any

from hypothesis import strategies as st
from told import Told, at, board, call, panel, verdict

from broker_bridge.events.fact import Fact
from broker_bridge.trace.mentions import Knot, Slot, mentions

_NAMES = ("A", "B", "transfer=T", "transfer=U", "customer_serial=C", "NOREAD")
_HOWS = st.sampled_from(["read", "read", "passed_on", "assumed"])
_boards = st.builds(
    lambda names, whole, position, how: board(
        *names, panel=whole if position or whole != "P" else None, position=position, how=how
    ),
    st.lists(st.sampled_from(_NAMES), max_size=2, unique=True),
    st.sampled_from(["P", "P", "P", "Q", "transfer=V"]),
    st.sampled_from([None, 1, 2]),
    _HOWS,
)
_panels = st.sampled_from(
    [panel("P"), panel("P"), panel("P", "transfer=V"), panel("transfer=V"), panel("Q"), panel("P", "panel=Q")]
)
_assembly = {"unit": "assembly", "identifiers": [{"kind": "assembly", "value": "X", "how": "read"}]}
_things = st.one_of(_boards, _boards, _panels)
_clocks = st.integers(0, 40).map(lambda step: at("10:00:00") + timedelta(seconds=30 * step))
_stations = st.sampled_from(["print", "spi", "aoi", "desk"])
_parents = st.sampled_from([panel("P", position=1), panel("Q", position=2), _assembly])


@st.composite
def lives(draw: st.DrawFn) -> list[Fact]:
    """Facts about these boards, in commits of a few."""
    told = Told()
    commit = 1
    for number in range(draw(st.integers(1, 12))):
        commit += draw(st.integers(0, 1)) if number else 0
        _tell(draw, told, commit)
    return told.facts


def _tell(draw: st.DrawFn, told: Told, commit: int) -> None:
    time, thing, station = draw(_clocks), draw(_things), draw(_stations)
    more: dict[str, Any] = {"commit": commit}
    if told.facts and draw(st.integers(0, 4)) == 0:
        # A mended mapping: another revision of a raw record that is there, perhaps not yet complete.
        old = draw(st.sampled_from(told.facts))
        size = draw(st.sampled_from([1, 2]))
        more |= {
            "source": old.source, "generation": old.generation, "position": old.position,
            "revision": old.revision + 1, "events": size, "ordinal": draw(st.integers(0, size - 1)),
        }  # fmt: skip
        if any(_same_id(fact, more) for fact in told.facts):
            return
    match draw(st.integers(0, 10)):
        case 0:
            told.say("board.arrived", time, thing, station=station, how="transferred", **more)
        case 1:
            told.say("board.departed", time, thing, station=station, how="transferred", **more)
        case 2 | 3:
            told.say(
                "inspection.completed", time, thing, station=station, method="optical", started=time,
                outcome=draw(st.sampled_from(["passed", "failed", "unknown"])), calls=[call("R1")], **more,
            )  # fmt: skip
        case 4:
            told.say(
                "inspection.reviewed", time, thing, station="desk", inspected_at=station,
                verdicts=[verdict("R1", draw(st.sampled_from(["confirmed", "false_call"])))], **more,
            )  # fmt: skip
        case 5:
            told.say("board.identified", time, thing, station=station, **more)
        case 6:
            claim = draw(st.sampled_from(["same", "not_same", "note"]))
            more.setdefault("source", "desk")
            told.say("board.asserted", time, thing, draw(_things), claim=claim, who="op", why="so", **more)
        case 7:
            kind = draw(st.sampled_from(["board.separated", "board.joined"]))
            told.say(kind, time, draw(_boards), station=station, parent=draw(_parents), **more)
        case 8:
            kind = draw(st.sampled_from(["source.connected", "source.disconnected"]))
            more.setdefault("source", station)
            told.say(kind, time, station=draw(st.sampled_from([None, "spi", "aoi"])), **more)
        case 9:
            more.setdefault("source", draw(st.sampled_from([station, "/harbour/smt/line-2/aoi"])))
            if draw(st.booleans()):
                told.say("source.gap", time, cause="away", end=time, **more)
            else:
                told.say("source.rejected", time, reason="cut off", means="saved", **more)
        case 10:
            claims = [fact for fact in told.facts if fact.type == "board.asserted"]
            if claims:
                target = draw(st.sampled_from(claims))
                more.setdefault("source", "desk")
                told.say(
                    "board.asserted", time, claim="revoked", who="op", why="no",
                    revokes={"source": target.source, "id": target.id}, **more,
                )  # fmt: skip


def _same_id(fact: Fact, more: dict[str, Any]) -> bool:
    names = ("source", "generation", "position", "ordinal", "revision")
    return all(getattr(fact, name) == more[name] for name in names)


def named(facts: list[Fact]) -> list[Knot]:
    """Everything the facts name, in order."""
    found: set[Knot] = set()
    for fact in facts:
        for mention in mentions(fact):
            found.update(name.node for name in mention.names)
            if mention.panel:
                found.add(mention.panel.node)
                if mention.position:
                    found.add(Slot(mention.panel.node, mention.position))
    return sorted(found, key=repr)
