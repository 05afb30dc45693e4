import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.bus.topics import Address, Topics

names = st.from_regex(r"[a-z0-9][a-z0-9-]{0,62}", fullmatch=True)
roots = st.sampled_from(["plant", "a/b", "Works_1/north-side"])
type_names = st.sampled_from(["board.arrived", "inspection.test_completed", "source.gap"])
SOURCE = "/harbour/smt/line-1/spi"


@given(roots, names, names, names, names, st.none() | names, type_names)
def test_every_topic_is_read_back(
    root: str, site: str, area: str, line: str, adapter: str, station: str | None, type_name: str
) -> None:
    topics = Topics(root)
    source = f"/{site}/{area}/{line}/{adapter}"
    family, name = type_name.split(".")
    assert topics.read(topics.event(source, station, type_name)) == Address(
        source, station, "event", (family, name)
    )
    assert topics.read(topics.batch(source)) == Address(source, None, "batch", ())
    assert topics.read(topics.state(source)) == Address(source, None, "state", ("source",))
    assert topics.read(topics.receipt(source, "record")) == Address(source, None, "receipt", ("record",))
    assert topics.read(topics.record_state(site, "record")) == Address(
        f"/{site}/_/_/record", None, "state", ("record",)
    )
    assert topics.read(topics.edge_state(site, "edge")) == Address(
        f"/{site}/_/_/edge", None, "state", ("edge",)
    )


def test_the_forms_are_the_published_ones() -> None:
    topics = Topics("plant")
    below = "plant/v1/harbour/smt/line-1"
    assert (
        topics.event(SOURCE, "spi-1", "inspection.completed")
        == f"{below}/spi-1/spi/event/inspection/completed"
    )
    assert topics.event(SOURCE, None, "source.gap") == f"{below}/_/spi/event/source/gap"
    assert topics.batch(SOURCE) == f"{below}/_/spi/batch"
    assert topics.state(SOURCE) == f"{below}/_/spi/state/source"
    assert topics.receipt(SOURCE, "main") == f"{below}/_/spi/receipt/main"
    assert topics.record_state("harbour", "main") == "plant/v1/harbour/_/_/_/main/state/record"
    assert topics.edge_state("harbour", "north") == "plant/v1/harbour/_/_/_/north/state/edge"


def matches(pattern: str, topic: str) -> bool:
    """MQTT 3.1.1, 4.7: `+` is one level, `#` at the end is any number, the parent included."""
    levels, parts = pattern.split("/"), topic.split("/")
    for at, level in enumerate(levels):
        if level == "#":
            return True
        if at >= len(parts) or level not in ("+", parts[at]):
            return False
    return len(levels) == len(parts)


def test_filters_match_what_they_promise_and_nothing_else() -> None:
    topics = Topics("works/north")
    events = [topics.event(SOURCE, "spi-1", "inspection.completed"), topics.batch(SOURCE)]
    states = [
        topics.state(SOURCE),
        topics.record_state("harbour", "main"),
        topics.edge_state("harbour", "north"),
    ]
    receipt = topics.receipt(SOURCE, "main")
    for topic in [*events, *states, receipt]:
        assert any(matches(pattern, topic) for pattern in topics.all_events()) == (topic in events)
        assert matches(topics.all_states(), topic) == (topic in states)


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "plant/v1/harbour/smt/line-1/spi-1/spi",
        "/plant/v1/harbour/smt/line-1/_/spi/batch",
        "plant/v1/harbour/smt/line-1/_/spi/batch/",
        "plant/v1/harbour/smt/line-1/_/spi/batch\n",
        "plant/v2/harbour/smt/line-1/_/spi/batch",
        "plantation/v1/harbour/smt/line-1/_/spi/batch",
        "plant/v1/harbour/smt/line-1/_/_/batch",
        "plant/v1/_/smt/line-1/_/spi/batch",
        "plant/v1/harbour/smt//_/spi/batch",
        "plant/v1/Harbour/smt/line-1/_/spi/batch",
        "plant/v1/harbour/smt/line-1/../spi/batch",
        "plant/v1/harbour/smt/line-1/+/spi/batch",
        "plant/v1/harbour/smt/line-1/#",
        "plant/v1/härbour/smt/line-1/_/spi/batch",
        "plant/v1/harbour/smt/line-1/_/spi/receipts/main",
        "plant/v1/harbour/smt/line-1/_/spi/event/board/arri ved",
        "plant/v1/harbour/smt/line-1/_/spi/event/board/\x00",
        "$SYS/broker/uptime",
    ],
)
def test_a_foreign_topic_says_nothing(topic: str) -> None:
    assert Topics("plant").read(topic) is None


def test_a_root_is_text_not_a_pattern() -> None:
    assert Topics("a.b").read("axb/v1/harbour/smt/line-1/_/spi/batch") is None


@pytest.mark.parametrize(
    "source",
    [
        "",
        "harbour/smt/line-1/spi",
        "/harbour/smt/spi",
        "/harbour/smt/line-1/spi/",
        "/h/+/l/a",
        "/h/#",
        "/h/s/l/a\n",
    ],
)
def test_a_source_with_another_form_is_refused(source: str) -> None:
    with pytest.raises(ValueError, match="is no source"):
        Topics("plant").batch(source)


@pytest.mark.parametrize("station", ["+", "a/b", "#", "A", "", "_", "spi\n"])
def test_a_station_that_is_no_name_cannot_change_the_topic(station: str) -> None:
    with pytest.raises(ValueError, match="is no station"):
        Topics("plant").event(SOURCE, station, "board.arrived")
