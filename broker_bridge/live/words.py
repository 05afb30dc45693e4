"""The sentences: one for every type of event, in few words, saying only what was said."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from broker_bridge.events.fact import Fact
from broker_bridge.live.names import label_of
from broker_bridge.live.plain import clean
from broker_bridge.trace.mentions import Mention
from broker_bridge.trace.units import unit_words

Data = Mapping[str, Any]

STATES: Final[Mapping[str, str]] = {
    "productive": "productive",
    "standby": "standby",
    "engineering": "engineering",
    "scheduled_down": "scheduled down",
    "unscheduled_down": "unscheduled down",
    "non_scheduled": "non-scheduled",
    "unknown": "state unknown",
}
"""The six of SEMI E10, as people write them, plus unknown."""

_LONGEST: Final = 500
"""Characters of a phrase; the record has the rest."""

CAUSES: Final[Mapping[str, str]] = {
    "away": "not connected",
    "outbox_full": "outbox was full",
    "outbox_lost": "outbox was lost",
    "range_not_held": "no longer held",
    "truncated": "log was cut",
    "file_missing": "a file is missing",
    "other": "other cause",
}


def phrase(fact: Fact, mentions: Sequence[Mention]) -> str:
    """What an event says of its boards or its station; a type of a newer program shows its name."""
    words = WORDS.get(fact.type)
    said = fact.type if words is None else words(fact.data)
    if fact.type in _PARENTS:
        parent = next((label_of(mention) for mention in mentions if mention.role == "parent"), "")
        said += f" {parent or 'something not named'}"
    return clean(said[:_LONGEST])


def sentence(type_name: str, label: str, said: str) -> str:
    """The phrase with the boards it is about. Boards without any name are "a board"."""
    who = label or ("a board" if type_name in _OF_BOARDS else "")
    return f"{who} {said}" if who else said


def slot_of(feeding: Data) -> str:
    """Where parts are taken from, as a person says it; empty when not stated."""
    slot, subslot = feeding.get("slot"), feeding.get("subslot")
    if slot is None:
        return f"feeder {clean(feeding['feeder'])}" if feeding.get("feeder") else ""
    return f"slot {clean(slot)}" + (f"/{clean(subslot)}" if subslot else "")


def _some(*parts: str | None) -> str:
    return ", ".join(part for part in parts if part)


def _said(head: str, *rest: str | None) -> str:
    more = _some(*rest)
    return f"{head}: {more}" if more else head


def _count(count: int, one: str) -> str:
    return f"{count:,} {one}{'' if count == 1 else 's'}"


def _how(words: Mapping[str, str]) -> Callable[[Data], str]:
    def told(data: Data) -> str:
        slot = f"magazine {data['magazine']}" if data.get("magazine") else None
        word = data.get("outcome")
        return _some(words[data["how"]], slot, f"said to be {word}" if word in ("good", "failed") else None)

    return told


def _transferred(data: Data) -> str:
    ends = (data.get("giver"), data.get("taker"))
    if ends == ("complete", "complete"):
        return f"went over to {data['to_station']}"
    told = [
        f"{who} says {state.replace('_', ' ')}"
        for who, state in zip(("giver", "taker"), ends, strict=True)
        if state
    ]
    return _said(
        f"transfer to {data['to_station']} not certain", *(told or ["neither end said how it ended"])
    )


def _identified(data: Data) -> str:
    act = {"read": "identified", "applied": "newly labelled", "replaced": "labelled over"}.get(
        data.get("act", "")
    )
    names = {name["value"] for board in data.get("boards", ()) for name in board.get("identifiers", ())}
    return _said(act or "named", f"{len(names)} names of one thing" if len(names) > 1 else None)


def _magazine(data: Data) -> str:
    contents = data.get("contents")
    inside = None if contents is None else f"{_count(len(contents), 'board')} inside as stated"
    return _some(f"magazine {data['magazine']} {data['act']}", inside)


def _completed(data: Data) -> str:
    outcome = data["outcome"]
    return "done" if outcome == "completed" else f"done: {outcome}"


def _order(data: Data) -> str:
    return f"belongs to order {data['order']}" if data.get("order") else "belongs to an order not named"


def _print(data: Data) -> str:
    attempt = f"attempt {data['attempt']}" if data.get("attempt", 1) > 1 else None
    return _some("printed", None if data["outcome"] in ("completed", "unknown") else data["outcome"], attempt)


def _batch(verb: str) -> Callable[[Data], str]:
    def told(data: Data) -> str:
        word = data.get("outcome")
        return _some(
            f"batch {data['batch']} {verb}",
            data.get("process"),
            None if word in (None, "completed") else word,
        )

    return told


def _program(data: Data) -> str:
    program = data["program"]
    revision = f"revision {program['revision']}" if program.get("revision") else "revision not stated"
    return _some(
        f"program {program['name']}", revision, "edited" if data.get("edited") else None, data.get("reason")
    )


def _material(material: Data) -> str:
    name = material.get("id") or material.get("part") or material.get("maker_part")
    kind = material.get("container") or "material"
    return f"{kind} {name}" if name else kind


def _fed(verb: str) -> Callable[[Data], str]:
    def told(data: Data) -> str:
        place = slot_of(data.get("feeding") or {})
        material = data.get("material") or {}
        part = material.get("part")
        proof = data.get("proof")
        return _some(
            f"{place + ': ' if place else ''}{_material(material)} {verb}",
            f"part {part}" if part and material.get("id") else None,
            f"proof {proof}" if proof in ("bypassed", "failed") else None,
        )

    return told


def _low(data: Data) -> str:
    place = slot_of(data.get("feeding") or {}) or "a slot not named"
    return f"{place} {'is empty' if data.get('empty') else 'runs low'}: {_material(data['material'])}"


def _used(verb: str) -> Callable[[Data], str]:
    def told(data: Data) -> str:
        material = data.get("material")
        places = data.get("places")
        return _some(
            f"{_material(material) if material else 'material'} {verb}",
            f"at {_count(len(places), 'place')}" if places else None,
        )

    return told


def _exposed(data: Data) -> str:
    return f"{_material(data['material'])} {data['change'].replace('_', ' ')}"


def _values(data: Data) -> str:
    values = data["values"]
    shown = []
    for value in values[:2]:
        number = value.get("value")
        amount = f"{number:g}" if number is not None else value.get("text", "?")
        shown.append(
            f"{value['name']} {amount}{' ' + unit_words(value['unit']) if value.get('unit') else ''}"
        )
    bad = sum(value.get("outcome") == "failed" for value in values)
    more = f"{len(values) - 2} more" if len(values) > 2 else None
    return _said("measured", *shown, more, f"{bad} out of limits" if bad else None)


def _paste(data: Data) -> str:
    bad = data.get("out_of_limits")
    return _some(
        f"paste measured on {_count(data['pads'], 'pad')}",
        f"{_count(bad, 'pad')} out of limits" if bad is not None else None,
    )


def result_of(data: Data) -> str:
    """The outcome of work, an inspection or a test, with how many calls."""
    outcome: str = data.get("outcome", "unknown").replace("_", " ")
    calls = data.get("calls")
    return _some(outcome, _count(len(calls), "call") if calls else None, data.get("reason"))


def _inspected(data: Data) -> str:
    return f"inspected ({data['method'].replace('_', ' ')}): {result_of(data)}"


def _tested(data: Data) -> str:
    attempt = f", attempt {data['attempt']}" if data.get("attempt", 1) > 1 else ""
    return f"tested ({data['method'].replace('_', ' ')}{attempt}): {result_of(data)}"


def _reviewed(data: Data) -> str:
    verdicts = [verdict["verdict"] for verdict in data.get("verdicts", ())]
    counts = [
        f"{verdicts.count(word)} {shown}"
        for word, shown in (
            ("confirmed", "confirmed"), ("false_call", "false calls"), ("process_indicator", "process indicators"),
            ("undecided", "undecided"),
        )
        if word in verdicts
    ]  # fmt: skip
    return _said("reviewed", data.get("outcome", "unknown"), *counts)


def _verified(data: Data) -> str:
    found = f"{len(data.get('found', ()))} of {len(data['expected'])} found" if data.get("expected") else None
    return _said("inspection verified", data["outcome"], found)


def _reworked(data: Data) -> str:
    actions = data.get("actions", ())
    kind = data["kind"] if data["kind"] != "unknown" else "rework or repair"
    return _said(f"{kind} done", _count(len(actions), "place") if actions else None, data.get("outcome"))


def _topped_up(data: Data) -> str:
    return _said("paste topped up", data["outcome"], f"at {_count(len(data['places']), 'place')}")


def _state(data: Data) -> str:
    return _said(STATES[data["state"]], f"“{data['native']}”", data.get("reason"))


def _raised(data: Data) -> str:
    severity = data.get("severity", "unknown")
    word = "" if severity == "unknown" else f" ({severity})"
    return _said(f"ALARM {data['code']}{word}", data.get("text"))


def _gap(data: Data) -> str:
    return _said("GAP, statements may be missing", CAUSES[data["cause"]], data.get("detail"))


def _answered(data: Data) -> str:
    told = data.get("answer")
    what = (
        "not found"
        if told is None
        else f"{told['word']}{', order ' + told['order'] if told.get('order') else ''}"
    )
    return f"asked about {data.get('barcode', 'nothing')}, answered: {what}"


def _rejected(data: Data) -> str:
    return _said("REJECTED, kept raw", data["reason"], data.get("place"))


def _why(head: str, field: str = "reason") -> Callable[[Data], str]:
    return lambda data: _said(head, data.get(field))


_PARENTS: Final = frozenset({"board.joined", "board.separated"})
_OF_BOARDS: Final = frozenset(
    {
        "board.introduced", "board.identified", "board.arrived", "board.departed", "board.transferred",
        "board.depaneled", "board.joined", "board.separated", "board.held", "board.released",
        "board.dispositioned", "board.shipped", "work.started", "work.completed", "work.order_assigned",
        "work.print_attempted", "work.washed", "inspection.completed", "inspection.reviewed",
        "inspection.test_completed", "inspection.rework_performed",
    }
)  # fmt: skip
"""Types that are about a board even where it has no name."""

WORDS: Final[Mapping[str, Callable[[Data], str]]] = {
    "board.introduced": _why("entered the record here", "magazine"),
    "board.identified": _identified,
    "board.arrived": _how(
        {
            "transferred": "arrived",
            "loaded": "loaded",
            "inserted": "put in by hand",
            "unknown": "arrived, how not said",
        }
    ),
    "board.departed": _how(
        {
            "transferred": "left",
            "unloaded": "unloaded",
            "removed": "taken out by hand",
            "unknown": "left, how not said",
        }
    ),
    "board.transferred": _transferred,
    "board.depaneled": lambda data: "cut out of the panel",
    "board.joined": lambda data: "joined to",
    "board.separated": lambda data: "taken out of",
    "board.magazine_handled": _magazine,
    "board.held": _why("HELD"),
    "board.released": _why("released from hold"),
    "board.dispositioned": lambda data: _said(
        f"dispositioned {data['disposition'].replace('_', ' ')}", data.get("reason")
    ),
    "board.shipped": _why("shipped", "destination"),
    "board.asserted": lambda data: _said(
        f"{data['who']} states {data['claim'].replace('_', ' ')}", data.get("why")
    ),
    "work.started": lambda data: "started",
    "work.completed": _completed,
    "work.order_assigned": _order,
    "work.print_attempted": _print,
    "work.washed": _why("washed, paste is off"),
    "work.stencil_cleaned": lambda data: _some("stencil cleaned", data.get("stencil")),
    "work.batch_started": _batch("started"),
    "work.batch_ended": _batch("ended"),
    "material.planned": _fed("planned"),
    "material.set_up": _fed("set up"),
    "material.removed": _fed("removed"),
    "material.spliced": _fed("spliced on"),
    "material.installed": _used("installed"),
    "material.consumed": _used("used"),
    "material.replenished": _used("filled in"),
    "material.removed_from_board": _used("removed from board"),
    "material.low": _low,
    "material.exposed": _exposed,
    "material.declared": lambda data: f"material {data['number']} declared",
    "reading.recorded": _values,
    "reading.paste_measured": _paste,
    "inspection.completed": _inspected,
    "inspection.reviewed": _reviewed,
    "inspection.verified": _verified,
    "inspection.test_completed": _tested,
    "inspection.rework_performed": _reworked,
    "inspection.paste_topped_up": _topped_up,
    "station.state_changed": _state,
    "station.alarm_raised": _raised,
    "station.alarm_cleared": lambda data: f"alarm {data['code']} is over",
    "station.program_changed": _program,
    "line.declared": lambda data: f"line {data['line']} declared: {_count(len(data['stations']), 'station')}",
    "line.part_declared": lambda data: f"part {(data.get('part') or {}).get('number', 'not named')} declared",
    "source.connected": _why("connected", "peer"),
    "source.disconnected": _why("DISCONNECTED", "detail"),
    "source.gap": _gap,
    "source.rejected": _rejected,
    "source.kept": lambda data: f"{data['native']} kept raw: the schema has no words for it",
    "source.retracted": _why("an earlier statement is retracted"),
    "source.answered": _answered,
}
"""A test holds this table against the schema."""
