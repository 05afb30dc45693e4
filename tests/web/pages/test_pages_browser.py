"""Pages in a real browser: scanning, keyboard alone, live rows, downloads, a retry; nothing leaves the host, nothing is logged."""

import asyncio
import contextlib
import re
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
from chain import Chain, mapping_text, rows
from conftest import Opened, Tokens
from eventful import HOSTILE, eventful, written
from servers import free_port, until
from told import Told, board

from broker_bridge.bootstrap import run_roles
from broker_bridge.web.access import added, write_table

playwright = pytest.importorskip("playwright.sync_api", reason="the extra `test` brings playwright")

pytestmark = [pytest.mark.server("chromium"), pytest.mark.timeout(240)]

PAGES = (
    "/", "/board?id=A", "/board/why?id=A&kind=board&statement=I2", "/scan?id=nothing", "/lot", "/lot?lot=LOT-1", "/stations",
    "/station?line=/harbour/smt/line-1&name=aoi", "/sources", "/quality", "/quality?view=charts",
    "/quality?view=occurrence", "/flow", "/flow?view=time", "/order", "/order?id=WO-1", "/defects", "/defects?station=nowhere", "/scan?id=wo-1", "/sign-in", "/nowhere", "/sources/rejected/{key}",
)  # fmt: skip
PHONE = {"width": 390, "height": 844}
Open = Callable[..., Any]


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    return _written(tmp_path_factory.mktemp("browser") / "record.db", eventful())


def _written(path: Path, told: Told) -> str:
    with ThreadPoolExecutor(1) as thread:  # the browser's driver may have a loop of its own in this one
        return thread.submit(written, path, told).result(60)


@pytest.fixture(scope="module")
def address(service: Opened, url: str) -> str:
    return str(service(url).base_url).rstrip("/")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as player:
        browser = player.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=[
                "--no-sandbox", "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--no-first-run", "--disable-default-apps",
            ],
        )  # fmt: skip
        yield browser
        browser.close()


@pytest.fixture
def opened(browser: Any) -> Iterator[Open]:
    """Opens a page in a context of its own; at the end nothing may have gone elsewhere or been complained of."""
    wrong: list[str] = []
    with contextlib.ExitStack() as stack:

        def open_(base: str, path: str, **more: Any) -> Any:
            context = browser.new_context(base_url=base, timezone_id="Asia/Kolkata", **more)
            stack.callback(context.close)
            page = context.new_page()
            page.set_default_timeout(60_000)

            def asked(request: Any) -> None:
                if not request.url.startswith((base + "/", "data:", "blob:")):
                    wrong.append(f"request to {request.url}")

            def said(message: Any) -> None:
                asked_for = message.location.get("url", "").removeprefix(base)
                expected = "status of 404" in message.text and asked_for.startswith(("/scan", "/nowhere"))
                if message.type in ("error", "warning") and not expected:
                    wrong.append(f"console: {message.text}")

            page.on("request", asked)
            page.on("console", said)
            page.on("pageerror", lambda error: wrong.append(f"error: {error}"))
            page.on("dialog", lambda dialog: wrong.append(f"dialog: {dialog.message}"))
            page.goto(path)
            return page

        yield open_
    assert wrong == []


def focused(page: Any) -> str:
    return str(page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()"))


def test_a_scan_leads_to_the_life_of_a_board_with_its_gap_and_its_inferred_visit(
    address: str, opened: Open
) -> None:
    page = opened(address, "/")
    assert focused(page) == "scan"
    page.mouse.click(5, 400)
    assert focused(page) == "scan", "the field keeps the focus"
    page.keyboard.type("A")
    page.keyboard.press("Enter")
    page.wait_for_url("**/board?id=A")
    assert page.inner_text("h1") == "Board A"
    assert page.locator("svg rect.span").first.is_visible(), "the gap"
    assert page.locator("svg rect.bar.inferred").first.is_visible()
    assert page.locator("#V2").get_by_text("INFERRED (probability 0.7)").is_visible()
    assert page.locator("#G1").get_by_text("statements may be lost").is_visible()
    assert page.locator("#V1 time").first.inner_text() == "2026-03-02 13:30:00", "in the viewer's zone"
    assert page.locator("#V1 time").first.get_attribute("title") == "2026-03-02 08:00:00 UTC"
    page.locator("#D2 summary").click()
    page.locator("#D2 .why").get_by_text("inspection.reviewed").wait_for()
    assert page.locator("#D2 .why time").first.inner_text().startswith("2026-03-02 18:")
    page.locator("h1").click()
    page.keyboard.type("P #2")
    page.keyboard.press("Enter")
    page.wait_for_url("**/board?id=B")


def test_all_of_it_by_keyboard(address: str, opened: Open) -> None:
    page = opened(address, "/board?id=A")
    page.keyboard.press("Tab")
    assert focused(page) == "To the content"
    page.keyboard.press("Enter")
    assert focused(page) == "content"
    page.goto("/board?id=A")
    _tab_to(page, "Stations")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid", "where the focus is can be seen"
    page.keyboard.press("Enter")
    page.wait_for_url("**/stations")
    _tab_to(page, "/harbour/smt/line-1/aoi")
    page.keyboard.press("Enter")
    page.wait_for_url("**/station?*")
    _tab_to(page, "A", least=3)
    page.keyboard.press("Enter")
    page.wait_for_url("**/board?id=A*")
    _tab_to(page, "+ V1 stands on 3 events", most=80, begin="V1 stands on")
    page.keyboard.press("Enter")
    page.locator("#V1 .why").get_by_text("board.arrived").first.wait_for()


def _tab_to(page: Any, wanted: str, *, most: int = 40, least: int = 0, begin: str = "") -> None:
    for step in range(most):
        page.keyboard.press("Tab")
        here = focused(page)
        if step >= least and (here == wanted or (begin and here.startswith(begin))):
            return
    raise AssertionError(f"{wanted} is not reached by {most} times Tab; last was {here!r}")


_AT_ONCE = """keys => keys.forEach(key =>
    document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true})))"""
"""Faster than a hand: what a test sends key by key may take longer than that."""


def test_a_scan_into_a_list_of_choices_is_taken_and_the_choice_put_back(address: str, opened: Open) -> None:
    page = opened(address, "/quality")
    before = page.eval_on_selector_all("main select", "all => all.map(one => one.value)")
    page.locator("main select").first.focus()
    page.evaluate(_AT_ONCE, ["L", "O"])
    assert page.eval_on_selector_all("main select", "all => all.map(one => one.value)") == before
    page.keyboard.type("T-1\n")
    page.wait_for_url(re.compile("[?](id|text)=LOT-1"))
    page.goto(f"{address}/quality")
    page.locator("main select").first.focus()
    page.evaluate(_AT_ONCE, ["A", "Enter"])
    page.wait_for_url("**?id=A")


def test_a_scan_is_taken_where_a_box_to_tick_has_the_focus(address: str, opened: Open) -> None:
    page = opened(address, "/defects")
    page.locator("main input[type=checkbox]").first.focus()
    page.keyboard.type("LOT-1\n")
    page.wait_for_url(re.compile("[?](id|text)=LOT-1"))


def test_a_hand_still_chooses_by_letters(address: str, opened: Open) -> None:
    page = opened(address, "/lot")
    page.locator("main select").first.focus()
    page.keyboard.press("t")
    page.wait_for_timeout(120)
    page.keyboard.press("o")
    assert page.input_value("main select >> nth=0") == "tool"
    assert page.url.endswith("/lot")


def test_a_recall_is_downloaded(address: str, opened: Open) -> None:
    page = opened(address, "/lot?lot=LOT-1")
    with page.expect_download() as waiting:
        page.get_by_text("table as CSV").click()
    made = Path(waiting.value.path()).read_text(encoding="utf-8")
    assert made.startswith("member,panel,")
    assert "\r\nA," in made or "\nA," in made
    assert page.get_by_text("Bounded", exact=False).first.is_visible()


def test_without_a_script_everything_is_there_in_utc(address: str, opened: Open) -> None:
    page = opened(address, "/", java_script_enabled=False)
    page.fill("#scan", "A")
    page.press("#scan", "Enter")
    page.wait_for_url("**/board?id=A")
    assert page.locator("#V1 time").first.inner_text() == "2026-03-02 08:00:00 UTC"
    page.locator("#V1 summary").click()
    page.get_by_text("See what V1 stands on").click()
    page.wait_for_url("**/board/why?*")
    assert page.get_by_text("board.arrived").first.is_visible()


def test_hostile_names_do_nothing(address: str, opened: Open) -> None:
    page = opened(address, "/")
    page.fill("#scan", HOSTILE.replace("\x07", ""))
    page.press("#scan", "Enter")
    page.wait_for_url("**/scan?*")
    page.goto("/stations")
    assert page.evaluate("document.querySelectorAll('main img').length") == 0


@pytest.mark.parametrize("path", PAGES)
def test_no_page_has_a_serious_finding_of_axe_in_light_or_dark_or_is_wider_than_a_phone(
    address: str, opened: Open, path: str
) -> None:
    if "{key}" in path:
        (path,) = set(_links(httpx.get(f"{address}/sources", headers={"accept": "text/html"}).text))
    page = opened(address, path, viewport=PHONE, color_scheme="light")
    assert _found(page) == []


def _links(page: str) -> list[str]:
    return re.findall(r"/sources/rejected/[rp][0-9]+", page)


def _found(page: Any) -> list[str]:
    """What is wrong with a page in light and dark, and whether it is wider than its screen."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    page.emulate_media(color_scheme="light")
    found = _serious(axe.run(page, options={"resultTypes": ["violations"]}))
    page.emulate_media(color_scheme="dark")
    found += _serious(axe.run(page, options={"runOnly": ["color-contrast"], "resultTypes": ["violations"]}))
    if (wide := page.evaluate("document.documentElement.scrollWidth - innerWidth")) > 0:
        found.append(f"{wide} px wider than the screen")
    return found


def _serious(result: Any) -> list[str]:
    return [
        f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:200]}"
        for one in result.response["violations"]
        if one["impact"] in ("serious", "critical")
    ]


def test_a_frozen_answer_has_no_serious_finding(
    service: Opened, url: str, tokens: Tokens, opened: Open
) -> None:
    path, _, operate = tokens
    base = str(service(url, tokens=path).base_url).rstrip("/")
    page = _signed_in(opened, base, operate, "/lot?lot=LOT-1", viewport=PHONE)
    page.fill("input[name='name']", "recall-8")
    page.fill("input[name='why']", "complaint 17")
    page.get_by_text("Freeze", exact=False).locator("visible=true").last.click()
    page.wait_for_url("**/lot/frozen/recall-8")
    assert _found(page) == []


def test_a_wall_shows_ten_stations_without_being_moved(service: Opened, tmp_path: Path, opened: Open) -> None:
    told = Told()
    for number in range(1, 11):
        for board_ in range(3):
            told.say(
                "board.arrived", f"08:{number:02}:0{board_}", board(f"HB5000{number:02}{board_}"), station=f"station-{number}",
                how="transferred",
            )  # fmt: skip
    base = str(service(_written(tmp_path / "record.db", told)).base_url).rstrip("/")
    page = opened(base, "/stations?large=1", viewport={"width": 1920, "height": 1080})
    ends = page.evaluate(
        "[...document.querySelectorAll('.stations tbody tr')].map(row => row.getBoundingClientRect().bottom)"
    )
    assert len(ends) == 10
    assert max(ends) < 1080
    assert _found(page) == []


@pytest.mark.parametrize("width", [1024, 1400])
@pytest.mark.parametrize("path", ["/stations", "/lot?lot=LOT-1", "/flow", "/quality"])
def test_no_serial_is_broken_within(address: str, opened: Open, path: str, width: int) -> None:
    page = opened(address, path, viewport={"width": width, "height": 900})
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    broken = """[...document.querySelectorAll('td .name.short, th .name.short')].filter(
        one => new Set([...one.getClientRects()].map(box => Math.round(box.top))).size > 1).map(one => one.textContent)"""
    assert page.evaluate(broken) == []
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def test_light_and_dark_and_large_are_kept(address: str, opened: Open) -> None:
    page = opened(address, "/stations", color_scheme="light")
    light = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.click("#theme")
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.click("#size")
    page.goto("/sources")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == dark != light
    assert page.evaluate("getComputedStyle(document.documentElement).fontSize") == "30.4px"


# -- a plant at work -------------------------------------------------------------------------------------------


class Plant:
    """Broker, edge, recorder and pages in a thread of their own."""

    def __init__(self, chain: Chain) -> None:
        self._loop = asyncio.new_event_loop()
        self._started = threading.Event()
        self._task = self._loop.create_task(self._run(chain))
        self._thread = threading.Thread(target=self._turn)
        self._thread.start()
        assert self._started.wait(30)

    async def _run(self, chain: Chain) -> None:
        def ready(role: str) -> None:
            if role == "web":
                self._started.set()

        await run_roles(chain.settings, ("broker", "recorder", "edge", "web"), ready)

    def _turn(self) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._task)
        self._loop.close()

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(30)
        assert not self._thread.is_alive()


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Chain, str, str]]:
    """A plant that has rejected a record and whose mapping is mended since; its address, and a token that may act."""
    chain = Chain(tmp_path_factory.mktemp("plant"))
    port = free_port()
    with chain.config.open("a", encoding="utf-8") as config:
        config.write(f'[web]\nport = {port}\ntokens = "tokens.json"\n')

    async def life() -> None:
        async with chain.running():
            chain.put("a.csv", rows(1, 2) + rows(3, 1, "MAYBE").split(b"\n", 1)[1])
            await until(lambda: chain.count() == 3, "recorded")

    # The browser's own loop runs in this thread.
    with ThreadPoolExecutor(1) as thread:
        thread.submit(asyncio.run, life()).result(60)
    chain.mapping.write_text(
        mapping_text(2, values='OK = "passed", NG = "failed", MAYBE = "unknown"'), encoding="utf-8"
    )
    table, token = added({}, "qe-02", "operate")
    tokens = chain.settings.web.tokens
    assert tokens is not None
    write_table(tokens, table)
    running = Plant(chain)
    try:
        yield chain, f"http://127.0.0.1:{port}", token
    finally:
        running.stop()


def test_rows_follow_what_is_recorded(plant: tuple[Chain, str, str], opened: Open) -> None:
    chain, base, token = plant
    page = _signed_in(opened, base, token, "/station?line=/harbour-works/smt/line-1&name=aoi-1")
    page.get_by_text("HW-000002").first.wait_for()
    page.get_by_text("Live.").wait_for()
    assert page.get_by_text("HW-000900").count() == 0
    chain.put("b.csv", rows(900, 1))
    page.get_by_text("HW-000900").first.wait_for()


def test_a_rejected_record_is_seen_tried_and_retried(plant: tuple[Chain, str, str], opened: Open) -> None:
    _, base, token = plant
    page = _signed_in(opened, base, token, "/sources")
    page.locator("a[href^='/sources/rejected/']").first.click()
    assert page.locator("pre mark").inner_text() == "MAYBE", "the place is marked"
    assert "HW-000003;P1;" in page.inner_text("pre")
    page.get_by_text("Try it first").click()
    assert "3 events from 1 file. Nothing was written." in page.inner_text("pre")
    assert _found(page) == [], "the preview"
    page.go_back()
    assert _found(page) == [], "the reason that is asked for"
    page.fill("input[name='why']", "the mapping knows MAYBE now")
    page.get_by_text("Retry this file").click()
    page.get_by_text("the mapping knows MAYBE now").wait_for()
    page.get_by_text("read again with revision 2").wait_for()
    assert _found(page) == [], "what became of it"
    page.goto("/sources")
    for _ in range(200):
        if page.get_by_text("Records that could not be used: 0").count():
            break
        page.reload()
    assert page.get_by_text("Records that could not be used: 0").is_visible()
    page.set_input_files(
        "input[type=file]", {"name": "c.csv", "mimeType": "text/csv", "buffer": rows(1, 1, "WHAT")}
    )
    page.get_by_text("Show what it makes of it").click()
    assert "WHAT" in page.inner_text("pre")


def _signed_in(opened: Open, base: str, token: str, path: str, **more: Any) -> Any:
    page = opened(base, f"/sign-in?next={path.replace('&', '%26')}", **more)
    assert focused(page) == "token"
    page.keyboard.type(token)
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: url.startswith(base + path.partition("?")[0]))
    return page
