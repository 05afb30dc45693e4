"""Pure: what one fact adds to the columns about many boards: rows of fixed size, an entry of its `boards` each.

Numbers stand for names (table `names`) and texts (table `words`), so that millions of rows are read as arrays. Which board a
row is about is told when it is asked for, as of any event: names are tied later, too.
"""

import struct
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any, Final

from broker_bridge.events.fact import Fact
from broker_bridge.projector.entries import microseconds
from broker_bridge.trace.mentions import CARRIERS, Node
from broker_bridge.trace.statements import instant, is_placeholder

LOOKS: Final = ("inspection.completed", "inspection.test_completed")
DECISIONS: Final = ("inspection.reviewed", "inspection.rework_performed", "inspection.paste_topped_up")
INTRODUCTIONS: Final = ("board.introduced", "work.order_assigned", "inspection.verified")

TEACHES, LOOK, DECIDES = 0, 1, 2
"""Kinds of rows: one that says something of a board's part, order or purpose (they all may); a look; a decision."""
SKIPPED, DETAILED = 1, 2
"""Flags: the position was left out of production; there is more in the event (calls, what was not looked at)."""

ALIASES: Final = 4
"""Names besides a board's own that are kept of an entry: of one with more, a board that only the fifth leads to is one that
no name leads to."""

_TEXTS: Final = (
    "station",
    "line",
    "equipment",
    "side",
    "method",
    "part",
    "program",
    "revision",
    "order",
    "purpose",
    "outcome",
    "of",
)
FIELDS: Final[tuple[tuple[str, str], ...]] = (
    ("number", "q"), ("began", "q"), ("ended", "q"),
    ("own", "i"), ("panel", "i"), ("position", "i"), *((f"alias{place}", "i") for place in range(ALIASES)),
    ("kind", "i"), ("flags", "i"), *((name, "i") for name in _TEXTS), ("attempt", "i"), ("inspected", "i"),
)  # fmt: skip
"""The columns of a row and their formats, little-endian. own: the board's serial; panel: of the board, with its position. 0: none.
began and ended in microseconds since 1970. inspected -1: not stated."""
ROW: Final = struct.Struct("<" + "".join(code for _, code in FIELDS))

TIES: Final[tuple[tuple[str, str], ...]] = (
    ("number", "q"), ("a", "i"), ("relation", "i"), ("b", "i"), ("position", "i"),
)  # fmt: skip
TIE: Final = struct.Struct("<" + "".join(code for _, code in TIES))

NAMES: Final[tuple[tuple[str, str], ...]] = (("number", "q"), ("name", "i"), ("kind", "i"))
NAME: Final = struct.Struct("<" + "".join(code for _, code in NAMES))
OTHER, BOARD, PANEL, ASSEMBLY, BLANK = 0, 1, 2, 3, 4
"""Kinds of names. BLANK: a text that stands for none."""
_KINDS: Final = {"board": BOARD, "panel": PANEL, "assembly": ASSEMBLY}

_KIND_OF: Final = {
    **dict.fromkeys(LOOKS, LOOK), **dict.fromkeys(DECISIONS, DECIDES), **dict.fromkeys(INTRODUCTIONS, TEACHES)
}  # fmt: skip
_MOST: Final = 2**31 - 1


def kind_of_name(node: Node) -> int:
    """What a name may lead to."""
    return BLANK if is_placeholder(node.value) else _KINDS.get(node.kind, OTHER)


def said_rows(fact: Fact, name: Callable[[Node], int], word: Callable[[str], int]) -> Iterator[bytes]:
    """The rows of a fact, packed; `name` and `word` give the numbers of names and texts. A fact without boards has one."""
    kind = _KIND_OF.get(fact.type)
    if kind is None:
        return
    data = fact.data
    nobody: tuple[dict[str, Any], ...] = ({},)
    for entry in data.get("boards") or nobody:
        yield _row(fact, kind, data, entry, name, word)


def _row(
    fact: Fact, kind: int, data: Any, entry: Any, name: Callable[[Node], int], word: Callable[[str], int]
) -> bytes:
    def text(value: Any) -> int:
        return word(value) if value is not None else 0

    own = panel = 0
    others: list[int] = []
    for one in entry.get("identifiers") or ():
        if one["kind"] in CARRIERS or is_placeholder(one["value"]):
            continue
        node = Node(one["kind"], one["value"])
        if one["kind"] == "board" and not own:
            own = name(node)
        else:
            others.append(name(node))
    stated = entry.get("panel")
    if stated is not None and not is_placeholder(stated["value"]):
        panel = name(Node(stated["kind"], stated["value"]))
    ended = _instant(data.get("ended")) or microseconds(instant(fact.time))
    program = data.get("program") or {}
    coverage = data.get("coverage") or {}
    part = data.get("part")
    flags = SKIPPED if entry.get("state") in ("skipped", "missing") else 0
    if kind == LOOK and (data.get("calls") or coverage.get("left_out")):
        flags |= DETAILED
    inspected = coverage.get("inspected")
    return ROW.pack(
        fact.number, _instant(data.get("started")) or ended, ended,
        own, panel, min(entry.get("position") or 0, _MOST), *(others + [0] * ALIASES)[:ALIASES],
        kind, flags,
        text(data.get("station")), text(fact.source.rpartition("/")[0]), text(data.get("equipment")),
        text(data.get("side")), text(data.get("method")), text(part["number"] if part else None),
        text(program.get("name")), text(program.get("revision") or program.get("hash")), text(data.get("order")),
        text(data.get("purpose")), text(data.get("outcome")), text(coverage.get("of")),
        min(data.get("attempt") or 0, _MOST), -1 if inspected is None else min(inspected, _MOST),
    )  # fmt: skip


def _instant(text: str | None) -> int | None:
    return None if text is None else microseconds(datetime.fromisoformat(text))
