#!/usr/bin/env python3
"""Random bytes, spoilt messages and legal talk through the core of IPC-HERMES-9852, in random pieces.

    python tools/fuzz/fuzz_transfer.py --minutes 10 --seed 1

What may come out: messages, or a RemoteProtocolError with the bytes. Checked besides:

  bytes      any bytes, into the reader and every role of both channels: the pieces make no difference, memory stays
             bounded by one message, what can be mapped is mapped or rejected
  spoilt     valid messages with a few things done to them: the same
  talk       two connections of one channel say to each other whatever is in order: each hears exactly what was said
  out of order   valid messages in any order: taken, or a protocol error, and the state is one of the table

A finding is written to --out as bytes, with the traceback beside it; exit code 1.
"""

import argparse
import random
import sys
import time
import traceback
import uuid
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from spoiling import note

from broker_bridge.adapters.transfer.mapping import Mapper
from broker_bridge.adapters.transfer.protocol import (
    CLOSED,
    MAX_MESSAGE_SIZE,
    HorizontalConnection,
    Message,
    MessageReader,
    Pending,
    Received,
    Role,
    State,
    UnknownMessage,
    VerticalConnection,
)
from broker_bridge.adapters.transfer.protocol.connection import Connection
from broker_bridge.adapters.transfer.protocol.fields import (
    Code,
    Field,
    Group,
    Guid,
    Integer,
    Items,
    Names,
    Number,
    Text,
)
from broker_bridge.adapters.transfer.protocol.table import MESSAGES
from broker_bridge.adapters.transfer.protocol.writer import write_message
from broker_bridge.config import TransferAdapter, TransferMachine
from broker_bridge.errors import LocalProtocolError, RemoteProtocolError

AT = datetime(2026, 3, 2, 8, 15, 30, 120_000, tzinfo=UTC)
SLACK = 64 * 1024
PIECE = 4096
ROLES: tuple[Callable[[], Any], ...] = (
    MessageReader,
    lambda: HorizontalConnection(Role.UPSTREAM),
    lambda: HorizontalConnection(Role.DOWNSTREAM),
    lambda: VerticalConnection(Role.MACHINE),
    lambda: VerticalConnection(Role.SUPERVISOR),
)
BITS = (
    b"<Hermes", b"</Hermes>", b"<Hermes/>", b"</Hermes >", b'"', b"'", b"<", b">", b"&", b"&#0;", b"&lt;", b"\x00",
    b"\xff\xfe", b"\xef\xbb\xbf", b"<!DOCTYPE x [<!ENTITY y 'z'>]>", b"<![CDATA[", b"]]>", b"<!--", b"-->", b"<?xml?>",
    b'Timestamp="', b'BoardId="', b"xmlns='x'", b"\n", b" " * 200, b"9" * 400, b"1e999", b"\xe2\x82", b"-1",
)  # fmt: skip

_CONFIG = TransferAdapter(
    kind="transfer",
    name="fuzz",
    area="smt",
    line="line-1",
    zone="Europe/Lisbon",
    machines=(TransferMachine(station="aoi", host="127.0.0.1", port=1),),
)
_MAPPER = Mapper(_CONFIG, _CONFIG.machines[0])


def anything(rng: random.Random, name: str) -> Message:
    """A legal message of this name, with random content."""
    row = MESSAGES[name]
    made: Message = _filled(rng, row.type, row.fields)
    return made


def _filled(rng: random.Random, cls: type[Any], rows: Sequence[Field]) -> Any:
    parts = {row.name: _value(rng, row.kind) for row in rows if row.required or rng.random() < 0.6}
    return cls(**parts)


def _value(rng: random.Random, kind: object) -> Any:
    match kind:
        case Text(form=None):
            return "".join(rng.choices("HW-0123456789 <>&\"'äµ€\U0001f6a2\t\n", k=rng.randrange(12)))
        case Text():
            return f"{rng.randrange(1, 1000)}.{rng.randrange(1000)}"
        case Guid():
            return str(uuid.UUID(int=rng.getrandbits(128) | 1))
        case Integer(ranges):
            return rng.randint(*rng.choice(ranges or ((-(2**31), 2**31 - 1),)))
        case Code(codes):
            return rng.choice(list(codes))
        case Number():
            return rng.randrange(-(10**9), 10**9) / 1000
        case Names(since):
            return frozenset(name for name in since if rng.random() < 0.5)
        case Items(_, cls, rows):
            return tuple(_filled(rng, cls, rows) for _ in range(rng.randrange(4)))
        case Group(cls, rows):
            return _filled(rng, cls, rows)
    raise AssertionError(kind)


def spoilt(rng: random.Random, content: bytes) -> bytes:
    """The content with a few things done to it."""
    data = bytearray(content)
    for _ in range(rng.randrange(1, 6)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(6):
            case 0:
                data[at : at + 1] = rng.randbytes(1)
            case 1:
                del data[at : at + rng.randrange(1, 40)]
            case 2:
                data[at:at] = rng.choice(BITS)
            case 3:
                begin = rng.randrange(len(data) + 1)
                data[at:at] = data[begin : begin + rng.randrange(1, 300)]
            case 4:
                data = data[:at]
            case _:
                data[at:at] = data[at : at + 20] * rng.randrange(1, 400)
    return bytes(data)


def pieces(rng: random.Random, data: bytes) -> list[bytes]:
    """The data in pieces as a socket may give them."""
    cuts = sorted({0, len(data), *(rng.randrange(len(data) + 1) for _ in range(rng.randrange(12)))})
    found = []
    for begin, end in pairwise(cuts):
        found += [data[at : min(at + PIECE, end)] for at in range(begin, end, PIECE)]
    return found


def heard(core: Any, parts: Sequence[bytes], counts: Counter[str]) -> list[object]:
    """All that comes of these pieces and the end; raises whatever is a finding."""
    found: list[object] = []
    for data in (*parts, b""):
        core.receive_data(data)
        while True:
            try:
                item = core.next_message()
            except RemoteProtocolError as error:
                found.append((str(error), error.raw))
                counts["protocol errors"] += 1
                continue
            if isinstance(item, Pending):
                assert (item is CLOSED) == (data == b"")
                break
            found.append(item)
            counts[
                "messages of another kind" if isinstance(item.message, UnknownMessage) else "messages"
            ] += 1
        assert len(core.rest) <= MAX_MESSAGE_SIZE + SLACK, f"{len(core.rest)} bytes are held"
    assert core.rest == b"", "bytes are left at the end"
    return found


def in_pieces(rng: random.Random, data: bytes, counts: Counter[str]) -> None:
    """The same comes out however the bytes are cut."""
    make = rng.choice(ROLES)
    once = heard(make(), [data[at : at + PIECE] for at in range(0, len(data), PIECE)], counts)
    again = heard(make(), pieces(rng, data), Counter())
    assert once == again, "the pieces make a difference"
    for item in once:
        if isinstance(item, Received):
            for statement in _MAPPER.statements(item, AT):
                statement.data.__pydantic_serializer__.to_json(statement.data)
                counts[f"mapped to {statement.data.TYPE}"] += 1


def talk(rng: random.Random, counts: Counter[str]) -> None:
    """Two ends of one channel say what is in order; each hears exactly that."""
    ends: list[Connection[Any]]
    if rng.random() < 0.5:
        ends = [HorizontalConnection(Role.DOWNSTREAM), HorizontalConnection(Role.UPSTREAM)]
    else:
        ends = [VerticalConnection(Role.SUPERVISOR), VerticalConnection(Role.MACHINE)]
    for _ in range(rng.randrange(1, 30)):
        who = rng.randrange(2)
        giver, taker = ends[who], ends[1 - who]
        names = [name for name, row in MESSAGES.items() if giver.may_send(row.type)]
        if not names:
            continue
        message = anything(rng, rng.choice(names))
        board = getattr(giver, "moving", None) or getattr(giver, "offered", None)
        if type(message).__name__ in ("StartTransport", "StopTransport", "TransportFinished") and board:
            message = type(message)(**{**_fields(message), "board_id": board})
        try:
            raw = giver.send(message, AT)
        except LocalProtocolError:
            counts["refused by us"] += 1
            continue
        for part in pieces(rng, raw):
            taker.receive_data(part)
            while isinstance(item := taker.next_message(), Received):
                assert type(item.message) is type(message), (item.message, message)
                counts["said and heard"] += 1
        assert giver.state == taker.state, (giver.state, taker.state)


def out_of_order(rng: random.Random, counts: Counter[str]) -> None:
    """Valid messages in any order."""
    core = rng.choice(ROLES[1:])()
    raw = b"".join(
        write_message(anything(rng, rng.choice(list(MESSAGES))), AT) for _ in range(rng.randrange(1, 12))
    )
    heard(core, pieces(rng, raw), counts)
    assert core.state is State.NOT_CONNECTED


def _fields(message: Any) -> dict[str, Any]:
    return {name: getattr(message, name) for name in message.__dataclass_fields__}


def once(rng: random.Random, counts: Counter[str]) -> bytes:
    """One try; returns its bytes. Raises whatever is a finding, with the bytes as its last argument."""
    kind = rng.choice(("bytes", "spoilt", "spoilt", "talk", "out of order"))
    counts[f"tries: {kind}"] += 1
    if kind == "talk":
        talk(rng, counts)
        return b""
    if kind == "out of order":
        out_of_order(rng, counts)
        return b""
    data = rng.randbytes(rng.choice((20, 400, 70_000)))
    if kind == "spoilt":
        several = [
            write_message(anything(rng, rng.choice(list(MESSAGES))), AT) for _ in range(rng.randrange(1, 5))
        ]
        data = spoilt(rng, b"".join(several))
    try:
        in_pieces(rng, data, counts)
    except Exception as error:
        error.add_note(repr(data[:2000]))
        raise
    return data


def resident_mb() -> float:
    """Memory of this process, at its highest."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    """Try until the time is over; exit code 1 with findings."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=1.0, help="of this process, not of the wall")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("fuzz-findings"))
    parser.add_argument("--log", type=Path, help="append what it came to, as a JSON line")
    args = parser.parse_args()
    counts: Counter[str] = Counter()
    findings = 0
    tries = 0
    until = time.process_time() + args.minutes * 60
    warm = 0.0
    while time.process_time() < until and findings < 20:
        rng = random.Random(f"{args.seed}/{tries}")
        tries += 1
        try:
            once(rng, counts)
        except Exception:
            findings += 1
            args.out.mkdir(parents=True, exist_ok=True)
            name = args.out / f"transfer-{args.seed}-{tries - 1}.txt"
            name.write_text(
                f"seed {args.seed}, try {tries - 1}\n\n{traceback.format_exc()}", encoding="utf-8"
            )
        if tries == 500:
            warm = resident_mb()
    for name, count in sorted(counts.items()):
        print(f"{count:>12,}  {name}")
    print(
        f"{tries:>12,}  tries, {findings} findings; memory {warm:.0f} MB after 500 tries, {resident_mb():.0f} MB at the end"
    )
    note(args.log, "transfer", args.seed, tries, findings, resident_mb() - warm)
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
