"""What may be missing: gaps, rejected records, silent stations, sources that are away or behind."""

from told import LINE, Told, at, board

from broker_bridge.trace.gaps import Gap

A = board("A")


def gaps(told: Told) -> list[tuple[str, str, str]]:
    return [(gap.kind, gap.where, gap.cause) for gap in told.history("A").gaps]


def passed(*stations: str) -> Told:
    told = Told()
    for hour, station in enumerate(stations, 10):
        told.passes(station, f"{hour}:00:00", f"{hour}:00:30", A)
    return told


def test_a_stated_gap_at_another_station_of_the_line_in_the_boards_time_is_told() -> None:
    told = passed("print", "aoi")
    told.say("source.gap", "10:30:00", station="spi", cause="away", start="10:10:00", end="10:30:00")
    (gap,) = told.history("A").gaps
    assert gap == Gap(
        "stated", "spi", f"{LINE}/spi", at("10:10:00"), at("10:30:00"), "away", None, gap.evidence
    )


def test_a_gap_of_another_line_or_another_time_is_not() -> None:
    told = passed("print", "aoi")
    told.say(
        "source.gap",
        "10:30:00",
        source="/harbour/smt/line-2/spi",
        cause="away",
        start="10:10:00",
        end="10:30:00",
    )
    told.say("source.gap", "15:30:00", station="spi", cause="away", start="15:10:00", end="15:30:00")
    told.say("source.gap", "05:30:00", station="spi", cause="away", start="05:10:00", end="05:30:00")
    assert gaps(told) == []


def test_a_gap_without_a_known_beginning_or_end_reaches_over_all() -> None:
    told = passed("print", "aoi")
    told.say(
        "source.gap", at("10:00:00", day=300), station="spi", cause="outbox_lost", end=at("10:00:00", day=300)
    )
    told.say(
        "source.gap", at("10:00:00", day=-300), station="jet", cause="away", start=at("10:00:00", day=-300)
    )
    assert gaps(told) == [("stated", "jet", "away"), ("stated", "spi", "outbox_lost")] or gaps(told) == [
        ("stated", "spi", "outbox_lost"), ("stated", "jet", "away"),
    ]  # fmt: skip
    assert {(gap.from_ is None, gap.to is None) for gap in told.history("A").gaps} == {
        (True, False),
        (False, True),
    }


def test_a_rejected_record_at_the_time_may_have_been_the_boards() -> None:
    told = passed("print", "aoi")
    told.say(
        "source.rejected", "11:00:10", station="spi", reason="column volume: 'x' is no number", code="field"
    )
    told.say(
        "source.rejected", "19:00:10", station="spi", reason="column volume: 'x' is no number", code="field"
    )
    assert gaps(told) == [("rejected", "spi", "field")]


def test_a_rejected_row_of_the_same_file_may_be_whenever_the_file_was_read() -> None:
    told = Told()
    told.inspects("spi", "10:00:00", "10:00:20", A, generation="file-1")
    for generation in ("file-1", "file-2"):
        told.say(
            "source.rejected", at("10:00:00", day=90), station="spi", reason="cut off", code="row", means="saved",
            generation=generation,
        )  # fmt: skip
    told_gaps = [(gap.cause, gap.evidence[0].id.split(".")[0]) for gap in told.history("A").gaps]
    assert sorted(told_gaps) == [("row", "file-1"), ("undated", "file-2")]


class TestDeclaredProcess:
    STATIONS = [
        {"name": "print"},
        {"name": "spi"},
        {"name": "jet", "optional": True},
        {"name": "aoi"},
        {"name": "ict"},
    ]

    def declared(self, told: Told, **more: object) -> None:
        told.say(
            "line.declared", "00:00:00", source="plan",
            **{"line": "line-1", "stations": self.STATIONS, "valid_from": at("00:00:00", day=-1)} | more,  # type: ignore[arg-type]
        )  # fmt: skip

    def test_a_station_without_a_word_before_the_last_one_is_told(self) -> None:
        told = passed("print", "aoi")
        self.declared(told)
        (gap,) = told.history("A").gaps
        assert (gap.kind, gap.where, gap.cause) == ("silent", "spi", "unknown")
        assert (gap.from_, gap.to) == (at("10:00:30"), at("11:00:00"))

    def test_its_likely_cause_is_a_stated_gap(self) -> None:
        told = passed("print", "aoi")
        self.declared(told)
        told.say("source.gap", "10:30:00", station="spi", cause="away", start="10:10:00", end="10:30:00")
        assert gaps(told) == [("stated", "spi", "away"), ("silent", "spi", "inside a stated gap")]

    def test_the_declaration_of_the_date_counts(self) -> None:
        told = passed("print", "aoi")
        self.declared(told)
        self.declared(told, stations=[{"name": "print"}, {"name": "aoi"}], valid_from=at("09:00:00"))
        self.declared(
            told,
            stations=[{"name": "print"}, {"name": "new"}, {"name": "aoi"}],
            valid_from=at("09:00:00", day=1),
        )
        assert gaps(told) == []

    def test_a_declaration_for_another_part_or_line_does_not(self) -> None:
        told = passed("print", "aoi")
        self.declared(told, part={"number": "OTHER"})
        self.declared(told, line="line-2")
        assert gaps(told) == []


class TestSources:
    def test_every_source_of_the_line_and_which_machines_it_hears(self) -> None:
        told = passed("print", "aoi")
        for station, kind, clock in (
            ("spi", "disconnected", "10:00:00"), ("spi", "connected", "11:00:00"), ("spi", "disconnected", "12:00:00"),
            ("oven", "connected", "13:00:00"),
        ):  # fmt: skip
            told.say(f"source.{kind}", clock, source="transfer", station=station)
        told.say("source.connected", "12:00:00", source="/harbour/smt/line-9/far")
        sources = told.history("A", missing={f"{LINE}/aoi": 3}).completeness.sources
        assert [(source.source.split("/")[-1], source.missing) for source in sources] == [
            ("aoi", 3), ("print", 0), ("transfer", 0),
        ]  # fmt: skip
        assert sources[2].hearing == (("oven", True, at("13:00:00")), ("spi", False, at("12:00:00")))
        assert sources[0].hearing == ()

    def test_what_is_missing_is_not_known_of_the_past(self) -> None:
        assert [source.missing for source in passed("aoi").history("A").completeness.sources] == [None]


def test_rejected_records_that_were_saved_later_may_be_of_any_time_before() -> None:
    told = passed("print", "aoi")
    for day in (30, 31, 32):
        told.say(
            "source.rejected", at("10:00:00", day=day), station="spi", reason="another header", code="header",
            means="saved", generation=f"file-{day}",
        )  # fmt: skip
    (gap,) = told.history("A").gaps
    assert (gap.kind, gap.where, gap.cause, gap.from_, gap.to) == (
        "rejected", "spi", "undated", None, at("10:00:00", day=32),
    )  # fmt: skip
    assert (
        gap.detail
        == "3 raw records were rejected, and nothing tells of what time: this board may be among them"
    )


def test_a_record_that_was_saved_before_the_board_was_there_is_none_of_its() -> None:
    told = passed("print", "aoi")
    told.say(
        "source.rejected", at("10:00:00", day=-30), station="spi", reason="cut off", code="row", means="saved",
        generation="file-1",
    )  # fmt: skip
    assert gaps(told) == []
