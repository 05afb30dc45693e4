"""Pure: what one fact adds to the index."""

import json
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.events.fact import Fact
from broker_bridge.trace.gaps import EVER, NEVER, REJECTED, RELEVANT, extent
from broker_bridge.trace.mentions import Mention, Node, mentions, ties
from broker_bridge.trace.readings import READING
from broker_bridge.trace.route import DECLARED
from broker_bridge.trace.setups import CHANGED, LOADED, PASTE, PLANNED, PROGRAM, contents, marked
from broker_bridge.trace.statements import Statement, instant
from broker_bridge.trace.unnamed import names_no_board
from broker_bridge.trace.uses import REWORKED

FIRST: Final = -(2**62)
LAST: Final = 2**62
"""Instants for "not known since when" and "not known until when"."""

ITSELF: Final = 0
SOMEWHERE: Final = -1
"""Places of a name that is no position: see the table `named`."""

SAME: Final = 0
PART: Final = 1
WHOLE: Final = 2
_REVERSE: Final = {SAME: SAME, PART: WHOLE}

_REACHES: Final = tuple(1_000_000 * seconds for seconds in (60, 3600, 86_400, 30 * 86_400))

_FAR: Final = LAST - FIRST - 1
"""The greatest integer there is in SQLite."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class Notice(NamedTuple):
    """A fact that tells what may be missing on a line, or what the line is; instants in microseconds."""

    line: str
    """/site/area/line; for a declaration /site/line of the line it declares; else what it is filed under (`part_file`,
    `magazine_file`, `verification_file`, `undated_file` ...)."""
    since: int
    until: int


TieRow = tuple[Node, int, Node, int]
"""a, relation, b, position."""


def places(found: tuple[Mention, ...]) -> list[tuple[Node, int]]:
    """The names of some mentions, and as what each stands there."""
    rows: list[tuple[Node, int]] = []
    for mention in found:
        for name in mention.names:
            rows.append((name.node, ITSELF))
        if mention.panel is not None:
            rows.append((mention.panel.node, mention.position or SOMEWHERE))
    return rows


def tie_rows(fact: Fact, found: tuple[Mention, ...]) -> list[TieRow]:
    """The ties of a fact, each both ways."""
    rows: list[TieRow] = []
    for relation, a, b, position in ties(fact, found):
        kind = SAME if relation == "same" else PART
        if a != b:
            rows.append((a, kind, b, position or 0))
            rows.append((b, _REVERSE[kind], a, position or 0))
    return rows


def notice(fact: Fact, found: tuple[Mention, ...]) -> Notice | None:
    """What a fact tells about its line."""
    if fact.type == DECLARED:
        return Notice(declared_line(fact.source, fact.data["line"]), FIRST, LAST)
    if (file := _file(fact, found)) is not None:
        until = fact.data.get("until") if fact.type == READING else None
        return Notice(file, microseconds(instant(fact.time)), microseconds(instant(until or fact.time)))
    if fact.type not in RELEVANT:
        return None
    since, until = map(microseconds, extent(Statement(fact, instant(fact.time), ())))
    undated = fact.type == REJECTED and since == FIRST
    return Notice(undated_file(fact.source) if undated else line_of(fact.source), since, until)


def reach(since: int, until: int) -> int:
    """The shortest of a few lengths that a span does not exceed, in microseconds.

    What touches a time is then found by its beginning: it began no longer before that time than its reach.
    """
    return next((length for length in _REACHES if until - since <= length), _FAR)


def part_file(source: str, number: str) -> str:
    """What declarations of a part are filed under: its placement, panel layout and limits."""
    return f"/{source.split('/')[1]}/part:{number}"


def magazine_file(source: str, magazine: str) -> str:
    """What is filed of a magazine: what was done to it, what went in and what came out."""
    return f"/{source.split('/')[1]}/magazine:{magazine}"


def verification_file(source: str) -> str:
    """What verifications of inspection machines are filed under."""
    return f"/{source.split('/')[1]}/verifications:"


def reading_file(line: str, station: str) -> str:
    """What readings of a station of a line (/site/area/line) are filed under."""
    return f"{line}/readings:{station}"


def unnamed_file(line: str) -> str:
    """What statements of a line (/site/area/line) that name no board are filed under."""
    return f"{line}/unnamed:"


def undated_file(source: str) -> str:
    """What rejected records of a source that may be of any time before they were saved are filed under."""
    return f"{source}/undated:"


def _file(fact: Fact, found: tuple[Mention, ...]) -> str | None:
    if fact.type == READING:
        station = fact.data.get("station")
        return (
            reading_file(line_of(fact.source), station) if station and not fact.data.get("boards") else None
        )
    if fact.type == "line.part_declared":
        part = fact.data.get("part")
        return part_file(fact.source, part["number"]) if part else None
    if fact.type == "inspection.verified":
        return verification_file(fact.source)
    magazine = fact.data.get("magazine")
    if magazine:
        return magazine_file(fact.source, magazine)
    return unnamed_file(line_of(fact.source)) if names_no_board(fact, found) else None


class MarkRow(NamedTuple):
    """What a fact says of what a station had set up."""

    line: str
    station: str
    family: str
    slot: str
    since: int
    proven: bool
    jar: str


_PROGRAMS: Final = {PLANNED: PROGRAM, CHANGED: LOADED}


def mark_row(fact: Fact) -> MarkRow | None:
    """What a fact adds to what is known of a station's set-ups (trace.setups)."""
    if fact.type in _PROGRAMS and fact.data.get("station"):
        family, slot, proven = _PROGRAMS[fact.type], "", True
    elif (found := marked(fact)) is not None:
        family, slot, _, proven = found
    else:
        return None
    since = microseconds(instant(fact.time))
    jar = ""
    if family == PASTE:
        stated = fact.data.get("paste") or fact.data.get("material") or {}
        jar = stated.get("id") or json.dumps(stated.get("lots") or ())
    elif family in (PROGRAM, LOADED):
        jar = fact.data["program"]["name"]
    return MarkRow(line_of(fact.source), fact.data["station"], family, slot, since, proven, jar)


_USING: Final = {"material.installed": "material", "work.print_attempted": "paste", REWORKED: "actions"}


def nameless_rows(fact: Fact, found: tuple[Mention, ...]) -> list[tuple[str, str, int, str, str, int]]:
    """Material that a fact says was used for a board it does not name: rows of the table."""
    if fact.type not in _USING or not fact.data.get("station"):
        return []
    if any(mention.names or mention.panel is not None for mention in found):
        return []
    if fact.type == REWORKED:
        used = [m for action in fact.data.get("actions") or () if (m := action.get("installed"))]
    else:
        used = [fact.data.get(_USING[fact.type]) or {}]
    where = fact.number, line_of(fact.source), fact.data["station"], microseconds(instant(fact.time))
    rows: set[tuple[str, str]] = set()
    for stated in used:
        words = {*(stated.get("lots") or ()), *([stated["id"]] if stated.get("id") else ())} or {""}
        rows |= {(word, stated.get("part") or "") for word in words}
    return [(word, part, *where) for word, part in sorted(rows)]


def container_rows(fact: Fact) -> list[tuple[str, str]]:
    """Which lots a fact says a container holds: its id, and the lots as a JSON list."""
    return [(container, json.dumps(lots)) for container, lots in contents(fact)]


def revokes(fact: Fact) -> tuple[str, str] | None:
    """Source and id of the assertion that a fact revokes."""
    reference = fact.data.get("revokes") if fact.type == "board.asserted" else None
    return (reference["source"], reference["id"]) if reference else None


def line_of(source: str) -> str:
    """The line a source belongs to: /site/area/line."""
    return source.rpartition("/")[0]


def declared_line(source: str, line: str) -> str:
    """How declarations of a line are filed: by site and line, whoever declares them."""
    return f"/{source.split('/')[1]}/{line}"


def microseconds(time: datetime) -> int:
    """An instant as the index keeps it; FIRST and LAST stand for the ends of all time."""
    if time <= EVER:
        return FIRST
    return LAST if time >= NEVER else (time - _EPOCH) // timedelta(microseconds=1)


__all__ = [
    "FIRST",
    "ITSELF",
    "LAST",
    "PART",
    "SAME",
    "SOMEWHERE",
    "WHOLE",
    "MarkRow",
    "Notice",
    "container_rows",
    "declared_line",
    "line_of",
    "magazine_file",
    "mark_row",
    "mentions",
    "microseconds",
    "notice",
    "part_file",
    "places",
    "reach",
    "reading_file",
    "revokes",
    "tie_rows",
    "undated_file",
    "verification_file",
]  # fmt: skip
