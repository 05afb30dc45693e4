"""Strangers: tokens, roles, names of the host, sizes, rates, forms of other sites."""

import os
from pathlib import Path

import pytest
from conftest import Opened, bearer
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.config import Web
from broker_bridge.errors import ConfigError, NotFound, UsageError
from broker_bridge.web.access import User, added, read_table, removed, user_of, write_table
from broker_bridge.web.guard import BODY, Rate, host_of
from broker_bridge.web.server import check
from broker_bridge.web.sessions import LIVES_S, Sessions, fits

Tokens = tuple[Path, str, str]


def test_a_token_opens_what_its_role_may(service: Opened, told_record: str, tokens: Tokens) -> None:
    path, read, operate = tokens
    asked = service(told_record, tokens=path)
    assert asked.get("/api/v1/record").status_code == 401
    assert asked.get("/api/v1/record").headers["www-authenticate"] == "Bearer"
    assert asked.get("/api/v1/record", headers=bearer("bb_wrong")).status_code == 401
    assert asked.get("/api/v1/record", headers={"authorization": f"Basic {read}"}).status_code == 401
    assert asked.get("/api/v1/record", headers=bearer(read)).status_code == 200
    freeze = {"name": "recall-1", "question": {"station": "aoi"}, "why": "a complaint"}
    assert asked.post("/api/v1/frozen", json=freeze, headers=bearer(read)).status_code == 403
    assert asked.post("/api/v1/frozen", json=freeze, headers=bearer(operate)).status_code == 201
    assert asked.post("/api/v1/frozen", json=freeze, headers=bearer(operate)).status_code == 409, (
        "frozen once"
    )
    assert asked.get("/api/v1/health/live").status_code == 200, "a watchdog has no token"


def test_without_tokens_everybody_reads_and_nobody_acts(service: Opened, told_record: str) -> None:
    asked = service(told_record)
    assert asked.get("/api/v1/record").status_code == 200
    assert (
        asked.post("/api/v1/statements", json={"claim": "note", "boards": ["A"], "why": "x"}).status_code
        == 403
    )


def test_a_token_taken_back_is_none_at_once(service: Opened, told_record: str, tokens: Tokens) -> None:
    path, read, operate = tokens
    asked = service(told_record, tokens=path)
    assert asked.get("/api/v1/record", headers=bearer(read)).status_code == 200
    write_table(path, removed(read_table(path), "mes"))
    assert asked.get("/api/v1/record", headers=bearer(read)).status_code == 401
    assert asked.get("/api/v1/record", headers=bearer(operate)).status_code == 200


def test_acts_over_a_record_alone_are_refused(service: Opened, told_record: str, tokens: Tokens) -> None:
    path, _, operate = tokens
    asked = service(told_record, tokens=path)
    note = {"claim": "note", "boards": ["A"], "why": "x"}
    assert asked.post("/api/v1/statements", json=note, headers=bearer(operate)).status_code == 409


def test_the_table_holds_no_token(tokens: Tokens) -> None:
    path, read, operate = tokens
    text = path.read_text(encoding="utf-8")
    assert read not in text
    assert operate not in text
    assert path.stat().st_mode & 0o077 == 0
    assert user_of(read_table(path), read) == User("mes", "read")


def test_a_table_that_everybody_may_read_is_refused(tokens: Tokens) -> None:
    path, _, _ = tokens
    os.chmod(path, 0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        read_table(path)


@pytest.mark.parametrize("text", ["", "{", "[1]", "[" * 100_000, '{"a":' * 100_000])
def test_a_table_that_is_none_is_refused(tokens: Tokens, text: str) -> None:
    path, _, _ = tokens
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="is no table of tokens"):
        read_table(path)


def test_names_of_users_are_pseudonyms_and_unique() -> None:
    table, _ = added({}, "qe-02", "read")
    with pytest.raises(UsageError, match="already"):
        added(table, "qe-02", "operate")
    with pytest.raises(UsageError, match="no user name"):
        added(table, "Jane Doe", "read")
    with pytest.raises(NotFound, match="there is: qe-02"):
        removed(table, "nobody")


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "evil.example"}, 421),
        ({"host": "localhost:80"}, 200),
    ],
)
def test_what_is_not_for_us_is_refused(
    service: Opened, told_record: str, headers: dict[str, str], status: int
) -> None:
    asked = service(told_record)
    assert asked.get("/api/v1/record", headers=headers).status_code == status


def test_a_large_body_is_refused_by_what_it_says_of_itself(service: Opened, told_record: str) -> None:
    assert service(told_record).post("/api/v1/frozen", content=b"x" * (BODY + 1)).status_code == 413


def test_a_body_that_grows_too_large_is_cut_off(service: Opened, told_record: str) -> None:
    asked = service(told_record)
    response = asked.post("/api/v1/frozen", content=(b"x" * 100_000 for _ in range(20)))
    assert response.status_code == 413


def test_a_long_address_is_refused(service: Opened, told_record: str) -> None:
    assert service(told_record).get("/api/v1/board?id=" + "A" * 9_000).status_code == 414


def test_too_many_requests_wait(service: Opened, told_record: str) -> None:
    asked = service(told_record, per_minute=10)
    answers = [asked.get("/api/v1/health/live").status_code for _ in range(12)]
    assert answers[:10] == [200] * 10
    assert 429 in answers


@given(st.lists(st.floats(0, 100, allow_nan=False), max_size=40), st.integers(10, 600))
def test_no_more_pass_than_the_rate_allows(pauses: list[float], per_minute: int) -> None:
    clock = [0.0]
    rate = Rate(per_minute, lambda: clock[0])
    passed = 0
    for pause in pauses:
        clock[0] += pause
        passed += rate.take("client") == 0.0
    assert passed <= per_minute + clock[0] * per_minute / 60 + 1


@pytest.mark.parametrize(
    ("header", "host"),
    [("Plant:8080", "plant"), ("[::1]:8080", "::1"), ("127.0.0.1", "127.0.0.1"), ("[FE80::1]", "fe80::1")],
)
def test_a_host_is_read_without_its_port(header: str, host: str) -> None:
    assert host_of(header) == host


def test_open_to_the_network_needs_tokens_and_tls(tmp_path: Path, tokens: Tokens) -> None:
    path, _, _ = tokens
    with pytest.raises(ConfigError, match="nobody has a token"):
        check(Web(host="0.0.0.0"), tmp_path / "none.json")
    with pytest.raises(ConfigError, match="without TLS"):
        check(Web(host="0.0.0.0"), path)
    check(Web(host="0.0.0.0", plain_http=True), path)
    check(Web(host="::1"), None)


def test_a_session_ends_and_its_forms_are_its_own() -> None:
    clock = [0.0]
    sessions = Sessions(lambda: clock[0])
    one, other = sessions.begin(User("a", "read")), sessions.begin(User("b", "operate"))
    first, second = sessions.of(one), sessions.of(other)
    assert first is not None
    assert second is not None
    assert fits(first, first.form)
    assert not fits(first, second.form)
    sessions.end(one)
    assert sessions.of(one) is None
    sessions.drop_unknown(frozenset({User("a", "read")}))
    assert sessions.of(other) is None
    last = sessions.begin(User("b", "operate"))
    clock[0] = LIVES_S + 1
    assert sessions.of(last) is None
