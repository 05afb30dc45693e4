"""Pages of many boards over a real socket: a work order's, those of a magazine, defects; what a scan of their names leads to."""

from urllib.parse import quote

import httpx
import pytest
from chain import Chain
from conftest import Opened, ok
from eventful import HOSTILE, eventful, written
from looking_at_pages import PAGE, nothing_became_markup, shown, tree_of
from told import board

from broker_bridge.web.access import added, write_table

X = quote(HOSTILE)
ADAPTER = '[[adapters]]\nkind = "assertions"\nname = "desk"\narea = "smt"\nline = "line-1"\n'


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    told = eventful()
    told.say(
        "board.departed", "15:00:00", board("A"), station="unload", how="unloaded", magazine="MAG-1", slot="4"
    )
    told.say("board.magazine_handled", "15:01:00", station="unload", magazine="MAG-1", act="sealed")
    told.say(
        "board.departed", "15:02:00", board("B"), station="unload", how="unloaded", magazine=HOSTILE, slot=HOSTILE
    )  # fmt: skip
    return written(tmp_path_factory.mktemp("lists") / "record.db", told)


@pytest.fixture(scope="module")
def asked(service: Opened, url: str) -> httpx.Client:
    asked = service(url)
    ok(asked.get("/api/v1/balance?order=WO-1"))  # what is derived from histories is there from now on
    return asked


@pytest.fixture(scope="module")
def operator(service: Opened, url: str, tmp_path_factory: pytest.TempPathFactory) -> httpx.Client:
    folder = tmp_path_factory.mktemp("operator")
    chain = Chain(folder / "plant")
    chain.config.write_text(chain.config.read_text(encoding="utf-8") + ADAPTER, encoding="utf-8")
    table, operate = added({}, "qe-02", "operate")
    write_table(folder / "tokens.json", table)
    asked = service(url, tokens=folder / "tokens.json", settings=chain.settings)
    asked.post("/sign-in", data={"token": operate})
    return asked


@pytest.mark.parametrize(
    ("scanned", "leads"),
    [("WO-1", "/order?id=WO-1"), ("MAG-1", "/magazine?id=MAG-1"), ("LOT-1", "/lot?text=LOT-1"), ("A", "/board?id=A")],
)  # fmt: skip
def test_a_scan_leads_to_what_it_is(asked: httpx.Client, scanned: str, leads: str) -> None:
    found = asked.get("/scan", params={"id": scanned}, headers=PAGE)
    assert (found.status_code, found.headers["location"]) == (303, leads)
    assert asked.get(leads, headers=PAGE).status_code == 200


@pytest.mark.parametrize(
    ("scanned", "offered"),
    [
        ("a", "board A"),
        ("wo-1", "work order WO-1"),
        ("mag-1", "magazine MAG-1"),
        ("reel-1", "reel REEL-1"),
    ],
)
def test_what_is_equal_but_for_case_is_offered_and_never_taken(
    asked: httpx.Client, scanned: str, offered: str
) -> None:
    found = asked.get("/scan", params={"id": scanned}, headers=PAGE)
    assert found.status_code == 404
    words = tree_of(found).text_content()
    assert "Written otherwise" in words
    assert offered in words
    assert "Nothing that begins like it" not in words


@pytest.mark.parametrize(
    "path",
    [
        "/order", "/order?id=WO-1", f"/order?id={X}", f"/order?id={X}none", f"/order?id=WO-1&end={X}", "/magazine?id=MAG-1",
        f"/magazine?id={X}", "/magazine?id=none", "/defects", f"/defects?designator={X}", "/defects?open=1&station=aoi",
        f"/defects?since={X}", f"/scan?id={X}none", "/board?id=A",
    ],
)  # fmt: skip
def test_no_page_breaks_and_nothing_a_machine_wrote_becomes_markup(asked: httpx.Client, path: str) -> None:
    nothing_became_markup(asked.get(path, headers=PAGE))


def test_a_work_order_is_balanced(asked: httpx.Client) -> None:
    tree = tree_of(shown(asked, "/order?id=WO-1"))
    told = asked.get("/api/v1/balance?order=WO-1").json()
    assert told["sentence"] in tree.text_content()
    assert len(tree.xpath("//tbody/tr//a[starts-with(@href, '/board?')]")) == len(told["started"])
    assert asked.get("/order?id=WO-77", headers=PAGE).status_code == 404


def test_what_was_put_into_a_magazine_is_told_as_it_was_said(asked: httpx.Client) -> None:
    tree = tree_of(shown(asked, "/magazine?id=MAG-1"))
    assert tree.xpath("//tbody//a/@href") == ["/board?id=A&kind=board"]
    words = " ".join(tree.text_content().split())
    assert "sealed" in words
    assert "put in" in words
    assert "1 name of boards or panels was told with it" in words
    assert "proven only" in words
    assert asked.get("/magazine?id=none", headers=PAGE).status_code == 404


def test_defects_are_listed_and_narrowed(asked: httpx.Client) -> None:
    told = asked.get("/api/v1/defects").json()
    tree = tree_of(shown(asked, "/defects"))
    assert told["sentence"] in " ".join(tree.text_content().split())
    assert len(tree.xpath("//table//tbody/tr")) == len(told["rows"]) > 2
    tree = tree_of(shown(asked, "/defects?designator=U1"))
    assert len(tree.xpath("//table//tbody/tr")) == 1
    assert tree.xpath("//input[@name='designator']/@value") == ["U1"]
    tree = tree_of(shown(asked, "/defects?station=nowhere"))
    assert tree.xpath("//*[contains(@class, 'empty')]")
    assert asked.get("/defects?colour=red", headers=PAGE).status_code == 400


def test_a_board_leads_to_its_order_and_to_defects(asked: httpx.Client) -> None:
    links = tree_of(shown(asked, "/board?id=A")).xpath("//main//a/@href")
    assert "/order?id=WO-1" in links
    assert "/defects" in links


def test_a_named_user_may_state_a_note_or_a_hold(operator: httpx.Client, asked: httpx.Client) -> None:
    assert not tree_of(shown(asked, "/board?id=A")).xpath("//form[@action='/board/state']"), (
        "nobody in particular"
    )
    tree = tree_of(shown(operator, "/board?id=A"))
    (form,) = tree.xpath("//form[@action='/board/state']")
    assert "it moves nothing" in " ".join(tree.text_content().split())
    fields = {one.get("name"): one.get("value") for one in form.xpath(".//input[@type='hidden']")}
    for claim, more, status, says in (
        ("note", {"why": "  "}, 400, "say the reason"), ("scrapped", {"why": "x"}, 400, "note or held"),
        ("held", {"why": "short at U7", "hold": "H-9"}, 503, "nothing was written"),
    ):  # fmt: skip
        told = operator.post("/board/state", data={**fields, "claim": claim, **more}, headers=PAGE)
        assert (told.status_code, says in told.text) == (status, True), told.text
    without = {name: value for name, value in fields.items() if name != "form"} | {
        "claim": "note",
        "why": "x",
    }
    assert operator.post("/board/state", data=without, headers=PAGE).status_code == 403
