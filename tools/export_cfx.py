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
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, get_args, get_origin

from pydantic import BaseModel, ValidationError

from broker_bridge.adapters.cfx.mapping import Known, Mapper
from broker_bridge.adapters.cfx.mapping.table import SIGNS, STATING
from broker_bridge.adapters.cfx.protocol import envelope as wire
from broker_bridge.adapters.cfx.protocol.names import MESSAGES
from broker_bridge.adapters.cfx.protocol.node import leaves
from broker_bridge.adapters.cfx.protocol.writing import write
from broker_bridge.config import CfxAdapter
from broker_bridge.events.base import Board, Coverage, Data, Identifier, Measurement, Origin
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
    if kind.TYPE == "inspection.completed":
        filled["coverage"] = Coverage(inspected=1, total=8)
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
    if annotation is datetime:
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


class Carried(NamedTuple):
    """What becomes of a type on its way out and in again."""

    sent: list[str]
    """Messages it is sent as."""
    back: list[str]
    """Types these are read as."""
    kept: list[str]
    """Fields that come back."""
    formal: list[str]
    """Fields that come back where their value has the form the standard gives them."""
    lost: list[str]
    """Fields that do not come back."""


@cache
def carried(kind: type[Data]) -> Carried:
    """By a specimen, and by others of which one field at a time holds something else."""
    data = specimen(kind)
    sent, back = there_and_back(data)
    kept, formal, lost = kept_of(data, back), list[str](), list[str]()
    for path in [path for path in kept if not _comes_back(data, path)]:
        (formal if isinstance(_wanted(data)[path], str) else lost).append(path)
    kept = [path for path in kept if path not in (*formal, *lost)]
    lost = [path for path in _wanted(data) if path not in (*kept, *formal)]
    return Carried(sent, list(dict.fromkeys(name for name, _ in back)), kept, formal, lost)


def _comes_back(data: Data, path: str) -> bool:
    """Whether a field comes back with another value than the specimen's, where the schema lets it have one."""
    plain = _plain(data)
    for way in ways(plain):
        other = _OTHER.get(type(at(plain, way)))
        if path_of(way) == path and other is not None:
            changed = with_value(type(data), plain, {way: other})
            if changed is not None and path not in kept_of(changed, there_and_back(changed)[1]):
                return False
    return True


_OTHER: Final[dict[type, Any]] = {str: "any Text 7", int: 5, float: 7.25}

Way = tuple[str | int, ...]


def ways(value: Any, way: Way = ()) -> list[Way]:
    """The ways to all in a JSON value that is no object and no list."""
    if isinstance(value, dict):
        return [inner for name, one in value.items() for inner in ways(one, (*way, name))]
    if isinstance(value, list):
        return [inner for place, one in enumerate(value) for inner in ways(one, (*way, place))]
    return [way]


def at(document: Any, way: Way) -> Any:
    """What stands there."""
    for step in way:
        document = document[step]
    return document


def path_of(way: Way) -> str:
    """A way as the table writes it: a.b[].c"""
    text = ""
    for step in way:
        text += "[]" if isinstance(step, int) else f".{step}" if text else step
    return text


def with_value(kind: type[Data], plain: dict[str, Any], values: dict[Way, Any]) -> Data | None:
    """A statement with other values in these places; None where the schema does not allow one of them."""
    changed = json.loads(json.dumps(plain))
    for way, value in values.items():
        at(changed, way[:-1])[way[-1]] = value
    try:
        return kind.model_validate_json(json.dumps(changed))
    except ValidationError:
        return None


def there_and_back(data: Data) -> tuple[list[str], list[tuple[str, dict[str, Any]]]]:
    """The messages that a statement is sent as, and the statements they are read as: type and data."""
    source = "/harbour-works/smt/line-1/cfx"
    fact = Fact(1, 1, source, "gen", 1, 0, 1, data.TYPE, "2026-03-02T08:15:04Z", _plain(data))
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
        back += [(one.data.TYPE, _plain(one.data)) for one in reading.statements]
    return [message.name for message in sent], back


def kept_of(data: Data, back: list[tuple[str, dict[str, Any]]]) -> list[str]:
    """The fields of a statement that one of those it came back as holds with the same value."""
    got = [dict(_paths(one)) for _, one in back]
    return [path for path, value in _wanted(data).items() if any(one.get(path) == value for one in got)]


def _wanted(data: Data) -> dict[str, Any]:
    found = dict(_paths(_plain(data)))
    return {path: value for path, value in found.items() if path.split(".")[0].split("[")[0] not in _OURS}


def _plain(data: Data) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(data.model_dump_json(exclude_none=True))
    return plain


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
        "A message that cannot be told (a machine that `machines` does not name, no JSON, a field out of its form) is kept as",
        "rejected, its bytes in the edge's raw archive. Mend the configuration or bring the program up to date, start the edge again,",
        "then `broker-bridge quarantine retry`: the bytes are read again, and what they say is told one revision higher. The edge",
        "remembers the last 10,000 rejected messages; where two messages came under one UniqueID neither is retried, as the one would",
        "hide the other: the record shows both.",
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
        "Carried in the standard's form only: a slot of a magazine and a lane of a feeder that are whole numbers, a GUID, a state",
        "or a moisture level that the standard has. Identifiers that are placeholders (`placeholders` of the adapter) name nothing; a",
        "board that is called as its panel is not told apart from it; a dot in a designator begins its termination, a comma or",
        "semicolon the next one. A count of places without how many were looked at is not sent.",
        "",
        "| event | sent as | comes back as | in the standard's form only | not carried |",
        "|---|---|---|---|---|",
    ]
    for name in sorted(SENT):
        one = carried(DATA_TYPES[name])
        columns = (one.sent, one.back, one.formal, one.lost)
        lines.append(f"| {name} | {' | '.join(map(_listed, columns))} |")
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
