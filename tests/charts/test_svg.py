"""Charts as SVG: well-formed, the same bytes again, nothing fetched from anywhere, hits in shape and word."""

import sys

import pytest
from lxml import etree

from broker_bridge.charts.svg import picture
from broker_bridge.errors import UsageError
from broker_bridge.trace.quality import Mark, Plot

SVG = "{http://www.w3.org/2000/svg}"
PLOTS = {
    "control": Plot(
        "control", "volume", ("a", "b", "c"), "%", (1.0, None, 9.0), (2.0,) * 3, (0.0,) * 3, (4.0,) * 3,
        (Mark(2, "WE1", "one point beyond 3 sigma"),),
    ),
    "pareto": Plot("pareto", "words", ("bridge", "open"), "rows", (3.0, 1.0), (0.75, 1.0)),
    "intervals": Plot("intervals", "risks", ("nozzle N2",), "times", (4.0,), (), (2.0,), (8.0,), limits=(1.0,)),
    "histogram": Plot("histogram", "values", ("x", "y"), "V", (3.0, 1.0), limits=(0.0, 3.0, None), where=((0.0, 1.0, 2.0),)),
    "offsets": Plot("offsets", "pads", ("a", "b"), "um", (1.0, 2.0), (), (1.0, 0.0), (0.0, 2.0), where=((0.0, 0.0), (5.0, 5.0))),
}  # fmt: skip


@pytest.fixture(scope="module")
def drawn() -> str:
    return picture(list(PLOTS.values()), "What it means.")


def test_the_same_plots_give_the_same_bytes(drawn: str) -> None:
    assert picture(list(PLOTS.values()), "What it means.") == drawn


def test_it_is_static_and_needs_nothing_from_elsewhere(drawn: str) -> None:
    root = etree.fromstring(drawn.encode())
    assert root.tag == f"{SVG}svg"
    names = {etree.QName(one).localname for one in root.iter() if isinstance(one.tag, str)}
    assert not names & {
        "script",
        "image",
        "foreignObject",
        "animate",
        "text",
    }  # text is paths: no font is needed
    for one in root.iter():
        for name, value in one.attrib.items():
            if name.endswith("href"):
                assert value.startswith("#")
    assert "date" not in names


def test_a_hit_is_drawn_beside_its_point_and_not_where_nothing_was_hit() -> None:
    plot = PLOTS["control"]
    hit, quiet = picture([plot]), picture([plot._replace(marks=())])
    # The rule's word is a comment beside its paths, as the library writes texts.
    assert "<!-- WE1 -->" in hit
    assert "<!-- WE1 -->" not in quiet
    assert "<!-- upper limit -->" in quiet


@pytest.mark.parametrize("kind", PLOTS)
def test_every_kind_alone(kind: str) -> None:
    assert f"<!-- {PLOTS[kind].title} -->" in picture([PLOTS[kind]])


def test_nothing_to_draw() -> None:
    with pytest.raises(UsageError, match="no chart"):
        picture([])


def test_without_the_extra_its_name_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(UsageError, match=r"broker-bridge\[charts\]"):
        picture([PLOTS["pareto"]])
