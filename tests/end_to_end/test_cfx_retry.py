"""A CFX machine that nobody had named, as a person meets it: in quarantine, named, retried, told."""

import asyncio
import json

from cfx_machine import said
from chain import Chain
from servers import free_port, missing, until

from broker_bridge.cli.main import main

AOI = "HarbourWorks.Aoi.1"
ADAPTER = """\
[[adapters]]
kind = "cfx"
name = "cfx"
area = "smt"
line = "line-1"
listen = {{ port = {port} }}
machines = [{machines}]
"""


def test_a_retry_tells_what_a_machine_said_before_it_was_named(tmp_path, capsys):
    try:
        import proton
        from cfx_machine import Machine
    except ImportError:
        missing("python-qpid-proton is not installed: pip install 'broker-bridge[cfx]'")
    assert proton.__name__ == "proton"
    chain = Chain(tmp_path)
    plain = chain.config.read_text(encoding="utf-8")
    port = free_port()

    def configure(*machines: str) -> None:
        chain.config.write_text(plain + ADAPTER.format(port=port, machines=", ".join(machines)))

    def call(*words: str) -> tuple[int, str]:
        capsys.readouterr()
        code = main([*words, "--config", str(chain.config)])
        return code, capsys.readouterr().out

    spi = '{ handle = "HarbourWorks.Spi.1", station = "spi-1" }'
    configure(spi)

    async def life(*messages: bytes) -> None:
        async with chain.running():
            if messages:
                await until(lambda: chain.of("source.connected"), "it listens")
                await Machine(port).send(messages)
                await until(lambda: len(chain.of("source.rejected")) == 2, "recorded")
            else:
                await until(lambda: chain.of("board.arrived"), "told")

    asyncio.run(life(said("UnitsArrived", {"PrimaryIdentifier": "HW-1"}, Source=AOI), b"{"))
    code, text = call("quarantine", "list", "--json")
    kept = {item["code"]: item for item in json.loads(text)["kept"]}
    assert (code, set(kept)) == (1, {"unknown_handle", "json"})
    key = kept["unknown_handle"]["key"]
    assert AOI in call("quarantine", "show", key)[1]

    configure(spi, f'{{ handle = "{AOI}", station = "aoi-1" }}')
    code, text = call("quarantine", "retry", key, "--wait", "0")
    assert code == 1
    assert "the edge answers when it runs" in text
    asyncio.run(life())
    code, text = call("quarantine", "list", "--json")
    assert [item["code"] for item in json.loads(text)["kept"]] == ["json"]
    code, text = call("board", "HW-1", "--json")
    (visit,) = json.loads(text)["route"]
    assert visit["station"] == "aoi-1"
    assert [one["id"].rpartition(".")[2] for one in visit["evidence"]] == ["2"]
