"""Old files through the same source: by itself, through a running edge, interrupted, twice; each event once."""

import asyncio
import gzip
import json
from pathlib import Path

import pytest
from chain import Chain, mapping_text, rows
from jsonschema import Draft202012Validator
from servers import until

from broker_bridge.cli.main import main
from broker_bridge.edge.survey import holdings, in_use
from broker_bridge.schemas.files import FILES


def old_files(folder: Path, count: int, each: int = 3) -> Path:
    old = folder / "old"
    old.mkdir(exist_ok=True)
    for number in range(count):
        (old / f"f{number:03d}.csv").write_bytes(rows(1 + number * each, each))
    return old


def backfill(chain: Chain, capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> dict:
    capsys.readouterr()
    assert main(["backfill", str(chain.config), "--adapter", "aoi-files", *words, "--json"]) == code
    told = json.loads(capsys.readouterr().out)
    Draft202012Validator(FILES["backfill.json"]()).validate(told)
    return told


def counts(told: dict) -> tuple[int, int, int]:
    return told["files_new"], told["files_known"], told["events_new"]


def test_by_itself_twice_and_then_through_the_edge(tmp_path, capsys):
    chain = Chain(tmp_path)
    old = old_files(tmp_path, 5)
    would = backfill(chain, capsys, str(old), "--dry-run")
    assert (counts(would), would["through"]) == ((5, 0, 15), "none")
    assert not (tmp_path / "data" / "outbox.db").exists()
    told = backfill(chain, capsys, str(old))
    assert (counts(told), told["through"]) == ((5, 0, 15), "outbox")
    (old / "zipped.csv.gz").write_bytes(gzip.compress(rows(1, 3)))
    again = backfill(chain, capsys, str(old))
    assert (counts(again), again["records_known"]) == ((0, 6, 0), 18)
    assert counts(backfill(chain, capsys, str(old), "--dry-run")) == (0, 6, 0)

    async def life() -> None:
        async with chain.running():
            chain.put("dropped.csv", rows(1, 3))  # was backfilled: counts once
            (old / "new.csv").write_bytes(rows(900, 2))
            chain.put("first.csv", rows(700, 2))
            await until(lambda: chain.count() == 17, "what waited and what was dropped recorded")
            (old / "first.csv").write_bytes(rows(700, 2))  # was dropped: counts once
            told = await asyncio.to_thread(backfill, chain, capsys, str(old))
            assert (counts(told), told["through"]) == ((1, 7, 2), "edge")
            await until(lambda: chain.count() == 19, "recorded")

    asyncio.run(life())
    events = chain.events()
    assert len({event["id"] for event in events}) == len(events) == 19
    assert {event["source"] for event in events} == {"/harbour-works/smt/line-1/aoi-files"}


def test_ids_are_those_of_a_dropped_file(tmp_path, capsys):
    dropped, filled = Chain(tmp_path / "a"), Chain(tmp_path / "b")

    async def life(chain: Chain) -> None:
        async with chain.running():
            await until(lambda: chain.count() == 4, "recorded")

    dropped.put("a.csv", rows(1, 4))
    asyncio.run(life(dropped))
    (filled.folder / "a.csv").write_bytes(rows(1, 4))
    backfill(filled, capsys, str(filled.folder / "a.csv"))
    asyncio.run(life(filled))
    told = [
        [(event["id"], event["time"], event["data"]) for event in chain.events()]
        for chain in (dropped, filled)
    ]
    assert told[0] == told[1]


def test_at_the_ceiling_it_stops_and_goes_on_later(tmp_path, capsys):
    chain = Chain(tmp_path, edge="ceiling_mb = 0.06")
    old = old_files(tmp_path, 40)
    args = ["backfill", str(chain.config), "--adapter", "aoi-files", str(old), "--wait", "0"]
    assert main(args) == 4
    assert "Start the edge" in capsys.readouterr().err
    (held,) = holdings(tmp_path / "data" / "outbox.db")
    assert 0 < held.last < 120
    chain = Chain(tmp_path)  # more room

    async def life() -> None:
        async with chain.running():
            await until(lambda: in_use(tmp_path / "data" / "outbox.db"), "the edge runs")
            told = await asyncio.to_thread(backfill, chain, capsys, str(old))
            assert told["records_new"] + told["records_known"] == 120
            await until(lambda: chain.count() == 120, "all recorded")

    asyncio.run(life())
    events = chain.events()
    assert len({event["id"] for event in events}) == 120


def test_what_cannot_be_used_is_told(tmp_path, capsys):
    chain = Chain(tmp_path)
    chain.mapping.write_text(
        mapping_text(values='OK = "passed"') + "\n[validity]\nsince = 2026-01-01\n", encoding="utf-8"
    )
    old = tmp_path / "old"
    old.mkdir()
    (old / "bad.csv").write_bytes(rows(1, 2, "HUH"))
    (old / "early.csv").write_bytes(rows(5, 1).replace(b"2026-", b"2025-"))
    (old / "cut.gz").write_bytes(gzip.compress(rows(1, 300))[:-20])
    told = backfill(chain, capsys, str(old), code=1)
    assert (told["files_new"], told["rejected"], len(told["unusable"])) == (2, 3, 1)
    assert "cut.gz" in told["unusable"][0]["file"]


def test_it_refuses_a_mapping_that_was_changed_without_a_word(tmp_path, capsys):
    chain = Chain(tmp_path)
    old = old_files(tmp_path, 1)
    backfill(chain, capsys, str(old))
    chain.mapping.write_text(mapping_text(values='OK = "failed"'), encoding="utf-8")
    assert main(["backfill", str(chain.config), "--adapter", "aoi-files", str(old)]) == 3
    assert main(["backfill", str(chain.config), "--adapter", "nobody", str(old)]) == 2
    chain.config.write_text(chain.config.read_text() + 'pickup = "growing"\n')
    assert main(["backfill", str(chain.config), "--adapter", "aoi-files", str(old)]) == 2
    assert "let the edge read them" in capsys.readouterr().err
