"""Pure: what one fact adds to the columns about many boards: rows of fixed size, an entry of its `boards` each, and one for
each place on them of which it tells something.

Numbers stand for names (table `names`) and texts (table `words`), so that millions of rows are read as arrays. Which board a
row is about is told when it is asked for, as of any event: names are tied later, too.
"""

import json
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
SKIPPED = 1
"""Flag: the position was left out of production."""

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

CALL, LEFT_OUT, VERDICT, REWORK, TOP_UP = range(5)
"""Kinds of rows of what is told of places: a call; what a look left out, `designator` is a JSON list of all; a verdict; work."""
TOLD_FIELDS: Final[tuple[tuple[str, str], ...]] = (
    ("number", "q"), ("time", "q"), ("inspected", "q"), ("kind", "i"), ("done", "i"),
    *((name, "i") for name in ("station", "side", "designator", "termination", "pad", "label", "defect", "key", "verdict")),
)  # fmt: skip
"""station: of a verdict where the call was made. inspected: when, as a verdict states it; 0: it does not."""
TOLD: Final = struct.Struct("<" + "".join(code for _, code in TOLD_FIELDS))

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


def told_rows(fact: Fact, word: Callable[[str], int]) -> Iterator[bytes]:
    """What a fact tells of places on its boards, packed: calls of a look, verdicts, rework, top-ups."""
    data = fact.data

    def row(kind: int, place: Any, done: bool = False, station: Any = None, **said: Any) -> bytes:
        texts = (
            station, data.get("side"), place.get("designator"), place.get("termination"), place.get("pad"),
            *(said.get(name) for name in ("label", "defect", "key", "verdict")),
        )  # fmt: skip
        numbers = (0 if text is None else word(text) for text in texts)
        return TOLD.pack(fact.number, time, inspected, kind, int(done), *numbers)

    time, inspected = microseconds(instant(fact.time)), 0
    match fact.type:
        case "inspection.completed" | "inspection.test_completed":
            left = (data.get("coverage") or {}).get("left_out")
            if left:
                yield row(LEFT_OUT, {"designator": json.dumps(left)})
            for call in data.get("calls", ()):
                yield row(
                    CALL, call["place"], label=call["label"], defect=call.get("defect"), key=call.get("key")
                )
        case "inspection.reviewed":
            inspected = _instant(data.get("inspected")) or 0
            for one in data.get("verdicts", ()):
                yield row(
                    VERDICT, one["place"], False, data.get("inspected_at"), label=one.get("label"), defect=one.get("defect"),
                    key=one.get("key"), verdict=one["verdict"],
                )  # fmt: skip
        case "inspection.rework_performed":
            time = _instant(data.get("ended")) or time
            for action in data.get("actions", ()):
                verdict = action.get("verdict")
                done = data.get("outcome") != "failed" and verdict != "not_repairable"
                yield row(
                    REWORK, action["place"], done, data.get("station"), defect=action.get("defect"), verdict=verdict
                )  # fmt: skip
        case "inspection.paste_topped_up":
            time = _instant(data.get("ended")) or time
            for name, done in (("places", data.get("outcome") != "failed"), ("left", False)):
                for place in data.get(name, ()):
                    yield row(TOP_UP, place, done, data.get("station"))
        case _:
            pass


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
