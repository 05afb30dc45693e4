"""What is found by a time is found by looking at everything, however long things lasted."""

from datetime import datetime, timedelta
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from memory_store import MemoryStore
from told import DAY, LINE, Told, recorded

from broker_bridge.events.fact import Fact
from broker_bridge.projector.entries import microseconds, reading_file
from broker_bridge.projector.index import Index
from broker_bridge.queries.record import open_with
from broker_bridge.trace.gaps import Window, around, extent, undated
from broker_bridge.trace.statements import Statement, instant

seconds = st.integers(0, 90 * 86_400)
lengths = st.sampled_from([0, 1, 60, 61, 3_600, 3_601, 86_400, 86_401, 30 * 86_400, 60 * 86_400])
spans = st.tuples(seconds, lengths)
kinds = st.sampled_from(["gap", "rejected", "undated", "reading"])


def after(start: int) -> datetime:
    return DAY + timedelta(seconds=start)


def said(told: Told, kind: str, start: int, length: int) -> None:
    first, last = after(start), after(start + length)
    if kind == "gap":
        told.say("source.gap", last, source="spi-log", station="spi", cause="away", start=first, end=last)
    elif kind == "reading":
        told.say(
            "reading.recorded", first, station="spi", source="spi-log", until=last,
            values=[{"name": "temperature", "value": 20.0, "unit": "Cel"}],
        )  # fmt: skip
    else:
        told.say(
            "source.rejected", first, source="spi-log", station="spi", reason="no serial",
            means="saved" if kind == "undated" else "start",
        )  # fmt: skip


def opened(fact: Fact) -> Statement:
    return Statement(fact, instant(fact.time), ())


def touching(readings: list[Fact], windows: list[Window]) -> set[int]:
    return {
        f.number
        for f in readings
        for window in windows
        if instant(f.time) <= window.end and instant(f.data["until"]) >= window.start
    }


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(kinds, spans), max_size=12), st.lists(spans, min_size=1, max_size=4))
def test_what_touches_a_time_is_found_however_long_it_lasted(
    tmp_path_factory, told_of: list[tuple[str, tuple[int, int]]], asked: list[tuple[int, int]]
) -> None:
    told = Told()
    for kind, (start, length) in told_of:
        said(told, kind, start, length)
    told.say(
        "source.connected", DAY, station="spi", source="transfer"
    )  # a record is never empty, and this is no gap
    store = MemoryStore()
    recorded(store, told.facts)
    folder: Path = tmp_path_factory.mktemp("index")
    record = open_with(store.reader, folder / "index.db")
    index: Index = record.index
    upto = len(told.facts)
    missing = [opened(f) for f in told.facts if f.type in ("source.gap", "source.rejected")]
    for start, length in asked:
        window = Window(LINE, after(start), after(start + length))
        assert index.notices([window], (), upto) == {s.fact.number for s in missing if around(s, window)} | {
            upto
        }
        first, last = microseconds(window.start), microseconds(window.end)
        assert index.missing_of(LINE, "spi", first, last, upto) == {
            s.fact.number
            for s in missing
            if microseconds(extent(s)[0]) <= last and microseconds(extent(s)[1]) >= first
        }
        assert index.missing_of(LINE, "aoi", first, last, upto) == frozenset()
        file = reading_file(LINE, "spi")
        readings = [f for f in told.facts if f.type == "reading.recorded"]
        assert index.filed_between([(file, window.start, window.end)], upto) == touching(readings, [window])
        later = sorted(
            (instant(f.time), f.number) for f in readings if window.start <= instant(f.time) <= window.end
        )
        assert index.filed_after(file, window.start, window.end, upto, 3) == [
            number for _, number in later[:3]
        ]
    windows = [Window(LINE, after(start), after(start + length)) for start, length in asked]
    assert index.filed_between([(file, w.start, w.end) for w in windows], upto) == touching(readings, windows)
    assert index.filed_between([(f"{file}x", w.start, w.end) for w in windows], upto) == frozenset()
    assert [undated(s) for s in missing] == [kind == "undated" for kind, _ in told_of if kind != "reading"]
    index.close()
