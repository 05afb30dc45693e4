"""Quarantine and proof as a person uses them: list, show, mend, retry; verify."""

import asyncio
import json
import sqlite3

import pytest
from chain import Chain, mapping_text, rows
from servers import until

from broker_bridge.cli.main import main
from broker_bridge.edge.survey import in_use


@pytest.fixture
def chain(tmp_path, capsys) -> Chain:
    """A plant that has run once and rejected one record."""
    chain = Chain(tmp_path)

    async def life() -> None:
        async with chain.running():
            chain.put("a.csv", rows(1, 2) + rows(3, 1, "MAYBE").split(b"\n", 1)[1])
            await until(lambda: chain.count() == 3, "recorded")

    asyncio.run(life())
    capsys.readouterr()
    return chain


def call(capsys, *words: str) -> tuple[int, str]:
    code = main(words)
    return code, capsys.readouterr().out


def test_a_rejected_record_is_listed_with_its_place_and_reason(chain, capsys):
    code, text = call(capsys, "quarantine", "list", "--config", str(chain.config))
    assert code == 1
    assert "MAYBE" in text
    assert "a.csv" in text
    code, text = call(capsys, "quarantine", "list", "--config", str(chain.config), "--json")
    [item] = json.loads(text)["kept"]
    assert item["place"]
    assert item["mended"] is False


def test_its_raw_bytes_are_shown(chain, capsys):
    _, text = call(capsys, "quarantine", "list", "--config", str(chain.config), "--json")
    key = json.loads(text)["kept"][0]["key"]
    code, text = call(capsys, "quarantine", "show", key, "--config", str(chain.config))
    assert code == 0
    assert "HW-000003;P1;" in text
    code, _ = call(capsys, "quarantine", "show", "r999", "--config", str(chain.config))
    assert code == 1


def test_a_retry_with_the_mended_mapping_empties_the_quarantine(chain, capsys):
    config = str(chain.config)
    _, text = call(capsys, "quarantine", "list", "--config", config, "--json")
    key = json.loads(text)["kept"][0]["key"]
    chain.mapping.write_text(
        mapping_text(2, values='OK = "passed", NG = "failed", MAYBE = "unknown"'), encoding="utf-8"
    )

    async def life() -> int:
        async with chain.running():
            await until(lambda: in_use(chain.settings.edge.outbox), "the edge runs")
            code = await asyncio.to_thread(main, ["quarantine", "retry", key, "--config", config])
            await until(lambda: len(chain.of("inspection.completed")) >= 5, "sent")
            return code

    assert asyncio.run(life()) == 0
    assert "read again with revision 2" in capsys.readouterr().out
    code, text = call(capsys, "quarantine", "list", "--config", config)
    assert (code, text.strip()) == (0, "Nothing is in quarantine.")
    code, text = call(capsys, "quarantine", "list", "--mended", "--config", config, "--json")
    assert (code, [item["mended"] for item in json.loads(text)["kept"]]) == (0, [True])


def test_a_retry_without_a_new_revision_is_refused_with_what_to_do(chain, capsys):
    async def life() -> int:
        async with chain.running():
            await until(lambda: in_use(chain.settings.edge.outbox), "the edge runs")
            words = ["quarantine", "retry", "--all", "--source", "/harbour-works/smt/line-1/aoi-files"]
            return await asyncio.to_thread(main, [*words, "--config", str(chain.config)])

    assert asyncio.run(life()) == 1
    assert "raise its revision to 2" in capsys.readouterr().out


def test_a_retry_of_a_source_that_says_nothing_twice_is_refused(chain, capsys):
    """Whether the machine answers does not matter: nobody listens at the port."""
    chain.config.write_text(
        chain.config.read_text(encoding="utf-8")
        + """\
[[adapters]]
kind = "transfer"
name = "boards"
area = "smt"
line = "line-1"
machines = [{ station = "print", host = "127.0.0.1", port = 9 }]
""",
        encoding="utf-8",
    )

    async def life() -> int:
        async with chain.running():
            await until(lambda: in_use(chain.settings.edge.outbox), "the edge runs")
            words = ["quarantine", "retry", "--all", "--source", "/harbour-works/smt/line-1/boards"]
            return await asyncio.to_thread(main, [*words, "--config", str(chain.config)])

    assert asyncio.run(life()) == 1
    assert (
        "refused: retry is not possible, machines on this channel say nothing twice"
        in capsys.readouterr().out
    )


def test_a_retry_of_what_the_archive_no_longer_holds_is_refused(chain, capsys):
    for folder in (chain.folder / "data").rglob("*-[0-9][0-9]"):
        for file in folder.iterdir():
            file.unlink()
    chain.mapping.write_text(mapping_text(2), encoding="utf-8")

    async def life() -> int:
        async with chain.running():
            await until(lambda: in_use(chain.settings.edge.outbox), "the edge runs")
            words = ["quarantine", "retry", "--all", "--source", "/harbour-works/smt/line-1/aoi-files"]
            return await asyncio.to_thread(main, [*words, "--config", str(chain.config)])

    assert asyncio.run(life()) == 1
    assert "refused: nothing was read again, 1 file is no longer in the archive" in capsys.readouterr().out


def test_verify_proves_a_sound_record_and_finds_a_changed_letter(chain, capsys):
    config = str(chain.config)
    code, text = call(capsys, "verify", "--config", config)
    assert code == 0
    assert "every stored byte is what was committed" in text
    connection = sqlite3.connect(chain.record)
    connection.execute("UPDATE events SET body = CAST(replace(body, 'HW-000001', 'HW-000009') AS BLOB)")
    connection.commit()
    connection.close()
    code, text = call(capsys, "verify", "--config", config)
    assert code == 5
    assert "DAMAGED" in text


def test_check_says_what_is_well_and_what_needs_a_hand(chain, capsys):
    code, text = call(capsys, "check", str(chain.config))
    assert code == 4, "the broker does not run"
    assert "UNREACHABLE" in text

    async def life() -> int:
        async with chain.running():
            await until(lambda: chain.count() >= 3, "running")
            await asyncio.sleep(0.5)
            return await asyncio.to_thread(main, ["check", str(chain.config), "--json"])

    code = asyncio.run(life())
    findings = json.loads(capsys.readouterr().out)
    assert code in (0, 1), findings
    assert {"fine"} <= {finding["level"] for finding in findings}
    assert not [finding for finding in findings if finding["level"] in ("unreachable", "damaged")]


def test_a_record_that_is_not_there_is_said_so(tmp_path, capsys):
    assert main(["verify", "--record", f"sqlite:///{tmp_path}/none.db"]) == 4
    assert "there is no record" in capsys.readouterr().err
    assert main(["verify", "--record", "mysql://x"]) == 2


def test_check_tells_of_a_changed_mapping_before_a_start_is_refused(chain, capsys):
    chain.mapping.write_text(mapping_text(values='OK = "failed", NG = "failed"'), encoding="utf-8")
    code, text = call(capsys, "check", str(chain.config), "--offline")
    assert code == 1
    assert "its revision has not; raise it to 2" in text.replace("\n", " ")


def test_a_retry_without_an_edge_is_kept_and_does_not_wait(chain, capsys):
    words = ["quarantine", "retry", "--all", "--source", "/harbour-works/smt/line-1/aoi-files"]
    code, text = call(capsys, *words, "--wait", "600", "--config", str(chain.config))
    assert code == 1
    assert "the edge answers when it runs" in text
