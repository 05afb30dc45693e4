#!/usr/bin/env python3
"""Write deploy/CFX.md: what of CFX is told, what stays in the raw bytes, and what of our events no CFX message carries.

    python tools/export_cfx.py [SAMPLES]

SAMPLES: the published example messages of IPC-2591, by default ../shared/data/cfx-samples. They are read, never copied.
"""

import json
import sys
import types
import typing
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal, get_args, get_origin

from pydantic import AwareDatetime, BaseModel

from broker_bridge.adapters.cfx.mapping import Known, Mapper
from broker_bridge.adapters.cfx.mapping.table import SIGNS, STATING
from broker_bridge.adapters.cfx.protocol import envelope as wire
from broker_bridge.adapters.cfx.protocol.names import MESSAGES
from broker_bridge.adapters.cfx.protocol.node import leaves
from broker_bridge.adapters.cfx.protocol.writing import write
from broker_bridge.config import CfxAdapter
from broker_bridge.events.base import Board, Data, Identifier, Measurement, Origin
from broker_bridge.events.fact import Fact
from broker_bridge.events.union import DATA_TYPES
from broker_bridge.outlets.cfx.messages import SENT, messages

ROOT: Final = Path(__file__).resolve().parents[1]
TABLE: Final = ROOT / "deploy" / "CFX.md"
SAMPLES: Final = ROOT.parent / "shared" / "data" / "cfx-samples"
TAKEN: Final = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
HANDLE: Final = "HarbourWorks.Printer.1"
CONFIG: Final = CfxAdapter.model_validate(
    {
        "kind": "cfx", "name": "cfx", "area": "smt", "line": "line-1", "listen": {}, "positions": "plant",
        "machines": [
            {"handle": HANDLE, "station": "printer-1", "zone": "America/New_York", "primary_side": "top"}
        ],
    }
)  # fmt: skip


def enveloped(name: str, body: bytes, handle: str = HANDLE) -> bytes:
    """A message body in an envelope."""
    head = {
        "MessageName": name,
        "Version": "1.7",
        "TimeStamp": "2026-03-02T09:15:04.1234567+01:00",
        "UniqueID": "7d0a4a55-7a3e-4a39-9c0e-0b1d5c3a2f10",
        "Source": handle,
        "Target": None,
        "RequestID": None,
    }
    return json.dumps(head).encode()[:-1] + b', "MessageBody": ' + body.removeprefix(b"\xef\xbb\xbf") + b"}"


def sample_name(path: Path) -> str:
    """The message a sample is of."""
    return path.name.split("__")[1]


def told(samples: Path) -> dict[str, tuple[list[str], list[str]]]:
    """For every message that states something: the fields its samples hold that are told, and that stay in the raw bytes."""
    mapper = Mapper(CONFIG)
    found: dict[str, tuple[dict[str, None], dict[str, None]]] = {}
    for path in sorted(samples.glob("message__*.json")):
        name = sample_name(path)
        if name not in STATING:
            continue
        (message,) = wire.read(enveloped(name, path.read_bytes()))
        if not isinstance(message, wire.Envelope):
            continue
        reading = mapper.read(message, TAKEN, Known())
        read, left = found.setdefault(name, ({}, {}))
        for field in leaves(message.body):
            (read if field in reading.read else left)[field] = None
    return {
        name: (list(read), [field for field in left if field not in read])
        for name, (read, left) in found.items()
    }


# -- the way out ------------------------------------------------------------------------------------------


def specimen(kind: type[Data]) -> Data:
    """An event of a type with every field filled."""
    filled = {
        name: value for name, value in _fields(kind, kind.__name__) if name not in ("origin", "candidates")
    }
    board = Board(
        unit="board",
        identifiers=(Identifier(kind="board", value="HW-0001", how="read"),),
        panel=Identifier(kind="panel", value="HW-P-01", how="read"),
        position=2,
        state="good",
    )
    filled |= {"boards": (board,), "station": "printer-1", "origin": Origin(adapter="cfx")}
    if kind.TYPE == "board.identified":
        filled["act"] = "read"
    if kind.TYPE == "board.dispositioned":
        filled["disposition"] = "scrap"
    if kind.TYPE == "board.transferred":
        filled |= {"giver": "complete", "taker": "complete", "to_station": "printer-1", "to_lane": 1}
    if kind.TYPE in ("reading.recorded", "work.print_attempted", "work.completed"):
        filled["values"] = (
            Measurement(name="pressure", value=1.5, unit="bar", nominal=1.5, lower=1.0, upper=2.0),
        )
        filled.pop("stage", None)
    if kind.TYPE == "inspection.test_completed":
        filled["steps"] = (
            Measurement(name="R21", value=1.5, unit="kOhm", nominal=1.5, lower=1.0, upper=2.0),
        )
    if kind.TYPE in ("work.started", "station.state_changed"):
        filled.pop("stage", None)
    if kind.TYPE == "material.low":
        filled["empty"] = True
    if kind.TYPE == "station.program_changed":
        filled["edited"] = None
    return kind.model_validate(filled)


def _fields(model: type[BaseModel], path: str) -> Iterator[tuple[str, Any]]:
    for name, field in model.model_fields.items():
        yield name, _value(field.annotation, f"{path}.{name}", name)


_BY_NAME: Final = {
    "subslot": "1", "slot": "12", "alarm": "0f6e7d51-3d0b-4d55-8d7e-6a7f2f1f2b11", "native": "PRD_RegularWork",
    "transaction": "2c24590d-39c5-4039-96a5-91900cecedfa", "previous": "SBY", "level": "3", "unit": "mm", "lane": 1,
    "kind": "board", "method": "optical", "state": "productive", "position": 2, "operator": "p-abcdefghijklmnop",
    "machine_position": None, "act": "arrived", "outcome": None, "text": None, "expected": None, "change": "opened",
    "designator": "R21", "termination": None, "side": None, "method_": None, "until": None,
}  # fmt: skip


def _value(annotation: Any, path: str, name: str) -> Any:
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is typing.Annotated:
        return _value(arguments[0], path, name)
    if origin in (typing.Union, types.UnionType):
        return _value(next(one for one in arguments if one is not type(None)), path, name)
    if origin is Literal:
        wanted = _BY_NAME.get(name)
        return wanted if wanted in arguments else arguments[0]
    if origin is tuple:
        return (_value(arguments[0], path, name),)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return dict(_fields(annotation, path))
    if annotation is AwareDatetime:
        return datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    if annotation is bool:
        return True
    if annotation is float:
        return 1.5
    if annotation is int:
        return 1
    if name in _BY_NAME:
        return _BY_NAME[name]
    if name == "hash" or path.endswith("block"):
        return "0" * 64
    if name == "id" and path.endswith((".revokes.id", ".corrects.id", ".evidence.id")):
        return "gen.1.0.1"
    return {"source": "/harbour-works/smt/line-1/cfx"}.get(name, name.replace("_", "-"))


_OURS: Final = ("origin", "transaction")


def carried(kind: type[Data]) -> tuple[list[str], list[str], list[str], list[str]]:
    """Messages a type is sent as, types it comes back as, the fields that come back, and those that do not."""
    data = specimen(kind)
    plain = json.loads(data.model_dump_json(exclude_none=True))
    source = "/harbour-works/smt/line-1/cfx"
    fact = Fact(1, 1, source, "gen", 1, 0, 1, kind.TYPE, "2026-03-02T08:15:04Z", plain)
    sent = messages(fact)
    mapper = Mapper(CONFIG)
    back: list[tuple[str, dict[str, Any]]] = []
    known = Known()
    for place, message in enumerate(sent):
        raw = write(
            message.name, message.body, handle=HANDLE, unique_id=f"7d0a4a55-7a3e-4a39-9c0e-{place:012}",
            at=TAKEN, subject="",
        ).body  # fmt: skip
        (read,) = wire.read(raw)
        assert isinstance(read, wire.Envelope), read
        reading = mapper.read(read, TAKEN, known)
        known = reading.learnt or known
        back += [
            (one.data.TYPE, json.loads(one.data.model_dump_json(exclude_none=True)))
            for one in reading.statements
        ]
    wanted = {path: value for path, value in _paths(plain) if path.split(".")[0].split("[")[0] not in _OURS}
    got = [dict(_paths(one)) for _, one in back]
    kept = [path for path, value in wanted.items() if any(one.get(path) == value for one in got)]
    lost = [path for path in wanted if path not in kept]
    return (
        [message.name for message in sent],
        list(dict.fromkeys(kind for kind, _ in back)),
        kept,
        lost,
    )


def _paths(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _paths(one, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        for one in value:
            yield from _paths(one, f"{path}[]")
    else:
        yield path, value


# -- the page ---------------------------------------------------------------------------------------------


def page(samples: Path) -> str:
    """The whole table."""
    lines = [
        "# CFX, field by field",
        "",
        "Generated by `tools/export_cfx.py`; a test compares. Nothing that is listed as left is lost on the way in: the",
        "message's bytes are kept with every event (in it, or in the edge's raw archive).",
        "",
        "## In: fields of the published examples",
        "",
        "| message | told | left in the raw bytes |",
        "|---|---|---|",
    ]
    for name, (read, left) in sorted(told(samples).items()):
        lines.append(f"| {name} | {_listed(read)} | {_listed(left)} |")
    lines += ["", "Messages that state something and of which no example is published:", ""]
    there = told(samples)
    lines += [f"- {name}" for name in sorted(STATING) if name not in there]
    lines += ["", "Signs of life, heard and not kept:", ""]
    lines += [f"- {name}" for name in sorted(SIGNS)]
    lines += ["", "Kept as they are (`source.kept`), as the schema has no words for them:", ""]
    lines += [f"- {name}" for name in sorted(MESSAGES - set(STATING) - SIGNS)]
    lines += [
        "",
        "## Out: what of an event comes back when its message is read again",
        "",
        "Fields in brackets of lists. `origin` and `transaction` (a GUID is made where the source's key is none) are left out.",
        "",
        "| event | sent as | comes back as | not carried |",
        "|---|---|---|---|",
    ]
    for name in sorted(SENT):
        sent, back, _, lost = carried(DATA_TYPES[name])
        lines.append(f"| {name} | {_listed(sent)} | {_listed(back)} | {_listed(lost)} |")
    lines += ["", "No message of the standard says what these say; they are passed over:", ""]
    lines += [f"- {name}" for name in sorted(DATA_TYPES) if name not in SENT]
    lines += [
        "",
        "Passed over as well: a transfer that was not completed, dispositions other than scrap, magazines that were sealed,",
        "opened or turned, stencils that were not wiped, material that is low and not empty, baking and thawing, inspections",
        "by a method CFX has no word for, states that are unknown, alarms cleared without a key, removed material without id",
        "or feeder.",
        "",
    ]
    return "\n".join(lines)


def _listed(names: list[str]) -> str:
    return ", ".join(f"`{name}`" for name in names) or "-"


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES
    TABLE.write_text(page(folder), encoding="utf-8")
    print(f"{TABLE} written")
