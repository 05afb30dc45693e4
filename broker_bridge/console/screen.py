"""The view as lines of text for a terminal of any size from 80x24 on.

Words carry everything; bold, reverse and dim only help the eye, and nothing depends on a colour. Every line is
cut to the width here, so that the terminal wraps none.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final, NamedTuple

from rich.cells import cell_len

from broker_bridge.console.desk import KEYS, Desk
from broker_bridge.console.lines import event_line
from broker_bridge.live.alarms import Alarm
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import SourceNow, silence_words
from broker_bridge.live.passages import Here, Visit
from broker_bridge.live.picture import Row, View
from broker_bridge.live.plain import clean, cut, fit, squeeze, wrap
from broker_bridge.live.rows import alarm_words, gap_words, here_words, needs_a_hand, since
from broker_bridge.live.told import Told

PLAIN: Final = ""
STRONG: Final = "bold"
BAR: Final = "reverse"
FAINT: Final = "dim"

FOOTER: Final = " q quit  p pause  a seen  n station  l line  0 all  o sources  ? keys"
_STATE: Final = 16
_SINCE: Final = 11
_AGE: Final = 12


class Line(NamedTuple):
    """One line, and how it is set off."""

    text: str
    style: str = PLAIN


class Frame(NamedTuple):
    """All that one drawing shows."""

    site: str
    view: View
    desk: Desk
    clock: Clock
    state: str
    """How the watching itself is, in a word or two."""
    tail: Sequence[tuple[Told, bool]]
    """The newest chosen events in the order they were heard, newest last; True: from the record."""
    missed: int = 0
    """Events taken in since the screen stands still."""
    notices: Sequence[str] = ()


def draw(frame: Frame, width: int, height: int) -> list[Line]:
    """Exactly `height` lines of at most `width` cells."""
    room = max(0, height - 2)
    troubles = _shortened(
        _troubles(frame, width), max(2, room // (2 if frame.desk.page == "sources" else 4)), "(o)"
    )
    room -= len(troubles)
    if frame.desk.page == "keys":
        body = _window(_keys(width), room, frame.desk, width)
    elif frame.desk.page == "sources":
        body = _window(sources(frame.view, frame.clock, width), room, frame.desk, width)
    elif frame.desk.choice.station is not None:
        body = _window(stations(frame.view, frame.clock, width), room, frame.desk, width)
    else:
        body = _line_page(frame, width, room)
    lines = [_header(frame, width), *troubles, *body]
    lines += [Line("")] * (height - 1 - len(lines))
    return [*(Line(cut(line.text, width), line.style) for line in lines), Line(fit(FOOTER, width), BAR)]


def rows(view: View, clock: Clock, width: int) -> list[Line]:
    """The stations, each with why it waits below it."""
    board = max(12, (width - _STATE - _SINCE - _AGE - 6) * 2 // 3)
    name = max(8, width - board - _STATE - _SINCE - _AGE - 6)
    head = _columns(
        ("station", name), ("state", _STATE), ("since", _SINCE), ("board", board), ("heard ago", _AGE)
    )
    made = [Line("  " + head, FAINT)]
    for line, stations_ in view.lines:
        if len(view.lines) > 1:
            made.append(Line(f"  {clean(line.rpartition('/')[2])}", STRONG))
        for row in stations_:
            station = row.station
            grave = needs_a_hand(row)
            text = _columns(
                (squeeze(station.name, name), name),
                (row.state.upper() if grave else row.state, _STATE),
                (_time(since(station), clock), _SINCE),
                (_boards(station.here, board), board),
                (clock.age(station.heard) if station.heard else "not yet", _AGE),
            )
            made.append(Line(("! " if grave else "  ") + text, STRONG if grave else PLAIN))
            made += [Line(part) for part in wrap(row.why, width, "      ", 2)]
            made += [
                Line(part)
                for gap in station.gaps
                if gap.end is None
                for part in wrap(gap_words(gap, clock), width, "      ", 1)
            ]
    if len(made) == 1:
        made.append(Line("  no station is configured here, and nothing was heard of any yet"))
    return made


def stations(view: View, clock: Clock, width: int) -> list[Line]:
    """Everything about the chosen stations."""
    made: list[Line] = []
    for line, rows_ in view.lines:
        for row in rows_:
            made += _station(line, row, clock, width)
    return made or [Line("  nothing was heard of this station")]


def boards(visits: Iterable[Visit], clock: Clock, width: int) -> list[Line]:
    """Passes of boards, newest first."""
    name = 24 if width >= 80 else 16
    made = [
        Line(
            "  " + _columns(("board", name), ("came", _SINCE), ("left", _SINCE), ("result as told", 0)), FAINT
        )
    ]
    for visit in visits:
        made.append(
            Line(
                "  "
                + _columns(
                    (squeeze(visit.label, name) or "without a name", name),
                    (_time(visit.arrived, clock), _SINCE),
                    (_time(visit.departed, clock), _SINCE),
                    ("; ".join(visit.results) or "nothing said", 0),
                )
            )
        )
    return made


def sources(view: View, clock: Clock, width: int) -> list[Line]:
    """How every source is."""
    lines = len({source.source.rpartition("/")[0] for source in view.sources}) > 1
    name = max(14, width - 10 - _SINCE - 8 - _AGE - 16 - 7)
    columns = (
        ("source", name), ("condition", 10), ("since", _SINCE), ("waiting", 8), ("heard ago", _AGE), ("edge", 0),
    )  # fmt: skip
    made = [Line("  " + _columns(*columns), FAINT)]
    for source in view.sources:
        heard = view.heard.get(source.source)
        text = _columns(
            (squeeze(_source_name(source.source, lines), name), name),
            ("silent" if source.silent else source.condition, 10),
            (_time(source.since, clock), _SINCE),
            (f"{source.backlog:,}", 8),
            (clock.age(heard) if heard else "not yet", _AGE),
            (squeeze(source.edge, 16), 0),
        )
        made.append(Line("  " + text))
        made += [Line(part) for part in wrap(_of_source(source, clock), width, "      ", 3)]
    unstated = sorted(set(view.heard) - {source.source for source in view.sources})
    made += [
        Line(f"  {squeeze(_source_name(name_, True), width - 50)}: heard, but its edge says nothing of it")
        for name_ in unstated
    ]
    return made if len(made) > 1 else [Line("  no source has said anything yet")]


def alarm_lines(alarms: Sequence[Alarm], clock: Clock, width: int) -> list[Line]:
    """One line an alarm, oldest first."""
    made = []
    for alarm in alarms:
        head = alarm_words(alarm, squeeze(alarm.station, 12), clock)
        text = f"{'  ' if alarm.seen else '! '}{head}"
        made.append(Line(cut(text, width), PLAIN if alarm.seen else STRONG))
    return made


def _line_page(frame: Frame, width: int, room: int) -> list[Line]:
    shown = rows(frame.view, frame.clock, width)
    alarms = _alarms(frame, width)
    # Stations first; alarms always have a few lines, the newest of them; events take what is left.
    for_alarms = min(len(alarms), max(room - len(shown), min(room // 3, 6)))
    if len(alarms) > for_alarms:
        hidden = len(alarms) - for_alarms
        alarms = (
            [Line(f"{alarms[0].text}, {hidden} more above", BAR), *alarms[hidden + 1 :]] if for_alarms else []
        )
    body = _window(shown, room - len(alarms), frame.desk, width)
    left = room - len(alarms) - len(body)
    tail = [
        Line(event_line(told, frame.clock, width, past=past, lines=len(frame.view.lines) > 1), FAINT)
        for told, past in list(frame.tail)[-max(0, left - 1) :]
    ]
    if left >= 3:
        head = f"  latest events ({frame.desk.choice.words()})"
        body += [Line(head, FAINT), *(tail or [Line("  none yet")])]
    return [*body, *[Line("")] * (room - len(alarms) - len(body)), *alarms]


def _alarms(frame: Frame, width: int) -> list[Line]:
    alarms = frame.view.alarms
    if not alarms:
        return []
    unseen = sum(not alarm.seen for alarm in alarms)
    hint = f"{unseen} not seen yet (a: seen)" if unseen else "all seen"
    return [Line(f"  alarms: {len(alarms)}, {hint}", BAR), *alarm_lines(alarms, frame.clock, width)]


def _header(frame: Frame, width: int) -> Line:
    desk, clock = frame.desk, frame.clock
    if desk.paused is not None:
        state = f"PAUSED since {clock.time(desk.paused)}, {frame.missed:,} events since"
    else:
        state = frame.state
    left = f" {frame.site}  {clock.time(clock.now)} {clock.offset()}  showing {clean(desk.choice.words())} "
    room = max(0, width - cell_len(state) - 1)
    return Line(fit(left, room) + state + " " * (width - room - cell_len(state)), BAR)


def _troubles(frame: Frame, width: int) -> list[Line]:
    made = [
        Line(part, STRONG if trouble.grave else PLAIN)
        for trouble in frame.view.troubles
        for part in wrap(trouble.text, width, "  ", 3, first="! " if trouble.grave else "- ")
    ]
    return made + [
        Line(part) for text in frame.notices for part in wrap(clean(text), width, "  ", 2, first="- ")
    ]


def _station(line: str, row: Row, clock: Clock, width: int) -> list[Line]:
    station = row.station
    begun = since(station)
    head = f"  {station.name} in {line.rpartition('/')[2]}: {row.state}" + (
        f" since {clock.time(begun)}" if begun else ""
    )
    heard = f"  heard {clock.age(station.heard)} ago" if station.heard else "  not heard yet"
    made = [Line(head + heard, STRONG)]
    made += [Line(part) for part in wrap(row.why, width, "  ", 4)]
    made += _titled("alarms", list(reversed(alarm_lines(station.alarms, clock, width))))
    made += _titled(
        "here now",
        [
            Line(f"  {here_words(board, squeeze(board.label, width // 3), clock)}")
            for board in reversed(station.here)
        ],
    )
    made += _titled(
        "last boards", boards(reversed(station.visits[-20:]), clock, width) if station.visits else []
    )
    made += _titled("changes", [Line("  " + event_line(told, clock, width - 2, past=True))
                                for told in reversed(station.changes[-10:])])  # fmt: skip
    made += _titled("gaps", [Line(f"  {gap_words(gap, clock)}") for gap in reversed(station.gaps[-5:])])
    made += _titled("rejected records", [Line("  " + event_line(told, clock, width - 2, past=True))
                                         for told in reversed(station.rejected[-5:])])  # fmt: skip
    return made


def _titled(title: str, lines: list[Line]) -> list[Line]:
    return [Line(""), Line(f"  {title}", BAR), *lines] if lines else []


def _keys(width: int) -> list[Line]:
    made = [Line(part) for key, text in KEYS
            for part in wrap(text, width, " " * 14, 3, first=f"  {key:<12}")]  # fmt: skip
    caution = (
        "What is shown is what machines and adapters said, as far as it was heard. It is no release of product and "
        "no safety function: before touching a machine, follow its maker's instructions and the plant's rules."
    )
    return [*made, Line(""), *(Line(part) for part in wrap(caution, width, "  ", 4))]


def _window(lines: list[Line], room: int, desk: Desk, width: int) -> list[Line]:
    """The part of the lines that fits, from the desk's offset on; the offset stays within them."""
    if len(lines) <= room:
        desk.offset = 0
        return list(lines)
    inner = max(1, room - 1)
    desk.offset = min(desk.offset, len(lines) - inner)
    shown = lines[desk.offset : desk.offset + inner]
    below = len(lines) - desk.offset - inner
    told = [f"{desk.offset} lines above (up)"] * bool(desk.offset) + [f"{below} lines below (down)"] * bool(
        below
    )
    return [*shown, Line(f"  ... {', '.join(told)}", FAINT)][:room]


def _shortened(lines: list[Line], room: int, where: str) -> list[Line]:
    if len(lines) <= room:
        return lines
    return [*lines[: room - 1], Line(f"  ... {len(lines) - room + 1} more lines {where}", FAINT)]


def _boards(here: Sequence[Here], room: int) -> str:
    sure = [board for board in here if board.sure]
    if not sure:
        return f"perhaps {squeeze(here[0].label, room - 8)}" if here else "-"
    more = f" +{len(sure) - 1}" if len(sure) > 1 else ""
    return squeeze(sure[0].label, room - len(more)) + more


def _source_name(source: str, lines: bool) -> str:
    return "/".join(source.rsplit("/", 2)[1 if lines else 2 :])


def _of_source(source: SourceNow, clock: Clock) -> str:
    silence = silence_words(source.condition, source.heard, clock) if source.silent else ""
    return "; ".join(part for part in (silence, source.detail, *source.alarms) if part)


def _time(instant: datetime | None, clock: Clock) -> str:
    return clock.time(instant) if instant else "-"


def _columns(*cells: tuple[str, int]) -> str:
    """Cells side by side; width 0: as wide as it is."""
    return " ".join(fit(text, width) if width else text for text, width in cells)
