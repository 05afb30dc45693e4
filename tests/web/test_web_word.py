"""What may be said to a machine: over HTTP, and all the way from a machine's question to its answer on real sockets."""

import asyncio
import contextlib
from pathlib import Path

import httpx
from conftest import Opened
from fakes import MemorySourceWriter
from jsonschema import Draft202012Validator
from transfer_machine import Machine, until
from transfer_plant import machine, supervisor

from broker_bridge.adapters.transfer.adapter import SupervisorAdapter
from broker_bridge.schemas.files import FILES

from conftest import HOSTILE, ok  # isort: skip


def test_a_word_fits_its_schema_and_gives_its_reasons(asked: httpx.Client) -> None:
    for identifier in ("A", "B", HOSTILE):
        answer = ok(asked.get("/api/v1/board/word", params={"id": identifier}))
        Draft202012Validator(FILES["word.json"]()).validate(answer)
        assert answer["word"] != "good"
        assert answer["reasons"]
    assert "on hold H-1" in str(ok(asked.get("/api/v1/board/word?id=B"))["reasons"])
    assert asked.get("/api/v1/board/word?id=NOPE").status_code == 404


def test_a_machine_is_answered_from_the_record(
    service: Opened, told_record: str, tokens: tuple[Path, str, str], tmp_path: Path
) -> None:
    path, read, _ = tokens
    web = service(told_record, tokens=path)
    token = tmp_path / "token"
    token.write_text(read, encoding="utf-8")
    token.chmod(0o600)
    writer = MemorySourceWriter()

    async def play() -> list[dict[str, str]]:
        peer = Machine()
        await peer.start()
        config = supervisor(
            machine(port=peer.port, answered_by_order_of="qe-02"), answer_url=str(web.base_url).rstrip("/"),
            answer_token_file=token, answer_within_ms=10_000, reconnect_first_s=0.01, zone="UTC",
        )  # fmt: skip
        task = asyncio.create_task(SupervisorAdapter(config).run(writer))
        try:
            await until(lambda: writer.counters.get("source_connected"))
            for number, barcode in enumerate(("A", "NOPE")):
                peer.say(f'<QueryWorkOrderInfo QueryId="{number}" MachineId="PLACER-1" Barcode="{barcode}"/>')
            await until(lambda: peer.names().count("SendWorkOrderInfo") == 2, 30)
            await until(lambda: writer.counters.get("source_answered") == 2)
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            await peer.stop()
        return sorted(
            (dict(one.attrib) for one in peer.heard if one.tag == "SendWorkOrderInfo"),
            key=lambda one: one["QueryId"],
        )

    word = ok(web.get("/api/v1/board/word?id=A", headers={"authorization": f"Bearer {read}"}))
    code = {"unknown": "0", "failed": "2"}[str(word["word"])]
    known = {"WorkOrderId": word["order"]} if "order" in word else {}
    assert asyncio.run(play()) == [{"QueryId": "0", "FailedBoard": code, **known}, {"QueryId": "1"}]
