"""The sample plant of three lines: its files load, fit each other, and can be built; pages beside them name what is there."""

from pathlib import Path

import pytest

from broker_bridge.adapters.registry import build
from broker_bridge.config import Settings, load
from broker_bridge.outlets.registry import choice

SAMPLE = Path(__file__).resolve().parents[2] / "deploy" / "sample" / "three-lines"
EDGES = sorted(SAMPLE.glob("edge-line-*.toml"))


@pytest.fixture(scope="module")
def server() -> Settings:
    return load(SAMPLE / "server.toml")


def test_there_are_three_lines_and_no_source_stands_twice(server: Settings) -> None:
    edges = [load(path) for path in EDGES]
    assert len(edges) == 3
    sources = [edge.source(adapter) for edge in edges for adapter in edge.adapters]
    assert len(set(sources)) == len(sources)
    assert {source.split("/")[3] for source in sources} == {"line-1", "line-2", "line-3"}
    assert len({edge.edge.name for edge in edges}) == len({edge.edge.outbox for edge in edges}) == 3


@pytest.mark.parametrize("path", EDGES, ids=lambda path: path.stem)
def test_an_edge_reaches_the_server_it_is_given_and_can_be_built(path: Path, server: Settings) -> None:
    edge = load(path)
    assert edge.broker.host in (server.broker.host, *server.broker.names)
    assert edge.broker.port == server.broker.port
    assert (edge.plant, edge.broker.credentials is None) == (server.plant, False)
    assert len(build(edge)) == len(edge.adapters)


def test_the_server_lets_nothing_marked_out_and_holds_no_secret(server: Settings) -> None:
    assert set(server.roles) == {"broker", "recorder", "projector", "outlets"}
    for outlet in server.outlets:
        assert not outlet.markings
        assert not outlet.allow
        assert choice(outlet)
    assert "whsec_ and" in (SAMPLE / "server.toml").read_text(encoding="utf-8")
    assert server.metrics is not None
    assert server.metrics.host == "127.0.0.1"
