"""A person's statement about boards, on its way into the record: made of words, asked of the edge, receipted.

It is taken into the outbox of this machine's edge like any other event. Where no edge runs nothing is written.
"""

import asyncio
import json
import time
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.errors import BusUnavailable, NotFound, UsageError
from broker_bridge.queries.acting import check_name, edge_needed, pseudonym, reason
from broker_bridge.trace.value import Value

if TYPE_CHECKING:
    from broker_bridge.config import Settings
    from broker_bridge.queries.record import Record

CLAIMS: Final = (
    "same", "not-same", "part-of", "not-part-of", "visited", "not-visited", "note", "held", "released", "outcome",
)  # fmt: skip
_NEEDED: Final[Mapping[str, tuple[str, ...]]] = {
    "part-of": ("of",), "not-part-of": ("of",), "visited": ("station", "happened"), "not-visited": ("station",),
    "outcome": ("corrects", "outcome"), "revoked": ("revoke",),
}  # fmt: skip


class Claim(Value):
    """What a person states, in words. Boards, and what is corrected or revoked, as a person calls them: a serial, I2, N1."""

    claim: str
    """One of CLAIMS, or revoked."""
    ids: tuple[str, ...]
    who: str
    why: str
    of: str | None = None
    position: int | None = None
    station: str | None = None
    happened: str | None = None
    hold: str | None = None
    corrects: str | None = None
    outcome: str | None = None
    revoke: str | None = None
    evidence: tuple[str, ...] = ()


class Stated(Value):
    """A statement that the edge has taken."""

    source: str
    id: str
    receipted: bool
    """Whether the record has it; else it is in the outbox and will be sent."""
    who: str
    """The pseudonym that stands in it."""
    data: Mapping[str, Any]


def state(
    record: "Record", settings: "Settings", claim: Claim, adapter: str | None, patience: float
) -> Stated:
    """Put a claim into the record. `patience`: seconds to wait for the edge, and again for the receipt.

    Raises UsageError for a claim that is none, NotFound for a board that is none, ConfigError without an adapter for it,
    BusUnavailable when no edge runs or it does not answer: nothing was written then.
    """
    source = source_for(settings, claim, adapter)
    outbox = settings.edge.outbox
    edge_needed(settings)
    # A pseudonym before anything is kept, the request included.
    claim = claim._replace(who=pseudonym(settings, claim.who), why=reason(claim.why))
    data = _data(record, claim, source)
    taken = _ask(outbox, source, data, patience)
    if not taken.startswith("taken: "):
        raise UsageError(taken)
    event = taken.removeprefix("taken: ")
    return Stated(source, event, _receipted(outbox, source, event, patience), claim.who, json.loads(data))


def _check(claim: Claim) -> None:
    if claim.claim not in (*CLAIMS, "revoked"):
        raise UsageError(f"{claim.claim!r} is no claim; there are {', '.join(CLAIMS)}, and revoked")
    check_name(claim.who)
    reason(claim.why)
    if not claim.ids:
        raise UsageError("about which board? name at least one")
    if claim.claim in ("same", "not-same") and len(claim.ids) < 2:
        raise UsageError(f"{claim.claim} needs two identifiers or more")
    for option in _NEEDED.get(claim.claim, ()):
        if getattr(claim, option) is None:
            raise UsageError(f"a claim of {claim.claim} needs {option!r}")


def source_for(settings: "Settings", claim: Claim, name: str | None) -> str:
    """Who would say it, /site/area/line/adapter. Raises UsageError for a claim that is none, ConfigError."""
    from broker_bridge.config import AssertionsAdapter
    from broker_bridge.errors import ConfigError

    _check(claim)

    found = [a for a in settings.adapters if isinstance(a, AssertionsAdapter) and name in (None, a.name)]
    if not found:
        raise ConfigError(
            "the configuration has no adapter for what persons state"
            + (f" that is called {name!r}" if name else "")
            + '; add [[adapters]] with kind = "assertions", name, area and line'
        )
    if len(found) > 1:
        raise UsageError(f"which adapter? adapter = {' or '.join(adapter.name for adapter in found)}")
    return settings.source(found[0])


def _data(record: "Record", claim: Claim, source: str) -> str:
    """The event's data as JSON, valid. Raises UsageError naming what is not."""
    from pydantic import ValidationError

    from broker_bridge.events.board import BoardAsserted
    from broker_bridge.events.union import explain

    about = claim.ids[0]
    boards = [_board(record, text) for text in claim.ids]
    said: dict[str, Any] = {
        "claim": claim.claim.replace("-", "_"),
        "who": claim.who,
        "why": claim.why,
        "boards": boards,
        "station": claim.station,
        "happened": claim.happened,
        "hold": claim.hold,
        "outcome": claim.outcome,
        "evidence": [event for text in claim.evidence for event in _events(record, about, text)],
        "corrects": claim.corrects and _events(record, about, claim.corrects)[0],
        "revokes": claim.revoke and _events(record, about, claim.revoke)[0],
        "of": claim.of and _board(record, claim.of),
        "origin": {"adapter": source.rpartition("/")[2]},
    }
    if claim.position is not None:
        boards[0]["position"] = claim.position
    text = json.dumps({name: value for name, value in said.items() if value is not None})
    try:
        BoardAsserted.model_validate_json(text, strict=True)
    except ValidationError as error:
        raise UsageError(explain(error)) from None
    return text


def _board(record: "Record", text: str) -> dict[str, Any]:
    """An identifier as an event names it: KIND=VALUE, or a value the record knows as one kind."""
    kind, equals, value = text.partition("=")
    if not equals:
        kinds = sorted({node.kind for node in record.index.nodes(text, record.as_of().number)})
        if not kinds:
            raise NotFound(
                f"{text!r} is not in the record; if it is right all the same, say its kind: board={text}"
            )
        kind, value = ("board" if "board" in kinds else kinds[0]), text
        if len(kinds) > 1 and "board" not in kinds:
            raise UsageError(f"{text!r} is known as {' and '.join(kinds)}: say which, {kinds[0]}={text}")
    unit = kind if kind in ("board", "panel", "assembly") else "unknown"
    return {"unit": unit, "identifiers": [{"kind": kind, "value": value, "how": "typed"}]}


def _events(record: "Record", identifier: str, text: str) -> list[dict[str, str]]:
    """The events behind a statement of the board's history, or the one that is named by source and id."""
    from broker_bridge.queries.boards import board
    from broker_bridge.trace.references import find

    source, blank, event = text.partition(" ")
    if blank:
        record.reader.number_of(source, event)
        return [{"source": source, "id": event}]
    kind, equals, value = identifier.partition("=")
    history = board(record, value if equals else identifier, kind=kind if equals else None)
    one = find(history, text)
    if one is None or not one.statement.evidence:
        raise UsageError(f"{text!r} is no statement of the history of {identifier}, and no 'SOURCE EVENT'")
    return [{"source": e.source, "id": e.id} for e in one.statement.evidence]


def _ask(outbox: Path, source: str, data: str, patience: float) -> str:
    from broker_bridge.edge import requests

    now = datetime.now(UTC)
    request = {"key": uuid.uuid4().hex, "data": data, "asked": now.isoformat()}
    number = asyncio.run(requests.ask(outbox, source, "assert", request, now))
    end = time.monotonic() + patience
    while (outcome := requests.outcome(outbox, number)) is None and time.monotonic() < end:
        time.sleep(0.1)
    if outcome is None and asyncio.run(requests.withdraw(outbox, number, datetime.now(UTC))):
        raise BusUnavailable(
            f"the edge did not answer within {patience:g} s: the request was withdrawn. Should the edge have been about"
            f" to take it at this very moment, it is event {request['key']}.0.0.1 of {source}"
        )
    return outcome or requests.outcome(outbox, number) or "no answer"


def _receipted(outbox: Path, source: str, event: str, patience: float) -> bool:
    from broker_bridge.edge import requests

    end = time.monotonic() + patience
    while not (done := requests.receipted(outbox, source, event)) and time.monotonic() < end:
        time.sleep(0.1)
    return done
