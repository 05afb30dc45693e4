"""A board's page: the sentences of the terminal, all of them, each with its evidence."""

import pytest
from eventful import HOSTILE, eventful

from broker_bridge.queries.parts import Component
from broker_bridge.trace.history import History
from broker_bridge.trace.references import referred
from broker_bridge.web.pages.board_view import BoardView, board_view
from broker_bridge.web.pages.outline import outline
from broker_bridge.web.pages.texts import plain
from broker_bridge.words.board import sections

PLACED = [Component(name, None, "top", 2, 5.0 * n, 2.0) for n, name in enumerate(("R1", "R2", "U1", HOSTILE))]


@pytest.fixture(scope="module")
def lived() -> History:
    return eventful().history("A")


@pytest.fixture(scope="module")
def view(lived: History) -> BoardView:
    return board_view(lived, PLACED, newest=9, committed="2026-03-02T15:00:00Z")


def test_it_says_what_the_report_and_the_terminal_say(lived: History, view: BoardView) -> None:
    told = sections(lived)
    assert [part.title for part in view.parts] == [section.title for section in told[1:]]
    words = [one.text for section in told for one in section.paragraphs if "As of commit" not in one.text]
    shown = [view.title]
    for part in (view.first, *view.parts):
        for one in part.statements:
            shown += [one.text, *(more.text for more in one.more)]
    made = [plain(text).replace(" UTC", "") for text in shown if "As of commit" not in text]
    assert made == [text.replace(" UTC", "") for text in words]


def test_every_statement_that_stands_on_events_leads_to_them(lived: History, view: BoardView) -> None:
    leading = {
        one.mark.partition(" ")[0] for part in (view.first, *view.parts) for one in part.statements if one.why
    }
    told = {one.reference for one in referred(lived) if one.statement.evidence}
    assert leading == told - {"K1", "P1"}, (
        "the name it has, and the panel that is said with it, are told as a sentence"
    )


def test_what_is_doubtful_is_marked_and_told(view: BoardView) -> None:
    route = next(part for part in view.parts if part.name == "route")
    assert [one.certainty for one in route.statements[:3]] == ["observed", "inferred", "observed"]
    assert [more.doubt for more in route.statements[1].more] == [True]
    assert view.held
    assert [one.held for one in view.first.statements].count(True) == 1


def test_relatives_and_materials_are_links(view: BoardView) -> None:
    assert [link.address for link in view.relatives] == ["/board?id=P&kind=panel"]
    materials = next(part for part in view.parts if part.name == "materials")
    links = [link.address for one in materials.statements for link in one.links]
    assert links == ["/lot?lot=LOT-1", "/lot?reel=REEL-1"]


def test_links_to_evidence_name_the_commit(view: BoardView) -> None:
    assert all("at=0" in one.why for part in view.parts for one in part.statements if one.why)


def test_the_outline_tells_by_shape_what_is_wrong_where(lived: History) -> None:
    (side,) = outline(lived, PLACED)
    found = {spot.name: (spot.state, spot.mark) for spot in side.spots}
    assert found["R1"] == ("closed", "D1")
    assert found["U1"] == ("open", "D2")
    assert found["R2"] == ("fine", "")
    assert ("asked", "U1") in found.values(), "the call nobody judged"
    assert all(0 <= spot.x <= side.width and 0 <= spot.y <= side.height for spot in side.spots)
    assert outline(lived, []) == []
