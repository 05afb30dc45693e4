"""What persons state, from request to taking: garbled requests are refused, a request offered again is taken once."""

import asyncio
import json
from collections.abc import Mapping, Sequence

import pytest

from broker_bridge.adapters.assertions.adapter import PersonsAdapter
from broker_bridge.adapters.assertions.mapping import taking
from broker_bridge.adapters.base import Request, Taking
from broker_bridge.config import AssertionsAdapter
from broker_bridge.errors import MappingError

SAID = {
    "claim": "note", "who": "op-7", "why": "scratch", "origin": {"adapter": "somebody"},
    "boards": [{"identifiers": [{"kind": "board", "value": "A", "how": "typed"}]}],
}  # fmt: skip
ARGUMENTS = {"key": "k1", "data": json.dumps(SAID), "asked": "2026-03-02T10:00:00+00:00"}


def test_a_request_is_one_event_named_by_its_key() -> None:
    one = taking(ARGUMENTS, "desk")
    (statement,) = one.statements
    assert (one.generation, one.position, one.revision, statement.subject) == ("k1", 0, 1, "A")
    assert statement.data.origin.adapter == "desk"
    assert statement.time.isoformat() == "2026-03-02T10:00:00+00:00"


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"data": "{"}, "JSON"),
        ({"data": json.dumps(SAID | {"claim": "believe"})}, "claim"),
        ({"data": json.dumps(SAID | {"surname": "Doe"})}, "surname"),
        ({"asked": "yesterday"}, "yesterday"),
        ({"key": None}, "key"),
    ],
)
def test_what_is_no_assertion_is_refused_with_its_place(changed: dict[str, str | None], told: str) -> None:
    arguments = {name: value for name, value in (ARGUMENTS | changed).items() if value is not None}
    with pytest.raises(MappingError, match=told):
        taking(arguments, "desk")


class Writer:
    """A source writer that offers some requests until they are answered."""

    source = "/harbour/smt/line-1/desk"

    def __init__(self, *requests: Request, answers: bool = True) -> None:
        self.open = list(requests)
        self.taken: list[Taking] = []
        self.kept: dict[str, bytes] = {}
        self.answered: list[str] = []
        self._answers = answers
        self.enough = asyncio.Event()
        self.wanted = 0

    async def take(
        self,
        takings: Sequence[Taking],
        state: Mapping[str, bytes | None] | None = None,
        *,
        reserved: bool = False,
    ) -> int:
        self.taken += takings
        self.kept.update({key: value for key, value in (state or {}).items() if value is not None})
        return len(takings)

    async def state(self, key: str) -> bytes | None:
        return self.kept.get(key)

    async def requests(self) -> list[Request]:
        return list(self.open)

    async def answer(self, request: Request, outcome: str) -> None:
        self.answered.append(outcome)
        if len(self.answered) >= self.wanted:
            self.enough.set()
        if self._answers:
            self.open.remove(request)

    def count(self, **counters: int) -> None: ...

    def report(self, condition: str, detail: str = "") -> None: ...


def answered(writer: Writer, count: int) -> list[str]:
    adapter = PersonsAdapter(
        AssertionsAdapter(kind="assertions", name="desk", area="smt", line="line-1", poll_s=0.001)
    )

    async def life() -> None:
        writer.wanted = count
        task = asyncio.create_task(adapter.run(writer))  # type: ignore[arg-type]
        async with asyncio.timeout(10):
            await writer.enough.wait()
        task.cancel()
        await asyncio.wait({task})

    asyncio.run(life())
    return writer.answered[:count]


def test_one_that_is_offered_again_after_a_crash_is_only_answered_again() -> None:
    writer = Writer(Request(1, "assert", ARGUMENTS), answers=False)
    assert answered(writer, 3) == ["taken: k1.0.0.1"] * 3
    assert len(writer.taken) == 1


def test_other_requests_are_refused() -> None:
    writer = Writer(Request(1, "retry", {"all": "yes"}), Request(2, "assert", {"key": "k"}))
    first, second = answered(writer, 2)
    assert "'retry' is nothing this source can do" in first
    assert second.startswith("refused: ")
    assert writer.taken == []
