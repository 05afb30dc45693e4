"""`defects` and `balance` as a person or a program calls them."""

import csv
import io
import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from memory_store import MemoryStore
from told import Told, at, board, call, recorded, verdict

from broker_bridge.cli.main import main
from broker_bridge.queries import record as opening
from broker_bridge.schemas.files import FILES
from broker_bridge.words.table import csv_table


def line() -> Told:
    """Four boards of one order: one mended, one shipped with a short, one scrapped, one lost; a reference board."""
    told = Told()
    told.say(
        "line.declared", "07:00:00", source="plan", line="line-1", valid_from=at("07:00:00"),
        stations=[{"name": name} for name in ("print", "aoi", "xray", "test")],
    )  # fmt: skip
    told.say("work.order_assigned", "07:00:00", source="plan", order="WO-1", quantity=6, parent="WO-0")
    for number, serial in enumerate("ABCD"):
        told.passes("print", f"08:0{number}:00", f"08:0{number}:30", board(serial), order="WO-1")
    told.inspects("aoi", "09:00:00", "09:00:20", board("A"), outcome="failed", calls=[call("R1"), call("R2")])
    told.say(
        "inspection.reviewed", "09:10:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
        inspected="09:00:00", verdicts=[verdict("R1", "confirmed", defect="short"), verdict("R2", "false_call")],
    )  # fmt: skip
    told.say(
        "inspection.rework_performed", "09:20:00", board("A"), station="bench", kind="rework", outcome="completed",
        actions=[{"place": {"designator": "R1"}, "action": "resoldered"}],
    )  # fmt: skip
    told.inspects("aoi", "09:30:00", "09:30:20", board("A"))
    told.passes("test", "09:40:00", "09:41:00", board("A"))
    told.inspects("aoi", "09:02:00", "09:02:20", board("B"))
    told.inspects(
        "xray", "09:05:00", "09:05:20", board("B"), method="x_ray", outcome="failed", calls=[call("U7", "=bridge")],
        equipment="XR-9",
    )  # fmt: skip
    told.passes("test", "09:06:00", "09:07:00", board("B"))
    told.say("board.shipped", "12:00:00", board("B"), destination="customer")
    told.say(
        "inspection.reviewed", "15:00:00", board("B", how="passed_on"), station="desk", inspected_at="xray",
        inspected="09:05:00", verdicts=[verdict("U7", "confirmed")],
    )  # fmt: skip
    told.say("board.dispositioned", "10:00:00", board("C"), disposition="scrap", reason="delaminated")
    told.say(
        "inspection.verified", "07:30:00", board("REF"), station="xray", equipment="XR-9", outcome="passed",
        purpose="reference",
    )  # fmt: skip
    told.say(
        "inspection.verified", "16:00:00", board("REF"), station="xray", equipment="XR-9", outcome="failed",
        purpose="reference",
    )  # fmt: skip
    told.inspects(
        "xray", at("09:00:00", day=3), at("09:00:10", day=3), board("REF"), method="x_ray", equipment="XR-9",
        calls=[call("R1")], outcome="failed", purpose="reference",
    )  # fmt: skip
    return told


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> MemoryStore:
    store = MemoryStore()
    recorded(store, line().facts)
    index = tmp_path / "i.db"
    monkeypatch.setattr(opening, "SqliteReader", lambda path: store.reader)
    monkeypatch.setattr(opening, "index_path", lambda path: index)
    return store


def ask(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    code = main([*arguments, "--record", "sqlite:///any"])
    told, errors = capsys.readouterr()
    assert errors == ""
    return code, told


def test_defects_sentence_first_table_second(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    code, told = ask(capsys, "defects")
    assert code == 1
    flowing = " ".join(told.split())
    assert "2 confirmed defects and 0 calls that nobody has judged, on 2 boards; 1 still open" in flowing
    assert "1 had escaped an earlier inspection; with 1 of them the board left" in flowing
    assert "not a release" in told
    assert "REF" not in told
    assert all(len(line) <= 96 or n == 0 for n, line in enumerate(told.splitlines()))


@pytest.mark.parametrize(
    ("choice", "found"),
    [
        (["--open"], ["B"]),
        (["--escaped"], ["B"]),
        (["--left-with-open"], ["B"]),
        (["--station", "aoi"], ["A"]),
        (["--line", "line-1", "--designator", "r1"], ["A"]),
        (["--line", "line-2"], []),
        (["--from", "2026-03-02T09:01:00Z", "--to", "2026-03-02"], ["B"]),
        (["--any-purpose", "--from", "2026-03-05"], ["REF"]),
        (["--at", "11"], ["A"]),
    ],
)
def test_choices(
    record: MemoryStore, capsys: pytest.CaptureFixture[str], choice: list[str], found: list[str]
) -> None:
    code, told = ask(capsys, "defects", *choice, "--json")
    document = json.loads(told)
    Draft202012Validator(FILES["defects.json"]()).validate(document)
    assert sorted({row["board"]["value"] for row in document["rows"]}) == found
    assert code == (1 if found else 0)


def test_a_chain_says_where_it_escaped_and_that_the_board_left_with_it(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    (row,) = json.loads(ask(capsys, "defects", "--open", "--json")[1])["rows"]
    assert row["escaped"] == ["aoi"]
    assert row["left"] == ["end of line-1", "shipped"]
    assert (row["state"], row["confirmed"]) == ("open", "2026-03-02T15:00:00Z")
    mended = json.loads(ask(capsys, "defects", "--station", "aoi", "--json")[1])["rows"][0]
    assert (mended["state"], mended["looked_again"]) == ("passed_again", "2026-03-02T09:30:00Z")


def test_boards_since_the_last_good_verification(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    for equipment in ("XR-9", "xray"):
        code, told = ask(capsys, "defects", "--since-verification", equipment, "--json")
        document = json.loads(told)
        Draft202012Validator(FILES["unproven.json"]()).validate(document)
        assert code == 1
        assert [one["board"]["value"] for one in document["boards"]] == ["B", "REF"]
        assert (document["verified"], document["failed"]) == (
            "2026-03-02T07:30:00Z",
            ["2026-03-02T16:00:00Z"],
        )
    assert (
        "XR-9 inspected 2 boards since its last good verification, 2026-03-02 07:30:00 UTC; 1 verification failed"
        in (ask(capsys, "defects", "--since-verification", "XR-9")[1])
    )
    assert main(["defects", "--since-verification", "nothing", "--record", "sqlite:///any"]) == 1


def test_the_balance_of_an_order(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    code, told = ask(capsys, "balance", "WO-1", "--json")
    document = json.loads(told)
    Draft202012Validator(FILES["balance.json"]()).validate(document)
    lists = {
        name: [one["board"]["value"] for one in document[name]]
        for name in ("started", "finished", "scrapped", "in_process", "not_accounted_for")
    }
    assert lists == {
        "started": ["A", "B", "C", "D"], "finished": ["A", "B"], "scrapped": ["C"], "in_process": [],
        "not_accounted_for": ["D"],
    }  # fmt: skip
    assert code == 1
    assert (document["ordered"], document["related"]) == (6, ["WO-0"])
    told = ask(capsys, "balance", "WO-1")[1]
    assert "Order WO-1: 4 started = 2 finished + 1 scrapped + 0 in process + 1 not accounted for." in told
    assert "6 were ordered: 2 have not begun" in told
    code, told = ask(capsys, "balance", "WO-1", "--idle", "100")
    assert code == 0
    assert "1 in process" in told
    assert main(["balance", "WO-9", "--record", "sqlite:///any"]) == 1


def test_a_spreadsheet_takes_nothing_for_a_formula(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    told = ask(capsys, "defects", "--open", "--csv")[1]
    (row,) = csv.DictReader(io.StringIO(told, newline=""))
    assert row["defect"] == "'=bridge"
    cells = ["=1+1", "+1", "-1", "@x", "\tx", "plain", 'a "quoted", cell\nof two lines']
    (_, back) = csv.reader(io.StringIO(csv_table(["h"] * len(cells), [cells]), newline=""))
    assert back == ["'=1+1", "'+1", "'-1", "'@x", "'\tx", *cells[5:]]
