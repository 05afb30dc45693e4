"""A plant whose every text wants to be markup, to turn a line round, to ring a bell or to be endless: no page and no report lets it."""

import re
from typing import Any
from urllib.parse import quote, urlencode

import httpx
import pytest
from conftest import Opened
from eventful import written
from looking_at_pages import PAGE, nothing_became_markup, shown, tree_of
from told import Told, at, board, call, verdict

from broker_bridge.words.telling import safe

TEXTS = (
    "<script>alert(1)</script>", "\"><svg onload=alert(1)>", "' onfocus='alert(1)' x='", "</title></table><h1>",
    "\u202etxt.exe\u2066\u200f", "\u05d0\u05d1\u05d2 \u0645\u0631\u062d\u0628\u0627", "\x1b[31m\x07\x08\x7f\x9b", "&lt;b&gt;&#60;i&#62;",
    "{{ 'q' * 9 }}{% raw %}", "javascript:alert(1)", "x" * 512, "line\none\r\ntwo\u2028three",
)  # fmt: skip
ENDLESS = "<b>" + "y" * 4990
PATHS = (
    *(f"/flow?view={view}" for view in ("line", "stations", "changes", "time")),
    *(f"/quality?view={view}" for view in ("yield", "paste", "occurrence", "gauge")),
    "/quality?view=yield&by=program", "/quality?view=yield&by=equipment", "/quality?view=occurrence&every=true",
    "/quality?view=charts&series=failed&station=aoi&per=order", "/quality?view=charts&series=test:x", "/", "/stations", "/stations?part=1",
    "/station?line=/harbour/smt/line-1&name=aoi", "/sources", "/lot",
)  # fmt: skip
"""What is asked once; the others are asked for each text."""


def plant() -> Told:
    told = Told()
    told.say(
        "line.declared", "06:00:00", source="plan", line="line-1", valid_from=at("06:00:00"),
        stations=[{"name": name} for name in ("print", "place", "aoi", "test")],
    )  # fmt: skip
    for number, text in enumerate(TEXTS):
        minute = f"08:{number:02}"
        product: dict[str, Any] = {
            "order": text,
            "part": {"number": text},
            "program": {"name": text},
            "equipment": text,
        }
        told.say(
            "line.part_declared", "06:00:00", source="plan", valid_from=at("06:00:00"), part={"number": text},
            placement=[{"name": text, "x_mm": 1.0, "y_mm": 2.0, "side": "top", "terminations": 2}],
        )  # fmt: skip
        one = board(f"board={text}")
        told.passes("print", f"{minute}:00", f"{minute}:20", one, order=text, part={"number": text})
        told.say("work.completed", f"{minute}:21", one, station="print", outcome="completed", **product)
        told.say(
            "material.installed", f"{minute}:25", one, station="place", material={"id": text, "part": text, "lots": [text]},
            feeding={"slot": text, "nozzle": text}, places=[{"designator": text}],
        )  # fmt: skip
        told.inspects(
            "aoi",
            f"{minute}:30",
            f"{minute}:40",
            one,
            outcome="failed",
            calls=[call(text, text, defect=text)],
            **product,
        )
        told.say(
            "inspection.reviewed", f"{minute}:50", one, station="desk", inspected_at="aoi", inspected=f"{minute}:40",
            verdicts=[verdict(text, "confirmed", defect=text)],
        )  # fmt: skip
        told.say(
            "inspection.verified", f"{minute}:55", station="aoi", equipment=text, outcome="failed",
            expected=[call(text, text)], found=[call(text, text, values=[{"name": text, "value": 1.0, "unit": text}])],
        )  # fmt: skip
        told.say("board.held", f"{minute}:56", one, hold=text, reason=text)
        told.say(
            "station.state_changed",
            f"{minute}:57",
            station="aoi",
            state="unscheduled_down",
            native=text,
            reason=text,
        )
        told.say(
            "station.alarm_raised", f"{minute}:58", station="aoi", code=text, text=text, severity="error"
        )
        told.say(
            "source.rejected", f"{minute}:59", station="aoi", source="aoi", code="unmapped", reason=f"no rule for {text}",
            place=text, value=text,
        )  # fmt: skip
    told.say(
        "source.rejected",
        "09:00:00",
        station="aoi",
        source="aoi",
        code="unmapped",
        reason=ENDLESS,
        value=ENDLESS,
    )
    return told


@pytest.fixture(scope="module")
def asked(service: Opened, tmp_path_factory: pytest.TempPathFactory) -> httpx.Client:
    return service(written(tmp_path_factory.mktemp("hostile") / "record.db", plant()))


@pytest.mark.parametrize("path", PATHS)
def test_a_page_over_many_boards_holds_texts_and_no_markup(asked: httpx.Client, path: str) -> None:
    answer = shown(asked, path)
    nothing_became_markup(answer)
    if path.endswith(("by=program", "by=equipment", "every=true", "gauge", "name=aoi", "view=changes")):
        assert safe(TEXTS[0]) in tree_of(answer).text_content(), "what is tried is on the page"


@pytest.mark.parametrize("number", range(len(TEXTS)))
def test_what_is_named_so_is_shown_so_and_nothing_else(asked: httpx.Client, number: int) -> None:
    text = TEXTS[number]
    name = quote(text, safe="")
    life = shown(asked, f"/board?id={name}&kind=board")
    assert life.status_code == 200, "its name leads to it"
    for answer in (
        life, shown(asked, f"/lot?{urlencode({'reel': text})}"), shown(asked, f"/board/why?id={name}&kind=board&statement=D1"),
        shown(asked, f"/quality?{urlencode({'view': 'yield', 'order': text, 'program': text})}"),
        shown(asked, f"/flow?{urlencode({'part': text})}"), shown(asked, f"/scan?id={name}no"),
    ):  # fmt: skip
        nothing_became_markup(answer)
    words = " ".join(tree_of(life).text_content().split())
    assert " ".join(safe(text).split()) in words


def test_every_rejected_record_is_text(asked: httpx.Client) -> None:
    listed = shown(asked, "/sources")
    keys = sorted(set(re.findall(r"/sources/rejected/[rp][0-9]+", listed.text)))
    assert len(keys) == len(TEXTS) + 1
    for path in keys:
        nothing_became_markup(shown(asked, path))


@pytest.mark.parametrize("name", [ENDLESS, "z" * 5000, "\u202e" * 2000])
def test_endless_names_are_refused_in_words(asked: httpx.Client, name: str) -> None:
    for path in ("/scan", "/board", "/lot", "/quality", "/flow", "/station"):
        field = {"/lot": "text", "/quality": "station", "/flow": "station", "/station": "name"}.get(
            path, "id"
        )
        more = {"line": "/harbour/smt/line-1"} if path == "/station" else {}
        query = urlencode({field: name} | more)
        if len(query) < 7_900:
            answer = shown(asked, f"{path}?{query}")
            assert answer.status_code in (200, 400, 404, 414, 422), path
            nothing_became_markup(answer)


def test_reports_of_all_of_them_hold_text_alone(asked: httpx.Client) -> None:
    for text in TEXTS:
        answer = asked.get("/api/v1/board/report", params={"id": text, "kind": "board"}, headers=PAGE)
        assert answer.status_code == 200, answer.text[:300]
        tree = tree_of(answer)
        assert not tree.xpath(
            "//script | //img | //svg | //a | //iframe | //link | //form | //*[@onload or @onfocus or @href or @src]"
        )
        assert not any(one in answer.text for one in "\u202e\u2066\u200f\x07\x1b\x7f\x9b")
