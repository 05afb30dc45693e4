"""Messages of IPC-2591 (CFX): good ones made of a record's events, spoilt, packed, in batches, and how they are taken.

Some come as the bytes of a whole AMQP 1.0 message, spoilt or with a body of another type.
"""

import gzip
import json
import random
import uuid
import zlib
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import proton
from spoiling import spoilt, twisted

from broker_bridge.adapters.cfx.adapter.inbox import _delivered
from broker_bridge.adapters.cfx.adapter.ledger import Ledger
from broker_bridge.adapters.cfx.adapter.remembered import REJECTED, SEEN, Entry, Rejected, Seen
from broker_bridge.adapters.cfx.mapping import Mapper
from broker_bridge.adapters.cfx.protocol.envelope import Broken, Envelope, Limits, read
from broker_bridge.adapters.cfx.protocol.names import MESSAGES
from broker_bridge.bus.topics import Topics
from broker_bridge.config import CfxAdapter
from broker_bridge.events.fact import Fact
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import encode_event
from broker_bridge.outlets.cfx.messages import messages
from broker_bridge.recorder.intake import examine
from broker_bridge.store.base import Arrival

AT: Final = datetime(2026, 3, 2, 8, tzinfo=UTC)
SOURCE: Final = "/harbour-works/smt/line-1/cfx"
TOPICS: Final = Topics("plant")
HANDLES: Final = ("HarbourWorks.Spi.1", "HarbourWorks.Aoi.1", "a stranger", "")
LIMITS: Final = Limits(size=2**20, depth=64, envelopes=200)
CONFIG: Final = CfxAdapter.model_validate(
    {
        "kind": "cfx", "name": "cfx", "area": "smt", "line": "line-1", "listen": {"port": 0},
        "machines": [{"handle": handle, "station": f"s-{place}"} for place, handle in enumerate(HANDLES[:2])],
    }
)  # fmt: skip


class Machines:
    """Draws the body of an AMQP message, and takes it as the adapter does, up to what a record would make of it."""

    def __init__(self, facts: Sequence[Fact]) -> None:
        self._bodies = [(one.name, dict(one.body)) for fact in facts for one in messages(fact)]
        self._names = sorted(MESSAGES)
        self._mapper = Mapper(CONFIG)
        self._ledger = Ledger({}, messages=500, transactions=20)

    def __call__(self, rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        several = [self._envelope(rng) for _ in range(rng.choice((1, 1, 1, 2, 5)))]
        body = several[0] if len(several) == 1 else b"[" + b",".join(several) + b"]"
        if rng.random() < 0.4:
            body = spoilt(rng, body)
        encoding = rng.choice((None, None, "gzip", "deflate", "identity", "x"))
        match rng.randrange(5):
            case 0:
                body = gzip.compress(body)
            case 1:
                body = zlib.compress(body, wbits=rng.choice((15, -15)))
            case 2 if rng.random() < 0.1:
                body = gzip.compress(bytes(rng.choice((100, 2**20, 64 * 2**20))))
        if rng.random() < 0.1:
            body = spoilt(rng, body)
        if rng.random() < 0.3:
            odd = (
                body.decode(errors="replace"),
                [1, "x"],
                {"a": body},
                None,
                7,
                1.5,
                True,
                proton.Described("a", [body]),
            )
            message = proton.Message(
                body=body if rng.random() < 0.5 else rng.choice(odd),
                inferred=rng.random() < 0.5,
                content_encoding=encoding,
            )
            packet = spoilt(rng, message.encode()) if rng.random() < 0.7 else message.encode()
            return packet, lambda: self._open(packet, counts)
        return body, lambda: self._take(read(body, encoding, LIMITS), counts)

    def _envelope(self, rng: random.Random) -> bytes:
        name, body = rng.choice(self._bodies)
        if rng.random() < 0.1:
            name = rng.choice(self._names)
        told: dict[str, Any] = {
            "MessageName": name, "Version": "1.7", "TimeStamp": rng.choice(("2026-03-02T08:15:04Z", "2026-03-02T09:15:04.1234567")),
            "UniqueID": str(uuid.UUID(int=rng.getrandbits(12) | 1)), "Source": rng.choice(HANDLES[: 2 + 2 * (rng.random() < 0.1)]),
            "Target": None, "RequestID": None, "MessageBody": body,
        }  # fmt: skip
        if rng.random() < 0.3:
            # Transactions meet and names come late only where several messages share one.
            told["MessageBody"] = {**body, "TransactionID": str(uuid.UUID(int=rng.getrandbits(5) | 1))}
        if rng.random() < 0.6:
            told = twisted(rng, told)
        return json.dumps(told, ensure_ascii=rng.random() < 0.5).encode(errors="replace")

    def _open(self, packet: bytes, counts: Counter[str]) -> None:
        came = _delivered(proton, 1, packet, "fuzz")
        if came.problem is not None:
            counts["no AMQP message of bytes or text"] += 1
            self._take([Broken(came.body, came.problem, "encoding")], counts)
        else:
            self._take(read(came.body, came.encoding, LIMITS), counts)

    def _take(self, found: Sequence[Envelope | Broken], counts: Counter[str]) -> None:
        counts["messages"] += len(found)
        draft = self._ledger.draft(self._mapper)
        for one in found:
            draft.add(one, AT, "fuzz")
        for key, kept in draft.state().items():
            if kept is not None:
                kind = Seen if key.startswith(SEEN) else Rejected if key.startswith(REJECTED) else Entry
                assert kind.load(kept).dump() == kept, "what is kept is not what is read again"
        draft.apply()
        assert len(self._ledger.seen) <= 500
        for taking in draft.takings:
            for ordinal, statement in enumerate(taking.statements):
                assert statement.data.origin.events == len(taking.statements)
                event = encode_event(
                    event_id=EventId(taking.generation, taking.position, ordinal, taking.revision), source=SOURCE,
                    data=statement.data, time=statement.time, subject=statement.subject, recordedtime=AT, sequence=1, epoch=1,
                    rawname=taking.rawname,
                )  # fmt: skip
                (seen,) = examine(
                    TOPICS,
                    TOPICS.event(SOURCE, statement.data.station, statement.data.TYPE),
                    event,
                    site="harbour-works",
                )
                assert isinstance(seen, Arrival), f"a record would refuse it: {seen.reason}"
                counts[statement.data.TYPE] += 1
