"""What is answered by processes beside the service: the same answers, whatever becomes of such a process."""

import contextlib
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, TypeVar

import httpx
import pytest

from broker_bridge.web import apart
from broker_bridge.web.access import write_table
from broker_bridge.web.frames import PREFIX, Frame, lengths, packed, unpacked

from conftest import HOSTILE, Opened, Tokens  # isort: skip

T = TypeVar("T")
PAGE = {"accept": "text/html"}
ASKED = [
    *[f"/api/v1/board{what}" for what in ("?id=A", "?id=B", "?id=NOPE", "", "?id=A&at=1", "/why?id=A&statement=V1")],
    *[f"/api/v1/board{what}" for what in ("/word?id=B", "/report?id=A", "/report?id=A&paper=a3", "?id=A&position=0")],
    *["/board?id=A", "/board?id=A&large=1", "/board?id=NOPE", "/board/why?id=A&statement=V1&part=1", "/scan?id=A"],
    *["/scan?id=NOPE", "/scan", "/board?id=A&time=now", "/board?id=%FF%FE"],
]  # fmt: skip


def children() -> set[int]:
    """Processes of this one that answer."""
    found = set()
    for folder in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError):
            number = int(folder.name)
            words = (folder / "cmdline").read_bytes().split(b"\0")
            parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            if b"broker_bridge.web.answerer" in words and parent == os.getpid():
                found.add(number)
    return found


def until(found: Callable[[], T], what: str) -> T:
    """What is found, once it is."""
    end = time.monotonic() + 60
    while not (value := found()):
        assert time.monotonic() < end, what
        time.sleep(0.02)
    return value


class Counted(apart.Answerers):
    """Tells the tests which processes answer for it."""

    made: list["Counted"] = []

    def __init__(self, *given: object) -> None:
        super().__init__(*given)  # type: ignore[arg-type]
        self.made.append(self)


class Beside(NamedTuple):
    """A service with one process beside it."""

    client: httpx.Client
    answerers: Counted
    number: int
    before: set[int]

    def replaced(self) -> bool:
        """Whether another process answers."""
        own = children() - self.before
        return bool(own) and self.number not in own and self.answerers.ready == 1


@pytest.fixture
def beside(service: Opened, told_record: str, monkeypatch: pytest.MonkeyPatch) -> Beside:
    """A service with one process beside it that is ready."""
    monkeypatch.setattr("broker_bridge.web.server.Answerers", Counted)
    before = children()
    asked = service(told_record, processes=1)
    answerers = Counted.made[-1]
    until(lambda: answerers.ready == 1, "a process is ready")
    (number,) = children() - before
    return Beside(asked, answerers, number, before)


def told(response: httpx.Response) -> tuple[int, dict[str, str], bytes]:
    """Of a response what does not depend on when it was sent."""
    return (
        response.status_code,
        {name: value for name, value in response.headers.items() if name != "date"},
        response.content,
    )


def test_answers_are_those_of_the_service_itself(beside: Beside, asked: httpx.Client) -> None:
    client, number = beside.client, beside.number
    for address in ASKED:
        for headers in (PAGE, {}):
            assert told(client.get(address, headers=headers)) == told(asked.get(address, headers=headers)), (
                address
            )
    hostile = {"id": HOSTILE}
    assert told(client.get("/board", params=hostile)) == told(asked.get("/board", params=hostile))
    known = {"if-none-match": client.get("/board?id=A").headers["etag"]}
    assert told(client.get("/board?id=A", headers=known)) == told(asked.get("/board?id=A", headers=known))
    assert client.get("/board?id=A", headers=known).status_code == 304
    assert told(client.head("/board?id=A")) == told(asked.head("/board?id=A"))
    assert number in children()


def test_every_address_that_is_answered_apart_is_there_and_only_reads(asked: httpx.Client) -> None:
    for address in sorted(apart.PATHS):
        assert asked.post(address).status_code == 405, address
        params = {"id": "A"} | ({"statement": "V1"} if address.endswith("/why") else {})
        assert asked.get(address, params=params).status_code in (200, 303), address


def test_who_may_not_read_reads_nothing_there_either(
    service: Opened, told_record: str, tokens: Tokens, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, _, operate = tokens
    monkeypatch.setattr("broker_bridge.web.server.Answerers", Counted)
    plain, client = service(told_record, tokens=table), service(told_record, tokens=table, processes=1)
    until(lambda: Counted.made[-1].ready == 1, "a process is ready")
    for headers in (PAGE, {}, {"authorization": "Bearer bb_no"}, {"cookie": "broker-bridge-session=no"}):
        for address in ("/api/v1/board?id=A", "/board?id=A"):
            found = client.get(address, headers=headers)
            assert found.status_code == 401
            assert told(found) == told(plain.get(address, headers=headers))
    client.post("/sign-in", data={"token": operate})
    page = client.get("/board?id=A", headers=PAGE)
    assert page.status_code == 200
    assert "qe-02" in page.text
    client.post("/sign-out")
    client.cookies.clear()
    assert client.get("/board?id=A", headers=PAGE).status_code == 401


def test_who_loses_the_token_reads_nothing_from_then_on(
    service: Opened, told_record: str, tokens: Tokens, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, read, operate = tokens
    monkeypatch.setattr("broker_bridge.web.server.Answerers", Counted)
    client = service(told_record, tokens=table, processes=1)
    until(lambda: Counted.made[-1].ready == 1, "a process is ready")
    client.post("/sign-in", data={"token": operate})
    assert client.get("/board?id=A", headers=PAGE).status_code == 200
    bearer = {"authorization": f"Bearer {read}"}
    with (
        httpx.Client(base_url=client.base_url, headers=bearer) as other,
        other.stream("GET", "/api/v1/live") as live,
    ):
        assert other.get("/api/v1/board?id=A").status_code == 200
        write_table(table, {})
        assert client.get("/board?id=A", headers=PAGE).status_code == 401
        assert other.get("/api/v1/board?id=A").status_code == 401
        assert live.status_code == 200
    # The last token was taken away: that opens nothing, there or elsewhere.
    with httpx.Client(base_url=client.base_url) as stranger:
        for address in ("/api/v1/board?id=A", "/api/v1/record", "/board?id=A", "/api/v1/live"):
            assert stranger.get(address).status_code == 401
        table.unlink()
        assert stranger.get("/api/v1/record").status_code == 401


def test_a_process_that_is_killed_is_replaced(beside: Beside) -> None:
    client, number = beside.client, beside.number
    os.kill(number, signal.SIGKILL)
    # Whoever asks meanwhile is answered, by the service itself or after the next one has begun.
    assert client.get("/board?id=A").status_code in (200, 503)
    until(beside.replaced, "another is ready")
    assert client.get("/board?id=A").status_code == 200


def test_a_process_that_hangs_is_given_up(beside: Beside, monkeypatch: pytest.MonkeyPatch) -> None:
    client, number = beside.client, beside.number
    monkeypatch.setattr(apart, "_SOON_S", 0.5)
    os.kill(number, signal.SIGSTOP)
    found = client.get("/api/v1/board?id=A")
    assert (found.status_code, found.headers["content-type"]) == (503, "application/problem+json")
    assert int(found.headers["retry-after"]) > 0
    monkeypatch.undo()
    until(beside.replaced, "another is ready")
    assert client.get("/api/v1/board?id=A").status_code == 200


def test_whoever_goes_away_leaves_no_process_behind(beside: Beside) -> None:
    client = beside.client
    for _ in range(3):
        with contextlib.suppress(httpx.ReadTimeout):
            client.get("/api/v1/board/report?id=A&form=pdf", timeout=0.05)
    assert client.get("/api/v1/board/report?id=A&form=pdf", timeout=60).status_code == 200
    assert client.get("/api/v1/board?id=A").status_code == 200
    assert children() - beside.before == {beside.number}


def test_processes_end_with_the_service(told_record: str) -> None:
    from broker_bridge.config import Web

    from conftest import Running  # isort: skip

    before = children()
    running = Running(Web(port=0, tokens=None, processes=2), told_record, None)
    until(lambda: len(children() - before) == 2, "both run")
    running.stop()
    until(lambda: not children() - before, "none runs")


def test_frames_travel() -> None:
    frame = Frame({"path": "/board", "note": None}, b"\x00\xff")
    sent = packed(frame)
    head, body = lengths(sent[:PREFIX])
    assert len(sent) == PREFIX + head + body
    assert unpacked(sent[PREFIX : PREFIX + head], sent[PREFIX + head :]) == frame
