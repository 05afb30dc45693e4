"""What the page of a recall shows. Pure: an answer in."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple

from broker_bridge.trace.inspections import Place
from broker_bridge.trace.recall import Answer, Asked, Member, Use, named, place_words
from broker_bridge.web.pages import addresses
from broker_bridge.web.pages.texts import token
from broker_bridge.words.materials import runs
from broker_bridge.words.recall import name

SHOWN: Final = 300
"""Members of each list that a page shows; the download has all."""
_USES: Final = 4


class UseRow(NamedTuple):
    """How one member has it."""

    where: str
    places: str
    time: datetime
    certainty: str
    doubt: str
    """Why it is not observed; empty where it is."""


class MemberRow(NamedTuple):
    """A board."""

    name: str
    address: str
    panel: str
    now: str
    uses: tuple[UseRow, ...]
    more: int
    """Uses that are not shown."""
    gone: bool
    """It carries it no more."""


class MemberList(NamedTuple):
    """Members of one kind."""

    title: str
    key: str
    total: int
    rows: tuple[MemberRow, ...]
    more: int


class Count(NamedTuple):
    """How many are where."""

    where: str
    exact: int
    possible: int


class LotView(NamedTuple):
    """A recall."""

    title: str
    answer: Answer
    lists: tuple[MemberList, ...]
    now: tuple[Count, ...]
    table: str
    data: str
    asked: Mapping[str, str]
    """As the form to freeze it sends it."""


def lot_view(found: Answer) -> LotView:
    """The view."""
    asked = fields(found.asked)
    return LotView(
        title=named(found.asked),
        answer=found,
        lists=tuple(
            _listed(title, key, members)
            for title, key, members in (("For sure", "exact", found.exact), ("Possible", "possible", found.possible))
            if members
        ),
        now=tuple(
            Count(place_words(one.state, one.end, one.station), one.exact, one.possible)
            for one in found.now
        ),
        table=addresses.to("/api/v1/where-used.csv", **asked),
        data=addresses.to("/api/v1/where-used", **asked),
        asked=asked,
    )  # fmt: skip


_NAMES: Final = {"container": "reel", "from_": "since", "to": "until", "exceeded": "exceeded_life"}


def fields(asked: Asked) -> dict[str, str]:
    """A question as addresses and forms spell it."""
    told: dict[str, str] = {}
    for field, value in zip(asked._fields, asked, strict=True):
        if value not in (None, False):
            text = (
                value.isoformat() if isinstance(value, datetime) else "true" if value is True else str(value)
            )
            told[_NAMES.get(field, field)] = text
    return told


def _listed(title: str, key: str, members: Sequence[Member]) -> MemberList:
    return MemberList(
        title, key, len(members), tuple(_member(one) for one in members[:SHOWN]), max(0, len(members) - SHOWN)
    )


def _member(one: Member) -> MemberRow:
    carried = any(use.slot is not None or use.designators for use in one.uses)
    return MemberRow(
        name=name(one),
        address=addresses.board(one.value, None if one.kind == "board" else one.kind, one.position),
        panel=f"{one.panel}/{one.panel_position}" if one.panel and one.panel_position else one.panel or "",
        now=place_words(one.state, one.end, one.station, token(one.since) if one.since else ""),
        uses=tuple(_uses(one.uses)),
        more=max(0, len(one.uses) - _USES),
        gone=carried and not any(use.now for use in one.uses),
    )


def _uses(uses: Sequence[Use]) -> Iterable[UseRow]:
    for use in uses[:_USES]:
        where = " ".join(part for part in (use.station, use.side, use.slot and f"slot {use.slot}") if part)
        share = "" if use.probability is None else f" (probability {use.probability:g})"
        yield UseRow(
            where=where or "place not known",
            places=runs([Place(designator) for designator in use.designators]),
            time=use.from_,
            certainty=use.certainty,
            doubt="" if use.certainty == "observed" else f"{use.certainty}{share}: {use.reason}",
        )


class FrozenView(NamedTuple):
    """A frozen answer beside today's."""

    name: str
    then: Mapping[str, Any]
    commit: int
    record: str
    intact: bool
    today: str
    address: str
    """Of the same question, asked today."""
    data: str
    differences: tuple[tuple[str, tuple[str, ...]], ...]


def frozen_view(
    name: str, document: Mapping[str, Any], intact: bool, today: Answer, different: Any
) -> FrozenView:
    """The view. `different`: as `queries.frozen.compared` tells it."""
    then = document["answer"]
    return FrozenView(
        name=name,
        then=then,
        commit=then["as_of"]["commit"],
        record=then["as_of"]["record"],
        intact=intact,
        today=today.summary,
        address=addresses.lot(**fields(today.asked)),
        data=f"/api/v1/frozen/{name}",
        differences=tuple(
            (title, tuple(listed))
            for title, listed in (
                ("new", different.added), ("no longer", different.gone), ("now for sure", different.surer),
                ("elsewhere", different.moved),
            )
        ),
    )  # fmt: skip
