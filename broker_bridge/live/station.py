"""One station: what was said about it, and how it looks just now."""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime, timedelta
from heapq import merge
from typing import Final, NamedTuple

from broker_bridge.live.alarms import Alarm, AlarmId, alarms
from broker_bridge.live.clock import instant_of
from broker_bridge.live.holds import Holds
from broker_bridge.live.newest import Newest
from broker_bridge.live.passages import Here, Left, Moves, Passed, Visit, here, left, passages
from broker_bridge.live.plain import clean
from broker_bridge.live.told import Told
from broker_bridge.live.words import slot_of

_KINDS: Final[Mapping[str, tuple[str, int]]] = {
    "station.state_changed": ("state", 32),
    "station.alarm_raised": ("alarm", 200),
    "station.alarm_cleared": ("alarm", 200),
    "station.program_changed": ("change", 20),
    "material.set_up": ("stock", 200),
    "material.spliced": ("stock", 200),
    "material.removed": ("stock", 200),
    "material.low": ("stock", 200),
    "source.connected": ("link", 16),
    "source.disconnected": ("link", 16),
    "source.gap": ("gap", 16),
    "source.rejected": ("rejected", 20),
    "source.retracted": ("other", 1),
    "source.answered": ("other", 1),
    "board.asserted": ("other", 1),
    "board.magazine_handled": ("other", 1),
}
"""What is kept of each type, and how much by each source; all other types of board, work and inspection are boards'."""
_BOARDS: Final = ("board", 400)
_OTHER: Final = ("other", 1)
_OF_BOARDS: Final = ("board.", "work.", "inspection.")


_SKEW: Final = timedelta(seconds=10)
"""A source tells connections by the bridge's clock and statements by the machine's; so much they may differ."""


class Said(NamedTuple):
    """The state a machine told last."""

    state: str
    """One of the six of SEMI E10, or unknown."""
    native: str
    reason: str
    alarm: str
    since: datetime


class Cut(NamedTuple):
    """The machine is not connected to what listens to it."""

    adapter: str
    since: datetime
    detail: str
    silent: bool
    """Nothing was heard from anybody about the station since."""


class Gap(NamedTuple):
    """Statements of a source are missing, or may be."""

    source: str
    cause: str
    start: datetime | None
    end: datetime | None
    """None: not known, or still open."""
    detail: str
    told: datetime


class Empty(NamedTuple):
    """A place to take parts from that is empty and was not filled since."""

    slot: str
    since: datetime


class StationNow(NamedTuple):
    """A station as it looks now. What nobody said is absent."""

    line: str
    name: str
    said: Said | None
    cut: Cut | None
    here: tuple[Here, ...]
    left: Left | None
    visits: tuple[Visit, ...]
    tracked: bool
    """Some source tells arrivals and departures here."""
    alarms: tuple[Alarm, ...]
    empties: tuple[Empty, ...]
    gaps: tuple[Gap, ...]
    changes: tuple[Told, ...]
    """Program, material: what changed, newest last."""
    rejected: tuple[Told, ...]
    heard: datetime | None
    """Time of the newest statement about it."""
    unheard: bool = False
    """How it is now is not known: whoever speaks of it is silent, or nothing was said of it for long."""


class Station:
    """Collects statements; `now` looks."""

    def __init__(self, line: str, name: str) -> None:
        self.line = line
        self.name = name
        self._kept: dict[tuple[str, str], Newest] = {}
        self._passed: Passed | None = None

    def add(self, told: Told) -> bool:
        """Take a statement; False when it changes nothing."""
        kind, limit = _kind(told.type)
        kept = self._kept.get((kind, told.source))
        if kept is None:
            kept = self._kept[kind, told.source] = Newest(limit)
        if kind == "board":
            self._passed = None
        return kept.add(told)

    def drop(self) -> None:
        """A statement stopped to hold: look anew."""
        self._passed = None

    def arrivals(self, holds: Holds) -> Moves:
        """When each board came last."""
        return self._look(holds).arrivals

    def departures(self, holds: Holds) -> Moves:
        """When each board left last."""
        return self._look(holds).departures

    def visits(self, holds: Holds) -> tuple[Visit, ...]:
        """The passes of boards, in the order of their beginnings."""
        return self._look(holds).visits

    def now(
        self, holds: Holds, shared: Iterable[Told], elsewhere: Iterable[Moves], seen: Collection[AlarmId]
    ) -> StationNow:
        """How it looks. `shared`: connections and gaps that its sources told of themselves as a whole."""
        of_sources = [told for told in shared if told.source in self.sources()]
        links = [*self._of("link", holds), *(told for told in of_sources if told.type != "source.gap")]
        gaps = [*self._of("gap", holds), *(told for told in of_sources if told.type == "source.gap")]
        passed = self._look(holds)
        missed: dict[str, datetime] = {}
        for told in (*links, *gaps):
            if told.type != "source.connected":
                missed[told.source] = max(told.at, missed.get(told.source, told.at))
        stock = self._of("stock", holds)
        programs = self._of("change", holds)
        return StationNow(
            line=self.line,
            name=self.name,
            said=_said(self._of("state", holds)),
            cut=_cut(links, self._newest(holds)),
            here=here(passed.visits, elsewhere, missed),
            left=left(passed.visits),
            visits=passed.visits,
            tracked=bool(passed.arrivals or passed.departures),
            alarms=alarms(self._of("alarm", holds), seen),
            empties=_empties(stock),
            gaps=tuple(map(_gap, sorted(gaps, key=lambda told: told.key))),
            changes=tuple(merge(programs, (told for told in stock if told.type != "material.low"), key=_key)),
            rejected=tuple(self._of("rejected", holds)),
            heard=max((told.at for told in self._newest(holds).values()), default=None),
        )

    def sources(self) -> frozenset[str]:
        """Who speaks about it."""
        return frozenset(source for _, source in self._kept)

    def _look(self, holds: Holds) -> Passed:
        if self._passed is None:
            self._passed = passages(self.name, self._of("board", holds))
        return self._passed

    def _of(self, kind: str, holds: Holds) -> list[Told]:
        kept = [newest for (of_kind, _), newest in sorted(self._kept.items()) if of_kind == kind]
        return holds.among(kept[0] if len(kept) == 1 else merge(*kept, key=_key))

    def _newest(self, holds: Holds) -> dict[str, Told]:
        """The newest thing each source said of the machine; that a source is gone is said of the source."""
        found: dict[str, Told] = {}
        for (_, source), kept in sorted(self._kept.items()):
            last = next(
                (told for told in reversed(kept) if holds(told) and told.type not in _OF_SOURCE), None
            )
            if last is not None and (source not in found or found[source].key < last.key):
                found[source] = last
        return found


_OF_SOURCE: Final = frozenset(
    {"source.connected", "source.disconnected", "source.gap", "source.retracted", "source.answered"}
)


def _kind(type_name: str) -> tuple[str, int]:
    return _KINDS.get(type_name) or (_BOARDS if type_name.startswith(_OF_BOARDS) else _OTHER)


def _key(told: Told) -> tuple[object, ...]:
    return told.key


def _said(states: list[Told]) -> Said | None:
    """The newest state, since the first of the statements in a row that say the same."""
    if not states:
        return None
    last = states[-1]
    since = last.at
    for told in reversed(states):
        if told.source != last.source:
            continue
        if dict(told.about) != dict(last.about):
            break
        since = told.at
    about = last.about
    return Said(
        about["state"],
        clean(about["native"]),
        clean(about.get("reason") or ""),
        about.get("alarm") or "",
        since,
    )


def _cut(links: list[Told], newest: Mapping[str, Told]) -> Cut | None:
    """Not connected: every source that speaks of its connection says so, and has said nothing later."""
    last: dict[str, Told] = {}
    for told in sorted(links, key=_key):
        last[told.source] = told
    spoken = {source: told.at - _SKEW for source, told in newest.items()}
    gone = [
        told
        for source, told in last.items()
        if told.type == "source.disconnected" and spoken.get(source, told.at) <= told.at
    ]
    if not gone or len(gone) < len(last):
        return None
    latest = max(gone, key=_key)
    return Cut(
        adapter=latest.source.rpartition("/")[2],
        since=latest.at,
        detail=clean(latest.about.get("detail") or ""),
        silent=all(at <= latest.at for at in spoken.values()),
    )


def _empties(stock: list[Told]) -> tuple[Empty, ...]:
    last: dict[tuple[str, str], Told] = {}
    for told in stock:
        slot = slot_of(told.about.get("feeding") or {})
        if slot:
            last[told.source, slot] = told
    return tuple(
        Empty(slot, told.at)
        for (_, slot), told in last.items()
        if told.type == "material.low" and told.about.get("empty")
    )


def _gap(told: Told) -> Gap:
    start, end = told.about.get("start"), told.about.get("end")
    return Gap(
        source=told.source,
        cause=told.about["cause"],
        start=instant_of(start) if start else None,
        end=instant_of(end) if end else None,
        detail=clean(told.about.get("detail") or ""),
        told=told.at,
    )
