"""Events read without their models are what the models read; whatever is not is left to them."""

import json
import random
import re
from datetime import timedelta
from typing import Annotated, Any

import orjson
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ConfigDict, Field, computed_field, field_serializer, field_validator
from strategies import events

from broker_bridge.errors import WireError
from broker_bridge.events import canonical
from broker_bridge.events.base import Model
from broker_bridge.events.canonical import read_canonical
from broker_bridge.events.union import DATA_TYPES, dump_event, parse_event

KEPT_OUT = {"source.gap", "board.asserted", "reading.paste_measured"}
"""What the store needs as a model, or has constraints that only the models know."""
LEFT = re.compile(rb'[+-]\d\d:\d\d"|\\u|\de[+-]?\d')
"""What may be left to the models: texts like times in other zones, characters and numbers that two writers spell in two ways."""
every_type = pytest.mark.parametrize("type_name", sorted(DATA_TYPES))
few = settings(max_examples=5, suppress_health_check=[HealthCheck.too_slow])


def same(event: Any, raw: bytes) -> None:
    """What was read is what the models read."""
    told = parse_event(raw)
    assert orjson.loads(dump_event(told)) == orjson.loads(raw)
    for name in ("id", "source", "type", "time", "sequence", "epoch"):
        assert getattr(event, name) == getattr(told, name)
    assert event.time.utcoffset() == timedelta(0)
    assert (event.data.station or None) == told.data.station
    assert set(told.data.model_fields_set) <= set(event.data.__struct_fields__)


def arrived(**changes: Any) -> dict[str, Any]:
    """A valid event in our own spelling, as JSON values in order, with changes to its envelope."""
    return {
        "specversion": "1.0", "id": "g.1.0.0", "source": "/harbour/smt/l1/paste", "type": "board.arrived",
        "subject": "A1", "time": "2026-03-02T08:15:30.500000Z", "datacontenttype": "application/json",
        "dataschema": "urn:broker-bridge:event:board.arrived:1", "recordedtime": "2026-03-02T08:15:31Z",
        "sequence": "00000000000000000007", "epoch": "00000000000000000001",
        "data": about(),
    } | changes  # fmt: skip


def about(**changes: Any) -> dict[str, Any]:
    """Its data."""
    return {
        "station": "print", "candidates": [], "lane": 1, "boards": [],
        "origin": {"adapter": "paste", "events": 1, "flags": []}, "how": "loaded",
    } | changes  # fmt: skip


def spelt(document: dict[str, Any]) -> bytes:
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "surrogatepass")


@every_type
@few
@given(data=st.data())
def test_what_this_program_writes_is_read(type_name: str, data: st.DataObject) -> None:
    raw = dump_event(data.draw(events(type_name)))
    event = read_canonical(raw)
    if event is not None:
        assert type_name not in KEPT_OUT
        same(event, raw)
    else:
        assert type_name in KEPT_OUT or LEFT.search(raw)


def test_an_event_in_our_spelling_is_read() -> None:
    raw = spelt(arrived())
    event = read_canonical(raw)
    assert event is not None
    same(event, raw)


@every_type
@few
@given(data=st.data(), seed=st.integers(0, 2**32))
def test_what_is_spoilt_is_read_only_where_the_models_read_the_same(
    type_name: str, data: st.DataObject, seed: int
) -> None:
    raw = dump_event(data.draw(events(type_name)))
    chance = random.Random(seed)
    for _ in range(60):
        bad = bytearray(raw)
        for _ in range(chance.randrange(1, 4)):
            at = chance.randrange(len(bad))
            match chance.randrange(4):
                case 0:
                    bad[at] = chance.choice(b'0129-+:.Z"{}[],\\nu\x00\x7f\xffe ')
                case 1:
                    del bad[at : at + chance.randrange(1, 9)]
                case 2:
                    end = at + chance.randrange(1, 60)
                    bad[at:at] = bad[at:end]
                case _:
                    other = chance.randrange(len(bad))
                    bad[at : at + 8], bad[other : other + 8] = bad[other : other + 8], bad[at : at + 8]
        event = read_canonical(bytes(bad))
        if event is not None:
            same(event, bytes(bad))


@pytest.mark.parametrize(
    "raw",
    [
        b"", b"{}", b"[]", b"null", b"\xef\xbb\xbf" + spelt(arrived()), b" " + spelt(arrived()), spelt(arrived()) + b"\n",
        json.dumps(arrived()).encode(),  # with blanks: valid, but not our spelling
        spelt(arrived(type="board.gone")), spelt(arrived(type="board.departed")), spelt(arrived(later=1)),
        spelt(arrived(specversion="1.1")), spelt({n: v for n, v in arrived().items() if n != "specversion"}),
        spelt(arrived(id="g.1.0.0\n")), spelt(arrived(id="g.01.0.0")), spelt(arrived(id="é.1.0.0")), spelt(arrived(id=1)),
        spelt(arrived(source="/harbour/smt/l1/paste\n")), spelt(arrived(source="/a/b/c")), spelt(arrived(sequence="7")),
        spelt(arrived(sequence="٠" * 20)), spelt(arrived(epoch="0" * 20 + "\n")), spelt(arrived(subject="")),
        spelt(arrived(subject="a\x1db")), spelt(arrived(subject="a" * 513)), spelt(arrived(subject=None)),
        spelt(arrived(subject="a\u2028b\uffff")), spelt(arrived(rawname="a\x00")), spelt(arrived(subject="\ud800")),
        *[spelt(arrived(time=time)) for time in (
            "2026-02-30T08:15:30Z", "2026-03-02T08:15:60Z", "2026-03-02T24:00:00Z", "2026-03-02 08:15:30Z", "2026-03-02T08:15:30",
            "2026-03-02T08:15:30+02:00", "2026-03-02T08:15:30+00:00", "2026-03-02T08:15:30.5Z", "2026-03-02T08:15:30.1234567Z",
            "0001-01-01T00:00:00+00:01", "9999-12-31T23:59:59-00:01", "2026-03-02t08:15:30z", "1772439330", 1772439330, None)],
        *[spelt(arrived(data=about(**one))) for one in (
            {"station": "print\n"}, {"station": "Print"}, {"station": ""}, {"lane": 0}, {"lane": 100}, {"lane": "1"}, {"lane": 1.0},
            {"lane": True}, {"lane": None}, {"how": "thrown"}, {"how": None}, {"candidates": ["A"]}, {"later": 1},
            {"boards": [{}]}, {"boards": {}}, {"origin": {}}, {"origin": {"adapter": "paste", "events": 0, "flags": []}},
            {"equipment": "a\x00b"}, {"equipment": "x" * 513}, {"equipment": ""}, {"equipment": 7},
        )],
        spelt(arrived()).replace(b'"lane":1', b'"lane":1,"lane":2'), spelt(arrived()).replace(b'"lane":1', b'"lane":NaN'),
        spelt(arrived()).replace(b'"lane":1', b'"lane":-0'), spelt(arrived()).replace(b'"lane":1', b'"lane":1e0'),
        spelt(arrived()).replace(b'"lane"', b'"l\\u0061ne"'), spelt(arrived()).replace(b"A1", b"\xff"),
        spelt(arrived()).replace(b'"subject":"A1"', b'"subject":"A1","subject":"A2"'), b"[" * 100_000,
    ],
)  # fmt: skip
def test_what_is_not_valid_or_spelt_otherwise_is_left_to_the_models(raw: bytes) -> None:
    assert read_canonical(raw) is None


def test_times_in_other_zones_within_the_data_are_left_to_the_models() -> None:
    """As an instant of the year 1 that lies in the year 0 in UTC."""
    raw = spelt(
        arrived(
            type="work.completed", dataschema="urn:broker-bridge:event:work.completed:1",
            data={"station": "print", "candidates": [], "boards": [], "origin": {"adapter": "paste", "events": 1, "flags": []},
                  "work": "print", "started": "0001-01-01T00:00:00+00:01"},
        )
    )  # fmt: skip
    assert read_canonical(raw) is None
    with pytest.raises(WireError):
        parse_event(raw)


class Limited(Model):
    """What is said behind a field is seen too."""

    x: int = Field(ge=1)


class LimitedWhenGiven(Model):
    x: int | None = Field(default=None, ge=1)


class Few(Model):
    x: tuple[int, ...] = Field(default=(), max_length=1)


class Elsewhere(Model):
    x: int = Field(validation_alias="y")


class Hidden(Model):
    x: int = Field(default=1, exclude=True)


class HiddenWithin(Model):
    x: Annotated[int, Field(exclude=True)] = 1


class Spelt(Model):
    x: int

    @field_serializer("x")
    def _spelt(self, x: int) -> str:
        return str(x)


class Worked(Model):
    x: int

    @computed_field  # type: ignore[prop-decorator]
    @property
    def y(self) -> int:
        return self.x


class Short(Model):
    model_config = ConfigDict(str_max_length=3)
    x: str


class Checked(Model):
    x: int

    @field_validator("x")
    @classmethod
    def _even(cls, x: int) -> int:
        return x


@pytest.mark.parametrize(
    "model",
    [Limited, LimitedWhenGiven, Few, Elsewhere, Hidden, HiddenWithin, Spelt, Worked, Short, Checked],
)
def test_a_model_with_what_is_not_understood_is_kept_out(model: type[Model]) -> None:
    with pytest.raises(canonical._Unknown):
        canonical._struct(model)


def test_a_long_event_is_left_to_the_models() -> None:
    assert read_canonical(spelt(arrived(data=about(candidates=["a"] * 1_000)))) is not None
    assert read_canonical(spelt(arrived(data=about(candidates=["a"] * 20_000)))) is None
