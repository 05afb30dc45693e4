"""The interface: every question, its errors as RFC 9457 says, tags, pages of events, live events."""

import importlib
import json
import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from jsonschema import Draft202012Validator

from broker_bridge.live.told import tell
from broker_bridge.schemas.files import FILES
from broker_bridge.web.stations import Mark, Stations, _New

from conftest import HOSTILE, line, ok  # isort: skip

PROBLEM = "application/problem+json"


@pytest.mark.parametrize(
    ("question", "schema"),
    [
        ("board?id=A", "history"), ("board/why?id=A&statement=V1", "why"), ("where-used?station=aoi", "where-used"),
        ("defects", "defects"), ("defects?at=1", "defects"), ("balance?order=WO-1", "balance"),
        ("unproven?equipment=aoi", "unproven"), ("flow/line", "quality"), ("flow/stations", "quality"),
        ("flow/changes", "quality"), ("flow/time", "quality"),
    ],
)  # fmt: skip
def test_answers_fit_their_schemas(asked: httpx.Client, question: str, schema: str) -> None:
    answer = ok(asked.get(f"/api/v1/{question}"))
    Draft202012Validator(FILES[f"{schema}.json"]()).validate(answer)


@pytest.mark.parametrize(
    ("question", "status", "says"),
    [
        ("board?id=NOPE", 404, "not in record"), ("board", 422, "query.id"), ("board?id=A&position=0", 422, "position"),
        ("board?id=A&at=999", 404, "there is no commit"), ("defects?colour=red", 422, "colour"),
        ("where-used", 400, "ask for one thing"), ("where-used?lot=L&reel=R", 400, "one thing"),
        ("defects?since=yesterday", 422, "since"), ("board/why?id=A&statement=V99", 400, "no statement"),
        ("quarantine/x1", 422, "key"), ("quarantine/r1", 404, "nothing in quarantine"), ("nowhere", 404, "nothing at this address"),
        ("frozen/none", 404, "nothing is frozen"), ("flow/line?at=0", 400, "newest commit"), ("flow/tide", 404, "nothing at"), ("flow/line?position=1", 422, "position"), ("balance?order=WO-99", 404, "not in record"),
        ("events?limit=0", 422, "limit"), ("identifiers?begin=A&limit=5000", 422, "limit"),
    ],
)  # fmt: skip
def test_an_error_says_what_is_wrong(asked: httpx.Client, question: str, status: int, says: str) -> None:
    """RFC 9457: type, title, status, detail."""
    response = asked.get(f"/api/v1/{question}")
    problem = response.json()
    assert (response.status_code, response.headers["content-type"]) == (status, PROBLEM)
    assert problem["status"] == status
    assert problem["type"] == "about:blank"
    assert problem["title"]
    assert says in problem["detail"]


def test_a_wrong_method_is_a_problem_too(asked: httpx.Client) -> None:
    response = asked.delete("/api/v1/board?id=A")
    assert (response.status_code, response.headers["content-type"]) == (405, PROBLEM)


def test_what_is_known_is_not_sent_again(asked: httpx.Client) -> None:
    """RFC 9110, 13.1.2."""
    first = asked.get("/api/v1/board?id=A")
    tag = first.headers["etag"]
    again = asked.get("/api/v1/board?id=A", headers={"if-none-match": f'"other", W/{tag}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert asked.get("/api/v1/board?id=B", headers={"if-none-match": tag}).status_code == 200


def test_pages_of_events_hold_each_once(asked: httpx.Client) -> None:
    seen: list[int] = []
    after = "0"
    while (page := ok(asked.get(f"/api/v1/events?after={after}&limit=3")))["events"]:
        events: Any = page["events"]
        assert all(one["event"]["specversion"] == "1.0" for one in events)
        seen += [one["number"] for one in events]
        after = str(page["next"])
    assert seen == list(range(1, len(seen) + 1))
    assert len(seen) == ok(asked.get("/api/v1/record"))["events"]


def test_live_events_come_again_from_where_a_listener_was(asked: httpx.Client) -> None:
    until_ready(asked)
    newest = int(str(ok(asked.get("/api/v1/stations"))["number"]))
    told = []
    with asked.stream("GET", "/api/v1/live", headers={"last-event-id": str(newest - 2)}) as response:
        assert response.headers["content-type"].startswith("text/event-stream")
        for text in response.iter_lines():
            if text.startswith("data: "):
                told.append(json.loads(text.removeprefix("data: ")))
            if len(told) == 2:
                break
    assert [one["type"] for one in told] == ["board.held", "source.rejected"]


@pytest.mark.parametrize("after", ["{incarnation}.999999", "999999", "1.1"])
def test_a_place_in_another_record_is_told_so(asked: httpx.Client, after: str) -> None:
    until_ready(asked)
    incarnation, _, number = str(ok(asked.get("/api/v1/events?limit=1"))["next"]).partition(".")
    assert number == "1"
    after = after.format(incarnation=incarnation)
    for response in (
        asked.get(f"/api/v1/events?after={after}"),
        asked.get("/api/v1/live", headers={"last-event-id": after}),
    ):
        assert response.status_code == 410
        assert "application/problem+json" in response.headers["content-type"]
    assert asked.get(f"/api/v1/events?after={incarnation}.1").status_code == 200


def until_ready(asked: httpx.Client) -> None:
    import time

    end = time.monotonic() + 20
    while asked.get("/api/v1/health/ready").status_code != 200:
        assert time.monotonic() < end, "the service did not become ready"


def test_who_was_away_too_long_is_told_to_read_the_record() -> None:
    stations = Stations("sqlite:///none.db", (), lambda: datetime(2026, 3, 2, tzinfo=UTC))
    stations._hand_on([_New(fact.number, None, tell(fact)) for fact in line().facts])
    assert stations.holds(Mark(0, 0))
    stations._kept.popleft()
    assert not stations.holds(Mark(0, 0))
    assert stations.holds(Mark(0, 1))
    assert not stations.holds(Mark(7, 1)), "in another life of the record"
    assert not stations.holds(Mark(0, 1_000)), "beyond the newest"


def test_stations_and_sources_tell_where_things_stand(asked: httpx.Client) -> None:
    until_ready(asked)
    stations: Any = ok(asked.get("/api/v1/stations"))["stations"]
    assert [one["station"] for one in stations][:3] == ["print", "aoi", "test"]
    sources: Any = ok(asked.get("/api/v1/sources"))["sources"]
    assert all(one["missing"] == 0 for one in sources)
    spoke = [one for one in sources if one["heard"] is not None]
    assert spoke
    for one in spoke:
        ago = datetime.now(UTC) - datetime.fromisoformat(one["heard"])
        assert timedelta(0) <= ago < timedelta(hours=1), (
            "by the recorder's clock; the machines said 2026-03-02"
        )


def test_what_a_machine_wrote_is_data_and_never_a_page(asked: httpx.Client) -> None:
    response = asked.get("/api/v1/board", params={"id": HOSTILE})
    assert response.headers["content-type"] == "application/json"
    assert response.json()["identity"]["key"]["value"] == HOSTILE
    assert response.headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in response.headers["content-security-policy"]


def test_a_recall_as_a_table_is_safe_for_spreadsheets(asked: httpx.Client) -> None:
    response = asked.get("/api/v1/where-used.csv?station=print&since=2026-03-02T00:00:00Z")
    assert response.status_code == 200
    assert response.headers["content-disposition"] == 'attachment; filename="where-used.csv"'


def test_every_operation_is_described(asked: httpx.Client) -> None:
    document = ok(asked.get("/api/v1/openapi.json"))
    paths: Any = document["paths"]
    assert "/api/v1/board" in paths
    for path, operations in paths.items():
        for method, operation in operations.items():
            assert operation.get("summary"), f"{method} {path}"
            assert "default" in operation["responses"] or "404" in operation["responses"]


def test_every_answer_has_an_example_that_fits_it(asked: httpx.Client) -> None:
    document: Any = ok(asked.get("/api/v1/openapi.json"))
    seen = 0
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            (answer,) = (told for status, told in operation["responses"].items() if status.startswith("2"))
            assert answer["content"], f"{method} {path}"
            for kind, content in answer["content"].items():
                if kind != "application/json":
                    continue
                schema = content["schema"] | {"components": document["components"]}
                Draft202012Validator(schema).validate(content["example"])
                seen += 1
    assert seen > 25


def test_it_says_how_a_program_shows_who_it_is(asked: httpx.Client) -> None:
    """OpenAPI 3.1, security requirement: any one of the list will do."""
    document: Any = ok(asked.get("/api/v1/openapi.json"))
    schemes = document["components"]["securitySchemes"]
    assert {(one["type"], one.get("scheme"), one.get("in")) for one in schemes.values()} == {
        ("http", "bearer", None), ("apiKey", None, "cookie"),
    }  # fmt: skip
    for path, operations in document["paths"].items():
        for operation in operations.values():
            wanted = [] if "/health/" in path else [{name: []} for name in schemes]
            assert sorted(map(str, operation.get("security", []))) == sorted(map(str, wanted)), path


def test_head_tells_what_get_would(asked: httpx.Client) -> None:
    """RFC 9110, 9.3.2."""
    until_ready(asked)
    for address in (
        "/api/v1/board?id=A",
        "/api/v1/record",
        "/",
        "/board?id=NOPE",
        "/nowhere",
        "/static/pages.css",
    ):
        got, head = asked.get(address), asked.head(address)
        assert (head.status_code, head.content) == (got.status_code, b""), address
        assert head.headers["content-length"] == got.headers["content-length"]
    assert asked.head("/api/v1/live").status_code == 405


def test_no_more_lists_are_made_at_once_than_can_be(
    asked: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    lists = importlib.import_module(
        "broker_bridge.web.api.lists"
    )  # its package knows the router by this name
    turns = threading.BoundedSemaphore(1)
    monkeypatch.setattr(lists, "_TURNS", turns)
    monkeypatch.setattr(lists, "_PATIENCE_S", 0.01)
    turns.acquire()
    refused = asked.get("/api/v1/defects")
    assert refused.status_code == 503
    assert int(refused.headers["retry-after"]) > 0
    turns.release()
    for _ in range(3):
        assert asked.get("/api/v1/defects").status_code == 200
    assert asked.get("/api/v1/unproven?equipment=nobody").status_code in (200, 404)
    assert asked.get("/api/v1/defects").status_code == 200, "a turn that failed was given back"
