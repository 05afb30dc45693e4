"""A fact opened up: when it happened, whom it names, and where that is written."""

from collections.abc import Collection, Iterable
from datetime import UTC, datetime
from typing import Any, Final

from broker_bridge.events.fact import Fact
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.mentions import Mention, Node, mentions
from broker_bridge.trace.value import Value, once

PLACEHOLDERS: Final = frozenset(
    {
        "noread",
        "no_read",
        "no-read",
        "no read",
        "nocode",
        "none",
        "null",
        "n/a",
        "na",
        "unknown",
        "dummy",
        "error",
    }
)
"""Texts that machines and persons put where an identifier should stand, in lower case; common practice, no
source. A text of nothing but zeros, question marks, dashes, stars or dots is one too."""


class Statement(Value):
    """A fact that holds, opened up."""

    fact: Fact
    time: datetime
    mentions: tuple[Mention, ...]
    """Placeholders are left out: they name nothing."""

    @once
    def evidence(self) -> Evidence:
        """Where it is written."""
        return Evidence(self.fact.source, self.fact.id)

    @property
    def line(self) -> str:
        """The line its source belongs to: /site/area/line."""
        return self.fact.source.rpartition("/")[0]

    @property
    def cut(self) -> bool:
        """Whether its record stood in a last line without an end: what it says may go on behind it."""
        return "unterminated" in (self.fact.data["origin"].get("flags") or ())

    def get(self, name: str) -> Any:
        """A field of the data, None where it is absent."""
        return self.fact.data.get(name)

    def instant(self, name: str) -> datetime | None:
        """A time of the data, None where it is absent."""
        text = self.fact.data.get(name)
        return instant(text) if text else None

    @property
    def time_means(self) -> str | None:
        """What the fact's time is the time of, as its origin states it."""
        meaning: str | None = self.fact.data["origin"].get("time_means")
        return meaning


def instant(text: str) -> datetime:
    """An RFC 3339 time as the record holds it, in UTC."""
    return datetime.fromisoformat(text.upper()).astimezone(UTC)


def is_placeholder(value: str, placeholders: Collection[str] = PLACEHOLDERS) -> bool:
    """Whether an identifier's text stands for "none"."""
    text = value.strip().casefold()
    return text in placeholders or not text.strip("0?-*. ")


def opened(
    facts: Iterable[Fact],
    placeholders: Collection[str] = PLACEHOLDERS,
    crowded: Collection[Node] = (),
) -> list[Statement]:
    """The facts opened up, each once, in an order that depends on nothing but what they say.

    `crowded` are identifiers that name so much that they tell nothing apart; they are left out like placeholders.
    """
    unique = {fact.number: fact for fact in facts}
    read = [(fact, mentions(fact)) for fact in unique.values()]
    names = {name.node for _, found in read for mention in found for name in mention.names}
    names.update(mention.panel.node for _, found in read for mention in found if mention.panel is not None)
    empty = {node for node in names if node in crowded or is_placeholder(node.value, placeholders)}
    result = [
        Statement(fact, instant(fact.time), _telling(found, empty) if empty else found)
        for fact, found in read
    ]
    result.sort(key=_order)
    return result


def together(some: Iterable[Statement], others: Iterable[Statement]) -> list[Statement]:
    """Two lots of opened facts as one, each once, in the same order."""
    unique = {statement.fact.number: statement for statement in (*others, *some)}
    return sorted(unique.values(), key=_order)


def _telling(found: tuple[Mention, ...], empty: Collection[Node]) -> tuple[Mention, ...]:
    result = []
    for mention in found:
        if any(name.node in empty for name in mention.names):
            mention = mention._replace(names=tuple(name for name in mention.names if name.node not in empty))
        if mention.panel is not None and mention.panel.node in empty:
            mention = mention._replace(panel=None, position=None)
        result.append(mention)
    return tuple(result)


def _order(statement: Statement) -> tuple[datetime, str, str, int, int, int, int]:
    fact = statement.fact
    return (
        statement.time, fact.source, fact.generation, fact.position, fact.ordinal, fact.revision, fact.number,
    )  # fmt: skip
