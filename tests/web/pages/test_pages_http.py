"""Pages over a real socket, without a browser: what they say, whom they let, and that nothing becomes markup."""

import re
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest
from conftest import Opened, Tokens
from eventful import HOSTILE, eventful, written
from looking_at_pages import PAGE, nothing_became_markup, shown, tree_of

from broker_bridge.web.pages.frame import TEMPLATES
from broker_bridge.words.telling import safe

X = quote(HOSTILE)
PAGES = (
    "/", f"/scan?id={X}no", "/board?id=A", f"/board?id={X}", "/board?id=P&kind=panel", "/board/why?id=A&kind=board&statement=D2",
    "/board/why?id=A&statement=V1&part=1", "/lot", "/lot?lot=LOT-1", f"/lot?lot={X}", f"/lot?text={X}", f"/lot?reel={X}none",
    "/stations", "/stations?part=1", "/station?line=/harbour/smt/line-1&name=aoi", "/sources", "/quality",
    f"/quality?view=charts&series={X}", f"/quality?station={X}", f"/quality?view={X}", "/quality?view=occurrence", f"/board?id=A&at={X}",
    f"/station?line={X}&name={X}", "/sign-in", f"/sign-in?next={X}", f"/lot/frozen/{X}", "/nowhere",
)  # fmt: skip


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    return written(tmp_path_factory.mktemp("pages") / "record.db", eventful())


@pytest.fixture(scope="module")
def asked(service: Opened, url: str) -> httpx.Client:
    return service(url)


@pytest.mark.parametrize("path", PAGES)
def test_no_page_breaks_and_nothing_a_machine_wrote_becomes_markup(asked: httpx.Client, path: str) -> None:
    answer = shown(asked, path)
    nothing_became_markup(answer)
    assert "qqqqqqq" not in tree_of(answer).text_content(), "no text is a template"


def test_hostile_names_are_shown_as_they_are(asked: httpx.Client) -> None:
    words = tree_of(shown(asked, f"/board?id={X}")).text_content()
    assert f"Board {safe(HOSTILE)}" in words
    assert words.count(safe(HOSTILE)) > 5


def test_a_page_says_what_it_may_run(asked: httpx.Client) -> None:
    answer = asked.get("/board?id=A", headers=PAGE)
    policy = answer.headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


def test_scan_leads_to_the_board_or_says_what_is_known(asked: httpx.Client) -> None:
    assert asked.get("/scan?id=A").headers["location"] == "/board?id=A"
    assert asked.get("/scan?id=P").headers["location"] == "/board?id=P&kind=panel"
    assert asked.get("/scan?id=P+%232").headers["location"] == "/board?id=B", "as lists call it"
    assert asked.get("/scan?id=").headers["location"] == "/"
    lost = asked.get("/scan?id=AZ", headers=PAGE)
    assert lost.status_code == 404
    assert "/board?id=A&kind=board" in tree_of(lost).xpath("//main//a/@href")
    assert "events, the first of" in tree_of(lost).text_content()


def test_an_ambiguous_name_is_a_choice(service: Opened, tmp_path: Path) -> None:
    from told import Told, board

    told = Told()
    told.passes("print", "08:00:00", "08:00:30", board("A"))
    told.passes("print", "08:01:00", "08:01:30", board("customer_serial=A", "B"))
    asked = service(written(tmp_path / "record.db", told))
    found = asked.get("/scan?id=A", headers=PAGE)
    links = tree_of(found).xpath("//main//a/@href")
    assert "/board?id=A&kind=board" in links
    assert "/board?id=B&kind=board" in links
    assert asked.get("/board?id=A", headers=PAGE).status_code == 409


def test_as_known_at_another_moment(asked: httpx.Client) -> None:
    now = tree_of(asked.get("/board?id=A", headers=PAGE)).text_content()
    then = tree_of(asked.get("/board?id=A&kind=board&at=12", headers=PAGE)).text_content()
    assert "Known as of commit 12" in then
    assert "what is known now" in then
    assert "tilt at U1" in now
    assert "tilt at U1" not in then
    assert asked.get("/board?id=A&time=2001-01-01T00:00", headers=PAGE).status_code == 404
    assert asked.get("/board?id=A&time=yesterday", headers=PAGE).status_code == 400


def test_a_recall_says_for_sure_possible_and_whether_it_is_bounded(asked: httpx.Client) -> None:
    words = " ".join(tree_of(shown(asked, "/lot?lot=LOT-1")).text_content().split())
    assert "lot LOT-1: 2 boards for sure" in words
    assert "ounded" in words
    table = asked.get(tree_of(shown(asked, "/lot?lot=LOT-1")).xpath("//a[contains(@href, 'csv')]/@href")[0])
    assert [line.split(",")[0] for line in table.text.splitlines()][:3] == ["member", "A", "B"]


def test_the_form_asks_by_an_address_that_can_be_kept(asked: httpx.Client) -> None:
    found = asked.get("/lot?kind=lot&value=LOT-1&since=&until=&part=")
    assert (found.status_code, found.headers["location"]) == (303, "/lot?lot=LOT-1")
    assert asked.get("/lot?kind=colour&value=red", headers=PAGE).status_code == 400


def test_empty_states_say_what_to_do_next(service: Opened, tmp_path: Path) -> None:
    from told import Told

    told = Told()
    told.say("source.connected", "07:00:00", source="spi")
    asked = service(written(tmp_path / "record.db", told))
    for path in ("/stations", "/sources", "/lot?lot=L", "/quality?view=charts"):
        assert tree_of(shown(asked, path)).xpath("//*[contains(@class, 'empty')]"), path


def test_signing_in_gives_a_cookie_and_leads_back(service: Opened, url: str, tokens: Tokens) -> None:
    path, _, operate = tokens
    asked = service(url, tokens=path)
    closed = asked.get("/board?id=A", headers=PAGE)
    assert closed.status_code == 401
    (back,) = tree_of(closed).xpath("//input[@name='next']/@value")
    assert back == "/board?id=A"
    wrong = asked.post("/sign-in", data={"token": "bb_no", "next": back}, headers=PAGE)
    assert wrong.status_code == 403
    assert tree_of(wrong).xpath("//input[@name='next']/@value") == [back]
    opened = asked.post("/sign-in", data={"token": operate, "next": back}, headers=PAGE)
    assert (opened.status_code, opened.headers["location"]) == (303, "/board?id=A")
    cookie = opened.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert operate not in cookie
    assert "qe-02" in asked.get("/board?id=A", headers=PAGE).text
    asked.post("/sign-out", headers=PAGE)
    assert asked.get("/board?id=A", headers=PAGE).status_code == 401


@pytest.mark.parametrize(
    "next_",
    ["https://else.example/", "//else.example", "/\\else.example", "javascript:alert(1)", "/sign-out"],
)
def test_signing_in_leads_nowhere_else(service: Opened, url: str, tokens: Tokens, next_: str) -> None:
    path, read, _ = tokens
    asked = service(url, tokens=path)
    assert (
        asked.post("/sign-in", data={"token": read, "next": next_}, headers=PAGE).headers["location"] == "/"
    )


def test_nobody_acts_without_the_role_a_form_of_ours_and_a_page_of_ours(
    service: Opened, url: str, tokens: Tokens
) -> None:
    path, read, operate = tokens
    asked = service(url, tokens=path)
    ask = {"lot": "LOT-1", "name": "recall-7", "why": "complaint 17"}
    asked.post("/sign-in", data={"token": read})
    assert asked.post("/lot/freeze", data=ask, headers=PAGE).status_code == 403, "may only read"
    asked.cookies.clear()
    asked.post("/sign-in", data={"token": operate})
    assert asked.post("/lot/freeze", data=ask, headers=PAGE).status_code == 403, "no form of ours"
    (form,) = set(tree_of(shown(asked, "/lot?lot=LOT-1")).xpath("//input[@name='form']/@value"))
    elsewhere = PAGE | {"origin": "https://else.example"}
    assert asked.post("/lot/freeze", data={**ask, "form": form}, headers=elsewhere).status_code == 403
    null = PAGE | {"origin": "null"}
    assert asked.post("/lot/freeze", data={**ask, "form": form}, headers=null).status_code == 403
    blank = asked.post("/lot/freeze", data={**ask, "why": "  ", "form": form}, headers=PAGE)
    assert (blank.status_code, "say the reason" in blank.text) == (400, True)
    kept = asked.post("/lot/freeze", data={**ask, "form": form}, headers=PAGE)
    assert (kept.status_code, kept.headers["location"]) == (303, "/lot/frozen/recall-7")
    words = tree_of(asked.get("/lot/frozen/recall-7", headers=PAGE)).text_content()
    assert "The record holds the very events it stands on" in words
    assert "because: complaint 17" in words


def test_the_raw_place_is_marked_and_a_record_alone_cannot_retry(asked: httpx.Client) -> None:
    (address,) = tree_of(asked.get("/sources", headers=PAGE)).xpath(
        "//table//a[contains(@href, 'rejected/')]/@href"
    )
    words = tree_of(asked.get(address, headers=PAGE)).text_content()
    assert "a retry needs the plant's configuration" in words


def test_times_state_utc_without_a_script(asked: httpx.Client) -> None:
    tree = tree_of(asked.get("/board?id=A", headers=PAGE))
    times = tree.xpath("//main//time")
    assert len(times) > 20
    for time in times:
        assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", time.text)
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", time.get("datetime"))


def test_every_template_escapes() -> None:
    for name in TEMPLATES.list_templates():
        source = (Path(str(TEMPLATES.loader.searchpath[0])) / name).read_text(encoding="utf-8")  # type: ignore[union-attr]
        assert "|safe" not in source
        assert "autoescape" not in source
        assert "style=" not in source
