"""Messages of machines of the invented plant Harbour Works, and a machine that connects to us and sends them."""

import asyncio
import gzip
import json
import uuid
from collections.abc import Sequence
from typing import Any

from broker_bridge.adapters.cfx.protocol.envelope import Envelope, read
from broker_bridge.config import CfxAdapter

HANDLE = "HarbourWorks.Spi.1"
WORK = "2c24590d-39c5-4039-96a5-91900cecedfa"
PRODUCTION = "CFX.Production"


def config(**more: Any) -> CfxAdapter:
    """A CFX adapter with one machine, listening unless it is said otherwise."""
    machine = {"handle": HANDLE, "station": "spi-1"} | more.pop("machine", {})
    fields: dict[str, Any] = {
        "kind": "cfx", "name": "cfx", "area": "smt", "line": "line-1", "machines": [machine],
    }  # fmt: skip
    if "broker" not in more:
        fields["listen"] = {"port": 0}
    return CfxAdapter.model_validate(fields | more)


def said(name: str, body: dict[str, Any], *, at: str = "2026-03-02T08:15:04Z", **more: Any) -> bytes:
    """A message as a machine says it. Its UniqueID is made of what it says."""
    envelope = {
        "MessageName": name if name.startswith("CFX.") else f"{PRODUCTION}.{name}",
        "Version": "1.7",
        "TimeStamp": at,
        "UniqueID": str(uuid.uuid5(uuid.NAMESPACE_OID, f"{name}{json.dumps(body)}{at}")),
        "Source": HANDLE,
        "Target": None,
        "RequestID": None,
        "MessageBody": body,
    }
    return json.dumps(envelope | more).encode()


def envelope(name: str, body: dict[str, Any], **more: Any) -> Envelope:
    """The same, read."""
    (found,) = read(said(name, body, **more))
    assert isinstance(found, Envelope), found
    return found


def units(*names: str | None, shared: str | None = None) -> list[dict[str, Any]]:
    """Units with names of their own, or numbered in `shared`."""
    return [
        {"UnitIdentifier": shared or name, "PositionNumber": place} for place, name in enumerate(names, 1)
    ]


class Machine:
    """A machine that connects to a listener and sends as the standard's own library does: at least once."""

    def __init__(self, port: int, handle: str = HANDLE) -> None:
        self._url = f"amqp://127.0.0.1:{port}"
        self._handle = handle

    async def send(self, bodies: Sequence[Any], encoding: str | None = None) -> None:
        """Send these and wait until each is accepted."""
        await asyncio.to_thread(self._send, bodies, encoding)

    def _send(self, bodies: Sequence[Any], encoding: str | None) -> None:
        from proton import Message
        from proton.utils import BlockingConnection

        connection = BlockingConnection(self._url, timeout=10)
        try:
            sender = connection.create_sender("bridge")
            for body in bodies:
                packed = gzip.compress(body) if encoding == "gzip" else body
                sender.send(
                    Message(body=packed, inferred=True, durable=True, content_encoding=encoding), timeout=10
                )
        finally:
            connection.close()

    async def ask(self, body: bytes) -> bytes:
        """Send a request and wait for its answer."""
        return await asyncio.to_thread(self._ask, body)

    def _ask(self, body: bytes) -> bytes:
        from proton import Message
        from proton.utils import BlockingConnection

        connection = BlockingConnection(self._url, timeout=10)
        try:
            address = f"{self._handle}-answers"
            receiver = connection.create_receiver(address, credit=1)
            sender = connection.create_sender("bridge")
            sender.send(Message(body=body, inferred=True, reply_to=address), timeout=10)
            answer = receiver.receive(timeout=10)
            receiver.accept()
            return bytes(answer.body)
        finally:
            connection.close()
