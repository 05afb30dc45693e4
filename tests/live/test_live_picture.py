"""The fold: a picture depends on the set of statements alone, and says of a station what was said."""

from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st
from looking import row, view
from told import LINE, Told, at, board, panel

from broker_bridge.events.fact import Fact
from broker_bridge.live.choice import Choice

TIMES = st.integers(0, 90).map(lambda step: at("11:00:00") + timedelta(seconds=40 * step))
STATIONS = st.sampled_from(["print", "spi", "place"])
SOURCES = st.sampled_from(["transfer", "logs"])
BOARDS = st.sampled_from(
    [board("A"), board("B"), board("C", panel="P"), panel("P", "transfer=t1"), board(panel="P", position=2)]
)
STATEMENTS = st.one_of(
    st.tuples(
        st.sampled_from(["board.arrived", "board.departed"]),
        st.fixed_dictionaries({"how": st.just("transferred")}),
    ),
    st.tuples(
        st.just("inspection.completed"),
        st.fixed_dictionaries({"method": st.just("paste"), "outcome": st.sampled_from(["passed", "failed"])}),
    ),
    st.tuples(
        st.just("station.state_changed"),
        st.fixed_dictionaries(
            {"state": st.sampled_from(["productive", "standby", "unscheduled_down"]), "native": st.just("x")}
        ),
    ),
    st.tuples(st.just("station.alarm_raised"), st.fixed_dictionaries({"code": st.sampled_from(["1", "2"])})),
    st.tuples(st.just("station.alarm_cleared"), st.fixed_dictionaries({"code": st.sampled_from(["1", "2"])})),
    st.tuples(st.sampled_from(["source.connected", "source.disconnected"]), st.just({})),
    st.tuples(
        st.just("board.transferred"),
        st.fixed_dictionaries(
            {"to_station": STATIONS, "giver": st.just("complete"), "taker": st.just("complete")}
        ),
    ),
)


@st.composite
def told(draw: st.DrawFn) -> list[Fact]:
    """Statements about a few boards; some raw records at two revisions; many with equal times."""
    maker = Told()
    for number in range(draw(st.integers(1, 25))):
        type_name, more = draw(STATEMENTS)
        for revision in range(1, 1 + draw(st.integers(1, 2))):
            about = [draw(BOARDS)] if type_name.startswith(("board", "inspection")) else []
            maker.say(
                type_name, draw(TIMES), *about, station=draw(STATIONS), source=draw(SOURCES), position=number,
                revision=revision, **more,
            )  # fmt: skip
    return maker.facts


@settings(max_examples=60)
@given(told().flatmap(lambda facts: st.tuples(st.just(facts), st.permutations(facts + facts[::2]))))
def test_order_and_doubling_change_nothing(pair: tuple[list[Fact], list[Fact]]) -> None:
    facts, disordered = pair
    assert view(disordered) == view(facts)


def test_a_higher_revision_takes_a_statement_back_at_the_station_it_was_wrongly_put_to() -> None:
    said = Told()
    said.say(
        "board.arrived", "11:59:00", board("A"), station="wrong", how="transferred", source="x", position=1
    )
    said.say(
        "board.arrived",
        "11:59:00",
        board("A"),
        station="right",
        how="transferred",
        source="x",
        position=1,
        revision=2,
    )
    for facts in (said.facts, said.facts[::-1]):
        seen = view(facts)
        assert row(seen, "wrong").station.here == ()
        assert [here.label for here in row(seen, "right").station.here] == ["A"]


def test_lines_stand_in_the_declared_order() -> None:
    said = Told()
    said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred")
    stations = [{"name": "c"}, {"name": "a"}, {"name": "b"}]
    said.say(
        "line.declared", "06:00:00", source="plan", line="line-1", valid_from="06:00:00", stations=stations
    )
    later = [{"name": "b"}, {"name": "a"}, {"name": "c"}]
    said.say("line.declared", "07:00:00", source="plan", line="line-1", valid_from="23:00:00", stations=later)
    ((line, rows),) = view(said.facts, order=("b", "a")).lines
    assert line == LINE
    assert [row.station.name for row in rows] == ["c", "a", "b"], "the later declaration is not valid yet"


def test_undeclared_lines_stand_in_the_order_in_which_boards_went() -> None:
    said = Told()
    for step, name in enumerate(("load", "print", "spi")):
        start = at("11:00:00") + timedelta(minutes=step)
        said.say("board.arrived", start, board("A"), station=name, how="transferred", source="transfer")
        said.say(
            "board.departed",
            start + timedelta(seconds=50),
            board("A"),
            station=name,
            how="transferred",
            source="transfer",
        )
    ((_, rows),) = view(said.facts, order=("review", "spi", "print")).lines
    assert [row.station.name for row in rows] == ["load", "print", "spi", "review"]


def test_order_as_configured_where_nothing_is_known() -> None:
    ((_, rows),) = view([], order=("z", "a", "m")).lines
    assert [row.station.name for row in rows] == ["z", "a", "m"]
    assert {row.state for row in rows} == {"nothing heard"}


def test_a_statement_about_one_of_several_stations_is_in_nobodys_row() -> None:
    said = Told()
    said.say("station.alarm_raised", "11:00:00", code="1", candidates=["a", "b"], source="review")
    said.say("source.disconnected", "11:00:00", candidates=["a", "b"], source="review")
    seen = view(said.facts, order=("a", "b"))
    assert seen.alarms == ()
    assert [row.state for _, rows in seen.lines for row in rows] == ["nothing heard"] * 2


def test_a_gap_of_a_whole_source_makes_its_boards_doubtful_everywhere() -> None:
    said = Told()
    said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", source="transfer")
    said.say("source.gap", "11:05:00", source="transfer", cause="outbox_full")
    (here,) = row(view(said.facts), "a").station.here
    assert not here.sure
    assert row(view(said.facts), "a").state == "perhaps a board"


def test_filters() -> None:
    said = Told()
    said.say("station.alarm_raised", "11:00:00", station="a", code="1")
    said.say("station.alarm_raised", "11:00:00", station="b", code="2")
    said.say("station.alarm_raised", "11:00:00", station="b", code="3", source="/harbour/smt/line-2/b")
    assert [alarm.code for alarm in view(said.facts, Choice(station="b")).alarms] == ["2", "3"]
    assert [alarm.code for alarm in view(said.facts, Choice(line="line-2")).alarms] == ["3"]
    assert [line for line, _ in view(said.facts).lines] == [LINE, "/harbour/smt/line-2"]


def test_the_age_of_a_station_is_that_of_the_newest_statement() -> None:
    said = Told()
    said.say("station.state_changed", "11:30:00", station="a", state="standby", native="IDLE")
    said.say("station.state_changed", "11:10:00", station="a", state="productive", native="RUN")
    station = row(view(said.facts), "a").station
    assert station.heard == at("11:30:00")
    assert station.said is not None
    assert (station.said.state, station.said.since) == ("standby", at("11:30:00"))


def test_a_state_said_again_keeps_its_beginning() -> None:
    said = Told()
    for time, state in (("11:00:00", "productive"), ("11:10:00", "standby"), ("11:20:00", "standby")):
        said.say("station.state_changed", time, station="a", state=state, native=state)
    station = row(view(said.facts), "a").station
    assert station.said is not None
    assert station.said.since == at("11:10:00")
