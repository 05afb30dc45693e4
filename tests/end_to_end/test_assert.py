"""A person's statement on its way: outbox, broker, record, and back into the history."""

import asyncio
import json

import pytest
from chain import Chain, rows
from servers import until

from broker_bridge.cli.main import main
from broker_bridge.edge.persons import Persons
from broker_bridge.edge.survey import holdings
from broker_bridge.queries.boards import board
from broker_bridge.queries.record import open_record

ADAPTER = """
[[adapters]]
kind = "assertions"
name = "desk"
area = "smt"
line = "line-1"
poll_s = 0.05
"""
BOARD = "HW-000001"


def plant(folder, adapter: str = ADAPTER) -> Chain:
    chain = Chain(folder)
    chain.config.write_text(chain.config.read_text(encoding="utf-8") + adapter, encoding="utf-8")
    return chain


def states(chain: Chain, *words: str) -> int:
    return main(["assert", *words, "--who", "op-07", "--config", str(chain.config), "--json"])


def history(chain: Chain):
    with open_record(f"sqlite:////{str(chain.record).lstrip('/')}") as record:
        return board(record, BOARD)


def test_it_is_numbered_receipted_told_and_revocable(tmp_path, capsys):
    async def life() -> None:
        chain = plant(tmp_path)
        async with chain.running():
            chain.put("a.csv", rows(1, 2))
            await until(lambda: chain.count() == 2, "recorded")
            say = [
                ("held", BOARD, "--hold", "H-1", "--why", "short at U7", "--evidence", "V1"),
                ("outcome", BOARD, "--corrects", "I1", "--outcome", "failed", "--why", "the picture shows a bridge"),
                ("--revoke", "N1", BOARD, "--why", "wrong board"),
            ]  # fmt: skip
            assert await asyncio.to_thread(states, chain, *say[0]) == 0
            first = json.loads(capsys.readouterr().out)
            assert first["receipted"] is True
            held = history(chain)
            who = Persons(tmp_path / "data" / "persons").pseudonym("op-07")
            assert [(hold.hold, hold.who) for hold in held.held] == [("H-1", who)]
            assert b"op-07" not in (tmp_path / "data" / "outbox.db-wal").read_bytes()
            assert first["data"]["evidence"][0]["source"].endswith("/aoi-files")
            assert await asyncio.to_thread(states, chain, *say[1]) == 0
            (inspection,) = history(chain).inspections
            assert (inspection.outcome, inspection.certainty) == ("passed", "conflicting")
            assert f"{who} says failed: the picture shows a bridge" in inspection.reason
            assert await asyncio.to_thread(states, chain, *say[2]) == 0
            after = history(chain)
            assert after.held == ()
            assert [finding.kind for finding in after.findings] == ["outcome_disputed"]
        events = chain.of("board.asserted")
        assert [event["sequence"][-3:] for event in events] == ["001", "002", "003"]
        assert {event["source"] for event in events} == {"/harbour-works/smt/line-1/desk"}

    asyncio.run(life())


def test_without_an_edge_nothing_is_written(tmp_path, capsys):
    async def life() -> None:
        chain = plant(tmp_path)
        async with chain.running():
            chain.put("a.csv", rows(1, 1))
            await until(lambda: chain.count() == 1, "recorded")
        assert await asyncio.to_thread(states, chain, "note", BOARD, "--why", "scratch") == 4
        assert "nothing was written" in capsys.readouterr().err
        assert sum(held.requests for held in holdings(tmp_path / "data" / "outbox.db")) == 0
        async with chain.running():
            chain.put("b.csv", rows(9, 1))
            await until(lambda: chain.count() == 2, "the next file recorded")
        assert chain.of("board.asserted") == []

    asyncio.run(life())


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("believe", BOARD, "--why", "x"), 2, "is no claim"),
        (("same", BOARD, "--why", "x"), 2, "two identifiers"),
        (("part-of", BOARD, "--why", "x"), 2, "needs 'of'"),
        (("note", BOARD, "--why", "x"), 3, 'kind = "assertions"'),
    ],
)
def test_what_cannot_be_stated_is_refused_before_anything_is_asked(tmp_path, capsys, words, code, told):
    chain = plant(tmp_path, "")
    assert states(chain, *words) == code
    assert told in capsys.readouterr().err


def test_a_name_of_a_person_is_refused(tmp_path, capsys):
    chain = plant(tmp_path)
    arguments = ["assert", "note", BOARD, "--who", "Jane Doe", "--why", "x", "--config", str(chain.config)]
    assert main(arguments) == 2
    assert "pseudonym" in capsys.readouterr().err
