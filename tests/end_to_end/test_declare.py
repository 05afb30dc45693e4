"""Master data on its way: file, outbox, broker, record; again it changes nothing."""

import asyncio
import json

from chain import Chain
from jsonschema import Draft202012Validator
from servers import until

from broker_bridge.cli.main import main
from broker_bridge.edge.survey import in_use
from broker_bridge.schemas.files import FILES

ADAPTER = """
[[adapters]]
kind = "declarations"
name = "master"
area = "smt"
line = "line-1"
poll_s = 0.05
"""
TABLE = "part,valid_from,designator,component\nHW-1,2026-03-02,C1,C-100\nHW-1,2026-03-02,C2,C-100\n"


def test_it_is_recorded_versioned_and_again_changes_nothing(tmp_path, capsys):
    async def life() -> None:
        chain = Chain(tmp_path)
        chain.config.write_text(chain.config.read_text(encoding="utf-8") + ADAPTER, encoding="utf-8")
        file = tmp_path / "placement.csv"
        file.write_text(TABLE)

        async def declares(*words: str) -> tuple[int, list[dict]]:
            code = await asyncio.to_thread(
                main, ["declare", str(file), "--config", str(chain.config), "--json", *words]
            )
            text = capsys.readouterr().out
            if not text:
                return code, []
            document = json.loads(text)
            Draft202012Validator(FILES["declare.json"]()).validate(document)
            assert document["dry_run"] == ("--dry-run" in words)
            return code, document["declarations"]

        assert (await declares())[0] == 4, "no edge runs"
        async with chain.running():
            code, told = await declares("--dry-run")
            assert (code, told[0]["what"], told[0]["entries"]) == (1, "new", 2)
            assert chain.count() == 0
            await until(lambda: in_use(chain.settings.edge.outbox), "the edge runs")
            assert (await declares())[0] == 0
            await until(lambda: chain.count() == 1, "recorded")
            assert [one["what"] for one in (await declares())[1]] == ["unchanged"]
            file.write_text(TABLE.replace("C2", "C3"))
            code, told = await declares()
            assert (told[0]["what"], told[0]["revision"]) == ("changed", 2)
            await until(lambda: chain.count() == 2, "revised")
            file.write_text(TABLE.replace("HW-1", ""))
            assert (await declares())[0] == 2
        first, second = chain.of("line.part_declared")
        assert first["id"].rpartition(".")[0] == second["id"].rpartition(".")[0]
        assert second["time"].startswith("2026-03-02T00:00:00")
        assert [spot["name"] for spot in second["data"]["placement"]] == ["C1", "C3"]
        raw = second["data"]["origin"]["raw"]
        assert raw["archived"] == raw["hash"]

    asyncio.run(life())


def test_without_an_adapter_it_says_what_to_add(tmp_path, capsys):
    chain = Chain(tmp_path)
    (tmp_path / "m.csv").write_text(TABLE)
    assert main(["declare", str(tmp_path / "m.csv"), "--config", str(chain.config)]) == 3
    assert 'kind = "declarations"' in capsys.readouterr().err
