"""What a named user does over HTTP: with a reason, under a pseudonym, and only where an edge takes it."""

import sqlite3
from pathlib import Path

import httpx
import pytest
from chain import Chain, rows
from conftest import Opened
from looking_at_pages import PAGE, tree_of

from broker_bridge.config import Settings
from broker_bridge.edge.persons import Persons
from broker_bridge.errors import UsageError
from broker_bridge.queries.frozen import freeze, frozen
from broker_bridge.queries.record import open_record
from broker_bridge.queries.retrying import of_source, retry
from broker_bridge.queries.where_used import where_used
from broker_bridge.trace.recall import Asked
from broker_bridge.web.access import added, write_table

SOURCE = "/harbour-works/smt/line-1/aoi-files"
ADAPTER = """
[[adapters]]
kind = "assertions"
name = "desk"
area = "smt"
line = "line-1"
"""


def plant(folder: Path) -> Settings:
    """A plant whose edge does not run."""
    chain = Chain(folder)
    chain.config.write_text(chain.config.read_text(encoding="utf-8") + ADAPTER, encoding="utf-8")
    chain.put("a.csv", rows(1, 1))
    return chain.settings


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    return plant(tmp_path_factory.mktemp("acts"))


@pytest.fixture(scope="module")
def operator(
    service: Opened, told_record: str, tmp_path_factory: pytest.TempPathFactory, settings: Settings
) -> httpx.Client:
    table, operate = added({}, "qe-02", "operate")
    path = tmp_path_factory.mktemp("tokens") / "tokens.json"
    write_table(path, table)
    asked = service(told_record, tokens=path, settings=settings)
    asked.headers["authorization"] = f"Bearer {operate}"
    return asked


@pytest.mark.parametrize("why", ["   ", "\t\n", "\u200b", "...", ""])
@pytest.mark.parametrize(
    ("address", "body"),
    [
        ("statements", {"claim": "note", "boards": ["A"]}), ("quarantine/retry", {"source": SOURCE}),
        ("frozen", {"name": "blank", "question": {"station": "aoi"}}),
    ],
)  # fmt: skip
def test_a_reason_that_says_nothing_is_refused(
    operator: httpx.Client, address: str, body: dict[str, object], why: str
) -> None:
    told = operator.post(f"/api/v1/{address}", json={**body, "why": why})
    assert told.status_code == 422
    assert "why" in told.json()["detail"]
    assert operator.post(f"/api/v1/{address}", json=body).status_code == 422, "none at all"


def test_a_retry_that_no_edge_would_answer_says_what_a_statement_says(
    operator: httpx.Client, settings: Settings
) -> None:
    why = "the mapping was mended"
    note = operator.post("/api/v1/statements", json={"claim": "note", "boards": ["A"], "why": why})
    told = operator.post("/api/v1/quarantine/retry", json={"source": SOURCE, "why": why})
    assert (told.status_code, told.json()["detail"]) == (503, note.json()["detail"])
    assert "nothing was written" in told.json()["detail"]
    assert not settings.edge.outbox.exists()


@pytest.mark.parametrize(
    ("body", "says"),
    [({"keys": ["r1"], "source": SOURCE}, "not both"), ({}, "its source")],
)
def test_a_retry_is_of_records_or_of_a_source(
    operator: httpx.Client, body: dict[str, object], says: str
) -> None:
    told = operator.post("/api/v1/quarantine/retry", json={**body, "why": "mended"})
    assert (told.status_code, says in told.json()["detail"]) == (400, True)


@pytest.mark.parametrize(
    ("claim", "says"),
    [
        ({"claim": "outcome"}, "corrects"), ({"claim": "part-of"}, "of"), ({"claim": "revoked"}, "revoke"),
        ({"claim": "visited"}, "station"),
    ],
)  # fmt: skip
def test_what_is_lacking_is_named_by_its_field(
    operator: httpx.Client, claim: dict[str, str], says: str
) -> None:
    told = operator.post("/api/v1/statements", json={"boards": ["A"], "why": "seen", **claim})
    assert (told.status_code, "--" in told.json()["detail"]) == (400, False), told.text
    assert f"needs {says!r}" in told.json()["detail"]


def test_a_retry_is_kept_with_its_reason_and_a_pseudonym(tmp_path: Path) -> None:
    settings = plant(tmp_path)
    (answer,) = retry(settings, of_source(SOURCE), 0.0, who="qe-02", why=" mapping mended ")
    who = Persons(settings.edge.persons).pseudonym("qe-02")
    assert (answer.who, answer.why, answer.outcome) == (who, "mapping mended", None)
    with sqlite3.connect(settings.edge.outbox) as outbox:
        ((arguments,),) = outbox.execute("SELECT arguments FROM requests").fetchall()
    assert (who in arguments, "mapping mended" in arguments, "qe-02" in arguments) == (True, True, False)
    with pytest.raises(UsageError, match="why"):
        retry(settings, of_source(SOURCE), 0.0, who="qe-02", why="  ")


def test_a_frozen_answer_tells_who_kept_it_and_why(
    operator: httpx.Client, told_record: str, settings: Settings
) -> None:
    keep = {"name": "complaint-17", "question": {"station": "aoi"}, "why": "complaint of a customer"}
    kept = operator.post("/api/v1/frozen", json=keep)
    who = Persons(settings.edge.persons).pseudonym("qe-02")
    assert (kept.status_code, kept.json()["by"], kept.json()["why"]) == (201, who, keep["why"])
    document = operator.get("/api/v1/frozen/complaint-17").json()["frozen"]
    assert (document["who"], document["why"]) == (who, keep["why"])
    assert "qe-02" not in str(frozen(told_record, "complaint-17"))
    words = tree_of(operator.get("/lot/frozen/complaint-17", headers=PAGE)).text_content()
    assert who in words
    assert keep["why"] in words
    again = operator.post("/api/v1/frozen", json=keep)
    assert (again.status_code, "complaint-17" in again.json()["detail"]) == (409, True)
    assert "/" not in again.json()["detail"], "no path of the server"


def test_what_was_frozen_without_a_reason_still_opens(operator: httpx.Client, told_record: str) -> None:
    with open_record(told_record) as record:
        freeze(told_record, "of-old", where_used(record, Asked(station="aoi")))
    assert set(frozen(told_record, "of-old")) == {"name", "answer", "record_hash", "seal"}
    assert operator.get("/lot/frozen/of-old", headers=PAGE).status_code == 200
