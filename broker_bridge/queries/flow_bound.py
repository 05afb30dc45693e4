"""What holds a line up, its balance, and what a faster station would gain."""

from collections import Counter, defaultdict
from collections.abc import Hashable, Mapping, Sequence
from typing import Final, NamedTuple

from broker_bridge.analysis.critical_path import BLOCKS, CriticalPath, critical_path
from broker_bridge.analysis.flow import StationFlow
from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.line_balance import balance, faster, line_limits, pattern
from broker_bridge.errors import UsageError
from broker_bridge.queries.figures import plain, refused
from broker_bridge.queries.flow_columns import Visit, lasted
from broker_bridge.trace.quality import Figure, Section

_IN_LINE: Final = 0.8
"""A station that fewer of the passes touch (review, test of one side) stands beside the line; common practice, no source."""
_SURE: Final = 0.8
"""Of the tenths of the time in which the bottleneck has to hold most of the way to be called so for sure."""
_PACES: Final = 3
"""Arrivals one right behind the other that tell the pace of a program."""


class Passes(NamedTuple):
    """Visits of one line and how they hang together."""

    visits: tuple[Visit, ...]
    """Of the stations in line, in order of arrival."""
    before: tuple[int, ...]
    """The visit of the same thing before each on that side; -1: none."""
    ahead: tuple[int, ...]
    """The visit before each at the same place; -1: none."""
    order: tuple[str, ...]
    beside: tuple[str, ...]
    """Stations that most passes do not touch, or that boards come to one by one."""


class Cycle(NamedTuple):
    """Seconds that a station needs for a board, and for what moves through it."""

    board: float
    thing: float
    ground: str


def passes_of(visits: Sequence[Visit], order: Sequence[str]) -> Passes:
    """The stations that nearly all passes touch, and what follows what there."""
    touched: dict[str, set[tuple[str, str | None]]] = defaultdict(set)
    boards: Counter[str] = Counter()
    for visit in visits:
        touched[visit.station].add((visit.thing, visit.side))
        boards[visit.station] += len(visit.boards)
    # Panels before boards by themselves: where panels are separated, another line begins.
    most = touched[max(order, key=lambda name: (boards[name], -len(touched[name])), default="")]
    inline = tuple(name for name in order if len(touched[name] & most) >= _IN_LINE * max(1, len(most)))
    chosen = tuple(visit for visit in visits if visit.station in inline)
    last: dict[str, int] = {}
    place: dict[tuple[str, int | None], int] = {}
    before, ahead = [-1] * len(chosen), [-1] * len(chosen)
    for row, visit in enumerate(chosen):
        for board in visit.boards:
            own = last.get(board, -1)
            if own >= 0 and chosen[own].station != visit.station and chosen[own].side == visit.side:
                before[row] = max(before[row], own)
            last[board] = row
        ahead[row] = place.get((visit.station, visit.lane), -1)
        place[visit.station, visit.lane] = row
    beside = tuple(name for name in order if name not in inline)
    return Passes(chosen, tuple(before), tuple(ahead), inline, beside)


def program_of(visit: Visit) -> Hashable:
    """The program that ran, else what it was about."""
    return visit.program or (visit.part, visit.side)


def path_of(found: Passes) -> CriticalPath | Refused:
    """The critical path through them, back from the last departure of the last station."""
    visits = found.visits
    ends = [row for row, visit in enumerate(visits) if visit.station == (found.order or ("",))[-1]]
    if len(found.order) < 2 or not ends:
        return Refused("what holds a line up needs two stations to compare", len(found.order), 2)
    return critical_path(
        [visit.station for visit in visits], [visit.arrived for visit in visits], [visit.departed for visit in visits],
        found.before, found.ahead,
        [program_of(visit) for visit in visits], last=max(ends, key=lambda row: visits[row].seen),
    )  # fmt: skip


def bound(
    name: str, found: Passes, path: CriticalPath | Refused, shares: Mapping[str, StationFlow]
) -> tuple[Section, str, bool]:
    """What held the line up, in words as well, and whether a station did."""
    heading = f"{name}: what held it up"
    if isinstance(path, Refused):
        return Section(heading, (refused("critical path", path),)), "what holds it up cannot be told", False
    total = path.end - path.begin
    boards: dict[object, set[str]] = defaultdict(set)
    for step in path.steps:
        owner = step.kind if step.kind in ("change", "let in") else step.station
        boards[owner].update(found.visits[step.row].boards)
    rows: list[tuple[str, float, str | None]] = [(str(s), spent, None) for s, spent in path.seconds.items()]
    if path.changes:
        most = ", ".join(f"{name} {lasted(seconds)}" for name, seconds in list(path.changes.items())[:3])
        rows.append(
            ("change", sum(path.changes.values(), 0.0), f"changes of program, most of them at {most}")
        )
    if path.let_in:
        rows.append(("let in", path.let_in, "no station held it up: it waited for boards"))
    figures = [
        plain(
            title, seconds / total, "share", number=round(seconds / 3600, 3), of=round(total / 3600, 3), counted="hours",
            boards=sorted(boards[title]), note=note,
        )
        for title, seconds, note in sorted(rows, key=lambda row: -row[1])
    ]  # fmt: skip
    first, said, sure = _who(path, total)
    if first is not None:
        figures += _around(found.order, first, shares)
    note = (
        "The critical path: back from the last departure, always to what decided the moment; a board that had to wait leads to the"
        f" one ahead of it. Its time without changes cut in {BLOCKS}, most of each:"
        f" {', '.join(str(one or 'let in') for one in path.blocks)}."
    )
    return Section(heading, tuple(figures), note), said, sure


def _who(path: CriticalPath, total: float) -> tuple[str | None, str, bool]:
    """The bottleneck, the words, and whether it held the line up most of the time."""
    ranked = list(path.seconds.items())
    changes = sum(path.changes.values(), 0.0)
    besides = (
        f"{changes / total:.0%} of the time went into changes of program" if changes >= 0.1 * total else ""
    )
    running = total - changes
    if not ranked or running <= 0 or path.let_in >= ranked[0][1]:
        text = f"no station held it up most: it waited {path.let_in / total:.0%} of the time for boards to be let in"
        return None, "; ".join(filter(None, (besides, text))), False
    first, seconds = str(ranked[0][0]), ranked[0][1]
    tenths = path.blocks.count(ranked[0][0]) / BLOCKS
    share = f"{seconds / running:.0%} of the {'rest' if besides else 'time'}"
    others = " and ".join(
        f"{name} ({spent / running:.0%})" for name, spent in ranked[1:3] if spent >= seconds / 3
    )
    if tenths >= _SURE:
        text = f"surely {first} held it up, {share}, in {tenths * BLOCKS:.0f} of {BLOCKS} parts of it more than any other"
    elif tenths >= 0.5:
        text = f"probably {first} held it up, {share}" + (f", then {others}" if others else "")
    else:
        text = f"what held it up shifted: {first}, {share}" + (f", {others}" if others else "")
    return first, "; ".join(filter(None, (besides, text))), tenths >= 0.5


def _around(order: Sequence[str], station: str, shares: Mapping[str, StationFlow]) -> list[Figure]:
    seen = pattern(order, station, shares)
    place = list(order).index(station)
    figures = []
    for title, value, stations in (
        (f"blocked, before {station}", seen.blocked_before, order[:place]),
        (f"starved, behind {station}", seen.starved_behind, order[place + 1 :]),
    ):
        if value is not None:
            figures.append(
                plain(title, value, "share", note=f"mean of {', '.join(s for s in stations if s in shares)}")
            )
    if seen.fits is not None:
        figures.append(
            plain(
                "pattern", None,
                note="fits: before it more blocked than starved, behind it more starved than blocked" if seen.fits
                else "does not fit everywhere: buffers, stops and changes come in between",
            )
        )  # fmt: skip
    return figures


def cycles_of(found: Passes, path: CriticalPath | Refused) -> dict[str, Cycle]:
    """What each station needs: its pace where boards waited for it, else its work, handling aside."""
    cycles: dict[str, Cycle] = {}
    for station in found.order:
        here = [visit for visit in found.visits if visit.station == station]
        boards = sum(len(visit.boards) for visit in here) / len(here)
        pace = _pace(here, path)
        work = [v.finished - v.started for v in here if v.finished > v.started]
        if pace is not None:
            cycles[station] = Cycle(pace[0] / boards, pace[0], f"pace of {pace[1]}")
        elif len(work) >= 0.8 * len(here) > 1:
            seconds = sum(work) / len(work)
            cycles[station] = Cycle(seconds / boards, seconds, f"work of {len(work)}")
    return cycles


def _pace(here: Sequence[Visit], path: CriticalPath | Refused) -> tuple[float, int] | None:
    """Mean pace over the programs as often as they ran, where it is known of most; and of how many it is taken."""
    if isinstance(path, Refused):
        return None
    told, visits, number = 0.0, 0, 0
    ran = Counter(program_of(visit) for visit in here)
    for program, times in ran.items():
        seconds, count = path.pace.get((here[0].station, program), (0.0, 0))
        if count >= _PACES:
            told, visits, number = told + seconds * times, visits + times, number + count
    return (told / visits, number) if visits >= 0.8 * len(here) else None


def balanced(
    name: str, found: Passes, cycles: Mapping[str, Cycle], inside: float, quicker: Mapping[str, float]
) -> list[Section]:
    """Balance of the work, and what faster stations gain. `inside`: boards in process; `quicker`: seconds of what moves."""
    each = {station: cycle.board for station, cycle in cycles.items()}
    for station in quicker:
        if station not in each:
            raise UsageError(
                f"--faster {station}: its cycle is not known; those of {', '.join(each) or 'no station'} are"
            )
    even = balance(each)
    if isinstance(even, Refused):
        return []
    figures = [
        plain(
            f"cycle: {station}", cycle.thing, "s", note=cycle.ground,
            details={"a board, s": round(cycle.board, 2), "waits, s a board": round(even.idle[station], 2)},
        )
        for station, cycle in cycles.items()
    ]  # fmt: skip
    unknown = [station for station in found.order if station not in cycles]
    aside = f"; not known of {', '.join(unknown)}" if unknown else ""
    figures += [
        plain("balance", even.balance, "share", note=f"bound by {', '.join(even.bound_by)}{aside}"),
        plain(
            "possible throughput", even.per_hour, "boards per hour", note=f"stops and changes aside{aside}"
        ),
    ]
    below = "Cycles are per panel, or board where boards go by themselves."
    if inside > 0:
        limits = line_limits(1 / even.cycle, sum(each.values()), inside)
        figures += [
            plain("critical in process", limits.critical, "boards"),
            plain(f"at {inside:.0f} in process, at best", limits.best[0] * 3600, "boards per hour"),
            plain(
                f"at {inside:.0f} in process, practical worst",
                limits.practical_worst[0] * 3600,
                "boards per hour",
            ),
        ]
        below += (
            " Critical in process: so many boards keep the slowest station busy, were there no waiting; best and practical worst of"
            " so many in process (Hopp and Spearman, Factory Physics)."
        )
    sections = [Section(f"{name}: balance", tuple(figures), below)]
    gains: list[Figure] = []
    slowest = even.bound_by[0]
    asked = quicker or {slowest: cycles[slowest].thing * 0.9}
    for station, seconds in asked.items():
        per = cycles[station].thing / cycles[station].board
        gain = faster(each, station, seconds / per)
        if not isinstance(gain, Refused):
            gains.append(
                plain(
                    f"{station}: {seconds:.1f} s instead of {cycles[station].thing:.1f} s", gain.more_per_hour, "boards per hour more",
                    note=f"then bound by {', '.join(gain.bound_by)}; below {gain.useful * per:.1f} s nothing more is gained{aside}",
                )
            )  # fmt: skip
    note = "At most: stops and changes aside, with boards enough in front of it; where a cycle is of work, handling aside too."
    sections.append(Section(f"{name}: what a faster station would gain", tuple(gains), note))
    return sections


def gain_in_words(cycles: Mapping[str, Cycle]) -> str:
    """What comes after the slowest station."""
    ranked = sorted(cycles.items(), key=lambda item: -item[1].board)
    if len(ranked) < 2:
        return ""
    (first, slow), (second, next_) = ranked[:2]
    per = slow.thing / slow.board
    return (
        f"{first} is slowest, {lasted(slow.thing)}; below {next_.board * per:.1f} s {second} would bind"
        if slow.board > next_.board
        else ""
    )
