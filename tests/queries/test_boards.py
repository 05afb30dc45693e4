"""The history through the index is the history of the whole record, as of any commit."""

from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from lives import lives, named
from memory_store import MemoryReader, MemoryStore
from told import Told, at, board, call, panel, recorded

from broker_bridge.errors import Ambiguous, NotFound, UsageError
from broker_bridge.events.fact import Fact
from broker_bridge.projector import index as index_module
from broker_bridge.queries.boards import board as ask
from broker_bridge.queries.boards import find, in_magazines
from broker_bridge.queries.record import Record, open_with
from broker_bridge.trace.history import AsOf, History, history, subjects, told_of, windows
from broker_bridge.trace.mentions import Knot, Node, Slot
from broker_bridge.trace.revisions import holding


def opened(facts: Iterable[Fact], folder: Path) -> Record:
    """A record that holds these facts."""
    store = MemoryStore()
    recorded(store, list(facts))
    return open_with(store.reader, folder / "i.db")


def asked(record: Record, knot: Knot, **more: object) -> History:
    if isinstance(knot, Slot):
        return ask(record, knot.panel.value, kind=knot.panel.kind, position=knot.position, **more)  # type: ignore[arg-type]
    return ask(record, knot.value, kind=knot.kind, **more)  # type: ignore[arg-type]


def whole(reader: MemoryReader, knot: Knot, commit: int) -> list[History]:
    """The histories of what is asked for by all facts up to a commit, without an index."""
    there = reader.facts(range(1, reader.last_number(commit) + 1))
    head = reader.head()
    as_of = AsOf(head.name, head.incarnation, commit, reader.last_number(commit))
    missing: dict[str, int] | None = None
    if commit == head.commit:
        missing = {progress.source: 0 for progress in reader.progress()}
    result = []
    for subject in subjects(holding(there), knot):
        lines = {window.line for window in windows(told_of(subject))}
        sources = [fact.source for fact in there if fact.source.rpartition("/")[0] in lines]
        result.append(history(subject, as_of, missing=missing, sources=sources))
    return result


@settings(max_examples=40)
@given(lives())
def test_through_the_index_as_of_any_commit_is_as_the_record_was_then(facts: list[Fact]) -> None:
    with TemporaryDirectory() as folder:
        record = opened(facts, Path(folder))
        reader = record.reader
        assert isinstance(reader, MemoryReader)
        for commit in range(1, reader.head().commit + 1):
            for knot in named(facts):
                expected = whole(reader, knot, commit)
                if len(expected) == 1:
                    assert asked(record, knot, at=commit) == expected[0]
                else:
                    with pytest.raises(Ambiguous if expected else NotFound) as caught:
                        asked(record, knot, at=commit)
                    assert len(getattr(caught.value, "candidates", ())) == len(expected)
        record.close()


def test_a_record_that_ended_there_gives_the_same(tmp_path: Path) -> None:
    told = Told()
    told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
    told.say("board.arrived", "10:05:00", board("transfer=T"), station="spi", how="transferred")
    told.say("board.identified", "10:20:00", board("B", "transfer=T"), station="load")
    told.inspects("spi", "10:05:00", "10:05:30", board("A"), position=7, outcome="failed", calls=[call("R1")])
    told.inspects("spi", "10:05:00", "10:05:30", board("A"), position=7, revision=2, source="spi")
    full = opened(told.facts, tmp_path)
    for commit in range(1, 6):
        (tmp_path / str(commit)).mkdir()
        ended = opened(told.facts[:commit], tmp_path / str(commit))
        then, now = ask(full, "A", at=commit), ask(ended, "A")
        assert then.completeness.sources == tuple(
            source._replace(missing=None if commit < 5 else 0) for source in now.completeness.sources
        )
        alike = now.completeness._replace(sources=then.completeness.sources)
        assert then == now._replace(completeness=alike)
        ended.close()
    full.close()


def test_only_magazines_it_was_put_into_are_read(tmp_path: Path) -> None:
    told = Told()
    for clock, serial in (("08:00:00", "A"), ("08:00:30", "B")):
        told.say(
            "board.arrived", clock, board(serial), station="load", how="loaded", magazine="BARE", slot="1"
        )
    told.say(
        "board.departed", "10:01:00", board("A"), station="unload", how="unloaded", magazine="M", slot="1"
    )
    put = told.say(
        "board.departed", "10:02:00", board("B"), station="unload", how="unloaded", magazine="M", slot="2"
    )
    sealed = told.say("board.magazine_handled", "10:05:00", station="unload", magazine="M", act="sealed")
    record = opened(told.facts, tmp_path)
    (found,) = find(record, Node("board", "A"), record.as_of())
    read = in_magazines(record, told_of(found.subject).about, record.as_of())
    assert read - found.related.numbers == {put.number, sealed.number}
    assert asked(record, Node("board", "A")) == whole(record.reader, Node("board", "A"), 5)[0]  # type: ignore[arg-type]
    record.close()


def test_a_revoked_assertion_is_gone_and_back_when_the_revocation_is_revoked(tmp_path: Path) -> None:
    told = Told()
    told.say("board.identified", "10:00:00", board("A"), station="load")
    told.say("board.arrived", "10:05:00", board("transfer=T"), station="spi", how="transferred")
    person = {"source": "desk", "who": "op-1", "why": "so"}
    claim = told.say("board.asserted", "12:00:00", board("A"), board("transfer=T"), claim="same", **person)  # type: ignore[arg-type]
    no = told.say(
        "board.asserted",
        "13:00:00",
        claim="revoked",
        revokes={"source": claim.source, "id": claim.id},
        **person,  # type: ignore[arg-type]
    )
    told.say(
        "board.asserted", "14:00:00", claim="revoked", revokes={"source": no.source, "id": no.id}, **person
    )  # type: ignore[arg-type]
    record = opened(told.facts, tmp_path)
    assert [len(ask(record, "A", at=commit).route) for commit in (2, 3, 4, 5)] == [1, 2, 1, 2]
    record.close()


class TestAsking:
    @pytest.fixture
    def record(self, tmp_path: Path) -> Iterable[Record]:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
        told.say("board.identified", "11:00:00", board("B", "transfer=T"), station="load")
        told.inspects("aoi", "12:00:00", "12:00:30", board(panel="P", position=3))
        told.say("board.arrived", "13:00:00", panel("A"), station="print", how="loaded")
        record = opened(told.facts, tmp_path)
        yield record
        record.close()

    def test_shared_identifier_lists_its_candidates(self, record: Record) -> None:
        with pytest.raises(Ambiguous, match=r"'T' names several things: board A; board B") as caught:
            ask(record, "T")
        assert caught.value.candidates == (("board", "A", None), ("board", "B", None))
        assert ask(record, "T", at=1).identity.key == ("board", "A", None)

    def test_one_text_of_two_kinds_asks_for_the_kind(self, record: Record) -> None:
        with pytest.raises(Ambiguous, match="board A; panel A"):
            ask(record, "A")
        assert ask(record, "A", kind="panel").identity.unit == "panel"

    def test_a_board_by_panel_and_position(self, record: Record) -> None:
        found = ask(record, "P", position=3)
        assert found.identity.key == ("panel", "P", 3)
        assert [inspection.outcome for inspection in found.inspections] == ["passed"]

    def test_unknown_says_what_the_record_covers(self, record: Record) -> None:
        with pytest.raises(
            NotFound, match=r"'X9' is not in record record as of commit 4 \(4 events, the first of 2026-"
        ):
            ask(record, "X9")
        with pytest.raises(NotFound, match="named for the first time in commit 3"):
            ask(record, "P", at=2)
        with pytest.raises(NotFound, match="nothing is said of that position"):
            ask(record, "P", position=9)
        with pytest.raises(NotFound, match="it is known as: board, panel"):
            ask(record, "A", kind="assembly")

    def test_a_cut_off_identifier_offers_those_that_begin_so(self, tmp_path: Path) -> None:
        told = Told()
        for value in ("HW-001", "HW-002", "XX-001"):
            told.say("board.arrived", "10:00:00", board(value), station="aoi", how="unknown")
        record = opened(told.facts, tmp_path)
        with pytest.raises(NotFound, match=r"known are: board HW-001, board HW-002$"):
            ask(record, "HW-00")
        record.close()

    @pytest.mark.parametrize("value", ["0000", "NOREAD", "", " ", "???"])
    def test_placeholder_names_no_board(self, record: Record, value: str) -> None:
        with pytest.raises(NotFound, match="names no board"):
            ask(record, value)

    @pytest.mark.parametrize(
        "value",
        [
            "'; DROP TABLE names; --",
            "%",
            "_",
            "A\x00",
            "\U0010ffff",
            "../../etc/passwd",
            "Ä" * 5000,
            "-1",
        ],
    )
    def test_hostile_text_is_only_text(self, record: Record, value: str) -> None:
        with pytest.raises(NotFound):
            ask(record, value)
        assert ask(record, "B").identity.key.value == "B"

    def test_hostile_identifiers_that_are_in_the_record_are_found(self, tmp_path: Path) -> None:
        values = ["'; DROP TABLE names; --", "\u202ereversed", "a" * 512, "1e400", "<script>", "a\tb"]
        told = Told()
        for value in values:
            told.say("board.arrived", "10:00:00", board(f"board={value}"), station="aoi", how="unknown")
        record = opened(told.facts, tmp_path)
        for value in values:
            assert ask(record, value).identity.key == ("board", value, None)
        record.close()

    def test_bytes_that_are_no_text_and_positions_that_are_none(self, record: Record) -> None:
        with pytest.raises(UsageError, match="not UTF-8"):
            ask(record, "\ud800")
        for position in (0, -1, 10**30):
            with pytest.raises(UsageError, match="positions go from 1 to 9999"):
                ask(record, "P", position=position)

    @pytest.mark.parametrize("commit", [99, -1, 2**70])
    def test_commit_that_is_not_there(self, record: Record, commit: int) -> None:
        with pytest.raises(NotFound, match=f"no commit {commit}"):
            ask(record, "B", at=commit)


def test_other_content_under_one_id_is_told_from_its_commit_on(tmp_path: Path) -> None:
    told, other = Told(), Told()
    told.inspects("aoi", "10:00:00", "10:00:20", board("A"), outcome="passed")
    other.inspects("aoi", "10:00:00", "10:00:20", board("A"), outcome="failed")
    store = MemoryStore()
    recorded(store, told.facts)
    recorded(store, other.facts)
    record = open_with(store.reader, tmp_path / "i.db")
    assert [f.kind for f in ask(record, "A").findings] == ["other_content"]
    assert ask(record, "A", at=1).findings == ()
    record.close()


def test_an_identifier_that_names_everything_is_not_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(index_module, "CROWDED", 5)
    told = Told()
    for number in range(6):
        told.say("board.identified", "10:00:00", board(f"B{number}", "transfer=STUCK"), station="load")
    record = opened(told.facts, tmp_path)
    (finding,) = ask(record, "B1").findings
    assert finding.kind == "crowded_identifier"
    assert "transfer STUCK" in finding.text
    assert [visit.certainty for visit in ask(record, "B1").route] == ["observed"]
    with pytest.raises(Ambiguous):
        ask(record, "STUCK")
    record.close()


def test_what_the_record_is_missing_is_told_of_now_and_unknown_of_then(tmp_path: Path) -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:20", board("A"))
    told.inspects("aoi", "11:00:00", "11:00:20", board("A"))
    record = opened(told.facts, tmp_path)
    assert [source.missing for source in ask(record, "A").completeness.sources] == [0]
    assert [source.missing for source in ask(record, "A", at=1).completeness.sources] == [None]
    record.close()


def test_gaps_of_the_line_reach_a_board_although_they_name_none(tmp_path: Path) -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:20", board("A"))
    told.say("source.gap", "10:30:00", source="spi", cause="away", start="09:30:00", end="10:30:00")
    told.say("source.rejected", "10:05:00", source="print", reason="cut off", code="row")
    told.say(
        "source.gap",
        at("10:30:00", day=9),
        source="spi",
        cause="away",
        start=at("10:00:00", day=9),
        end=at("10:30:00", day=9),
    )
    told.say("source.disconnected", "15:00:00", source="print")
    told.say(
        "line.declared", "00:00:00", source="plan", line="line-1", valid_from="00:00:00",
        stations=[{"name": "load"}, {"name": "aoi"}],
    )  # fmt: skip
    record = opened(told.facts, tmp_path)
    found = ask(record, "A")
    assert [(gap.kind, gap.cause) for gap in found.gaps] == [
        ("stated", "away"),
        ("rejected", "row"),
        ("silent", "maybe inside a stated gap"),
    ]
    assert [(s.source.rpartition("/")[2], s.hearing) for s in found.completeness.sources] == [
        ("aoi", ()), ("plan", ()), ("print", ((None, False, at("15:00:00")),)), ("spi", ()),
    ]  # fmt: skip
    record.close()
