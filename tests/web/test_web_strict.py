"""What is mistyped or damaged is refused in words; nothing is answered as if it had not been asked."""

from pathlib import Path

import httpx
import pytest
from conftest import Opened, Tokens, bearer

from broker_bridge.errors import StoreUnavailable
from broker_bridge.web.problems import problem_of

PROBLEM = "application/problem+json"


def test_a_parameter_that_an_address_does_not_know_is_refused_everywhere(asked: httpx.Client) -> None:
    """A filter that was mistyped would be answered as if nothing had been filtered."""
    document = asked.get("/api/v1/openapi.json").json()
    paths = [path for path, operations in document["paths"].items() if "get" in operations]
    assert len(paths) > 25
    for path in paths:
        told = asked.get(path.replace("{key}", "r1").replace("{name}", "n"), params={"bogus": "1"})
        assert (told.status_code, told.headers["content-type"]) == (422, PROBLEM), path
        assert "'bogus'" in told.json()["detail"], path


def test_it_says_what_the_address_knows(asked: httpx.Client) -> None:
    told = asked.get("/api/v1/quarantine?sources=aoi").json()["detail"]
    assert "mended, source" in told
    assert "did you mean source?" in told
    assert "at, designator" in asked.get("/api/v1/defects?colour=red").json()["detail"]


@pytest.mark.parametrize("name", ["token", "access_token", "api_key", "Authorization"])
@pytest.mark.parametrize("address", ["live", "record", "health/live"])
def test_a_token_in_an_address_is_refused_with_the_way_to_give_it(
    asked: httpx.Client, address: str, name: str
) -> None:
    told = asked.get(f"/api/v1/{address}", params={name: "bb_secret"})
    assert told.status_code == 422
    assert "Authorization: Bearer" in told.json()["detail"]
    assert "bb_secret" not in told.text, "what was secret is not told again"


def test_no_path_of_the_server_stands_in_an_answer(asked: httpx.Client, told_record: str) -> None:
    folder = str(Path(told_record.removeprefix("sqlite:///")).parent)
    for question in ("board?id=A&at=999", "frozen/none", "defects?at=999", "quarantine/r999999"):
        told = asked.get(f"/api/v1/{question}")
        assert told.status_code == 404, question
        assert folder not in told.text, question
    assert "no commit 999 in harbour-works" in asked.get("/api/v1/defects?at=999").json()["detail"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "/var/lib/bridge/record.db cannot be read: disk I/O error",
            "record.db cannot be read: disk I/O error",
        ),
        ("the index at /srv/x/record.index.db cannot be read", "the index at record.index.db cannot be read"),
        ("/harbour/smt/line-1/aoi is no source", "/harbour/smt/line-1/aoi is no source"),
    ],
)
def test_a_file_is_told_by_its_name_and_a_source_as_it_is(text: str, told: str) -> None:
    assert problem_of(StoreUnavailable(text)).detail == told


@pytest.mark.parametrize(
    "damage",
    [
        "{", "[1]", "null", '[{"name": "a", "role": "king", "hash": "x"}]', "",
        '[{"name": "a", "role": "read", "hash": 5}]',
    ],
)  # fmt: skip
def test_nobody_gets_in_by_a_damaged_table(
    service: Opened, told_record: str, tokens: Tokens, damage: str
) -> None:
    path, read, _ = tokens
    asked = service(told_record, tokens=path)
    assert asked.get("/api/v1/record", headers=bearer(read)).status_code == 200
    path.write_text(damage, encoding="utf-8")
    for headers in (bearer(read), bearer("bb_none"), {}):
        told = asked.get("/api/v1/record", headers=headers)
        assert (told.status_code, told.headers["content-type"]) == (503, PROBLEM)
        assert "table of tokens is damaged" in told.json()["detail"]
        assert str(path.parent) not in told.text
    signing = asked.post("/sign-in", data={"token": read}, headers={"accept": "text/html"})
    assert (signing.status_code, "table of tokens is damaged" in signing.text) == (503, True)
    assert asked.get("/api/v1/health/live").status_code == 200
