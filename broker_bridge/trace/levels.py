"""How complete a history is by the levels of IPC-1782, and what is missing for the next one.

The standard sets four levels (1 basic, 2 standard, 3 advanced, 4 comprehensive) for material and for process apart,
agreed between user and supplier. Its full text is not public: each requirement here says whether its wording stands
on public text (table of contents, published articles, published draft element lists) or is from memory. So the level
told is what this record could support, not a statement of conformance.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final

from broker_bridge.trace.inspections import Record
from broker_bridge.trace.uses import Material
from broker_bridge.trace.value import Value

NAMES: Final = ("none", "basic", "standard", "advanced", "comprehensive")
_MOST: Final = 12
"""Things that one requirement names as missing; the rest is counted."""


class Lack(Value):
    """One requirement of the next level that is not met."""

    requirement: str
    basis: str
    """public or memory"""
    missing: tuple[str, ...]


class Level(Value):
    """The level one kind of data reaches."""

    of: str
    """material or process"""
    level: int
    """0 to 4"""
    name: str
    lacks: tuple[Lack, ...]
    """What is missing for the next level; empty at level 4."""


class Known(Value):
    """What the levels are judged by."""

    records: Sequence[Record]
    materials: Sequence[Material]
    placed: frozenset[str]
    """Designators that the part's declared placement mounts; empty: no placement is declared."""
    orders: Sequence[str]
    stations: Sequence[str]
    gaps: Sequence[str]
    """Where statements may be missing."""


_Check = Callable[[Known], Iterable[str]]


def levels(known: Known) -> tuple[Level, Level]:
    """Material and process."""
    return _level("material", _MATERIAL, known), _level("process", _PROCESS, known)


def _level(of: str, table: Sequence[Sequence[tuple[str, str, _Check]]], known: Known) -> Level:
    for reached, requirements in enumerate(table):
        lacks = [
            Lack(text, basis, _shortened(missing))
            for text, basis, check in requirements
            if (missing := list(dict.fromkeys(check(known))))
        ]
        if lacks:
            return Level(of, reached, NAMES[reached], tuple(lacks))
    return Level(of, len(table), NAMES[len(table)], ())


def _shortened(missing: Sequence[str]) -> tuple[str, ...]:
    more = len(missing) - _MOST
    return tuple(missing) if more <= 0 else (*missing[:_MOST], f"and {more} more")


# -- material ---------------------------------------------------------------------------------------------


def _order(known: Known) -> Iterator[str]:
    if not known.orders:
        yield "no work order is stated"


def _installed(known: Known) -> list[Material]:
    return [m for m in known.materials if m.act in ("installed", "consumed", "bare_board")]


def _part_numbers(known: Known) -> Iterator[str]:
    if not _installed(known):
        yield "no material is known"
    for one in _installed(known):
        if not (one.part or one.maker_part):
            yield f"part number of {_told(one)}"


def _incoming(known: Known) -> Iterator[str]:
    for one in _installed(known):
        if not (one.lots or one.id or one.date_code):
            yield f"lot or receipt of {_told(one)}"


def _designators(known: Known) -> Iterator[str]:
    if not known.placed:
        yield "no placement is declared for the part: which designators there are is not known"
    covered = _covered(known)
    yield from (f"{name}: no material" for name in sorted(known.placed - covered.keys()))


def _lots(known: Known) -> Iterator[str]:
    for name, found in sorted(_covered(known).items()):
        if not any(one.lots or one.id for one in found):
            yield f"{name}: no lot"


def _exact(known: Known) -> Iterator[str]:
    for name, found in sorted(_covered(known).items()):
        newest = [one for one in found if one.time == max(each.time for each in found)]
        lots = {lot for one in newest for lot in one.lots}
        if len(lots) > 1 or any(one.certainty != "observed" for one in newest):
            yield f"{name}: one of {len(lots)} lots" if len(lots) > 1 else f"{name}: not observed"


def _own_board(known: Known) -> Iterator[str]:
    for one in _installed(known):
        if one.scope not in ("board", "assembly"):
            yield f"{_told(one)} is known for the {one.scope}, not for the board"


def _unique(known: Known) -> Iterator[str]:
    for one in _installed(known):
        if not one.id:
            yield f"unique id of the container of {_told(one)}"


def _bare(known: Known) -> Iterator[str]:
    if not any(one.act == "bare_board" for one in known.materials):
        yield "bare board"
    if not any(one.act == "consumed" for one in known.materials):
        yield "paste or other chemistry"


def _covered(known: Known) -> dict[str, list[Material]]:
    found: dict[str, list[Material]] = {}
    for one in known.materials:
        if one.act == "installed":
            for place in one.places:
                if place.designator:
                    found.setdefault(place.designator, []).append(one)
    return found


def _told(one: Material) -> str:
    names = [place.designator for place in one.places if place.designator]
    if names:
        return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return (
        one.part
        or one.maker_part
        or one.id
        or f"what was {one.act.replace('_', ' ')} at {one.station or 'a station'}"
    )


_MATERIAL: Final[tuple[tuple[tuple[str, str, _Check], ...], ...]] = (
    (
        ("listed to the work order", "public", _order),
        ("by part number", "public", _part_numbers),
        ("and incoming order", "public", _incoming),
    ),
    (
        ("a material for each reference designator", "memory", _designators),
        ("its lot or incoming id; several candidates are allowed", "memory", _lots),
    ),
    (
        ("exactly one lot for each reference designator", "memory", _exact),
        ("resolved to the board, not the panel", "memory", _own_board),
    ),
    (
        ("exact materials used on each board, unique ids included", "public", _unique),
        ("bare board and chemistry too", "memory", _bare),
    ),
)

# -- process ----------------------------------------------------------------------------------------------


def _of(known: Known, *types: str) -> Iterator[Record]:
    return (record for record in known.records if record.statement.fact.type in types)


_LOOKS: Final = ("inspection.completed", "inspection.test_completed")


def _where(record: Record) -> str:
    return str(record.statement.get("station") or "a station not known")


def _route(known: Known) -> Iterator[str]:
    if not known.stations:
        yield "never seen at a station"


def _exceptions(known: Known) -> Iterator[str]:
    yield from (f"exceptions at {where}: statements may be missing there" for where in known.gaps)


def _outcomes(known: Known) -> Iterator[str]:
    if not any(True for _ in _of(known, *_LOOKS)):
        yield "no inspection or test is known"
    for record in _of(known, *_LOOKS):
        if record.statement.get("outcome") == "unknown":
            yield f"outcome at {_where(record)}"


def _named_defects(known: Known) -> Iterator[str]:
    for record in _of(known, *_LOOKS):
        data = record.statement.fact.data
        if data.get("outcome") == "failed" and not data.get("calls") and not _failed_steps(data):
            yield f"what failed at {_where(record)}"


def _programs(known: Known) -> Iterator[str]:
    for record in _of(known, *_LOOKS, "work.completed", "work.print_attempted"):
        if not record.statement.get("program"):
            yield f"program at {_where(record)}"


def _fixtures(known: Known) -> Iterator[str]:
    for record in _of(known, "inspection.test_completed"):
        data = record.statement.fact.data
        if data.get("method") == "in_circuit" and not data.get("fixture"):
            yield f"fixture at {_where(record)}"


def _coverage(known: Known) -> Iterator[str]:
    for record in _of(known, "inspection.completed"):
        if not record.statement.get("coverage"):
            yield f"coverage at {_where(record)}"
    for record in _of(known, "inspection.test_completed"):
        if not record.statement.get("steps"):
            yield f"measured steps at {_where(record)}"


def _criteria(known: Known) -> Iterator[str]:
    for record in _of(known, "inspection.test_completed"):
        for step in record.statement.get("steps") or ():
            if step.get("value") is not None and step.get("lower") is None and step.get("upper") is None:
                yield f"limits of step {step['name']} at {_where(record)}"
    for record in _of(known, *_LOOKS):
        program = record.statement.get("program") or {}
        if not (program.get("revision") or program.get("hash")):
            yield f"revision of the program at {_where(record)}"


def _reviewed(known: Known) -> Iterator[str]:
    reviewed = {record.statement.get("inspected_at") for record in _of(known, "inspection.reviewed")}
    for record in _of(known, "inspection.completed"):
        data = record.statement.fact.data
        if data.get("calls") and data.get("method") != "paste" and data.get("station") not in reviewed:
            yield f"verdicts on the calls at {_where(record)}: no false call can be told"


def _pictures(known: Known) -> Iterator[str]:
    for record in _of(known, "inspection.completed"):
        data = record.statement.fact.data
        if data.get("method") in ("optical", "x_ray"):
            calls = data.get("calls") or ()
            if not data.get("pictures") and not any(call.get("pictures") for call in calls):
                yield f"pictures at {_where(record)}"


def _values(known: Known) -> Iterator[str]:
    for record in _of(known, "work.completed", "work.print_attempted"):
        if not record.statement.get("values"):
            yield f"process values at {_where(record)}"
    measured = {record.statement.get("station") for record in _of(known, "reading.paste_measured")}
    for record in _of(known, "inspection.completed"):
        if record.statement.get("method") == "paste" and record.statement.get("station") not in measured:
            yield f"paste values at {_where(record)}"


def _failed_steps(data: Any) -> bool:
    return any(step.get("outcome") == "failed" for step in data.get("steps") or ())


_PROCESS: Final[tuple[tuple[tuple[str, str, _Check], ...], ...]] = (
    (
        ("a batch record or traveler: work order and route", "public", lambda k: (*_order(k), *_route(k))),
        ("significant process exceptions against it", "public", _exceptions),
    ),
    (
        ("pass or fail of each inspection and test", "public", _outcomes),
        ("specific defects", "public", _named_defects),
        ("program names", "public", _programs),
        ("fixtures of in-circuit tests", "public", _fixtures),
    ),
    (
        ("full result of each inspection and test", "public", _coverage),
        ("acceptance criteria", "public", _criteria),
        ("false calls told from defects", "public", _reviewed),
    ),
    (
        ("all available values of the process", "public", _values),
        ("pictures of optical and X-ray inspection", "public", _pictures),
    ),
)
