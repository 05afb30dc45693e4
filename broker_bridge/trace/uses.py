"""What a board carries and what touched it, as it is told."""

from datetime import datetime
from typing import Final

from broker_bridge.trace.belief import Belief, Evidence
from broker_bridge.trace.inspections import Place
from broker_bridge.trace.setups import Stuff
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.supply import Supply
from broker_bridge.trace.value import Value

REWORKED: Final = "inspection.rework_performed"


class Material(Value):
    """Material installed on, consumed for or removed from the board."""

    act: str
    """installed, consumed, removed or bare_board"""
    time: datetime
    station: str | None
    scope: str
    side: str | None
    places: tuple[Place, ...]
    """Empty: not known."""
    gone: tuple[Place, ...]
    """Those of the places from which it came off again."""
    now: bool
    """Whether the board carries it, or some of it, now; else it only ever did."""
    ended: datetime | None
    """When the last of it came off, or was washed off."""
    id: str | None
    """The plant's own id of the reel or container."""
    part: str | None
    maker: str | None
    maker_part: str | None
    lots: tuple[str, ...]
    """The maker's lots in it: any of them may be on the board."""
    date_code: str | None
    supplier: str | None
    receipt: str | None
    parent: str | None
    """What the reel or container was split from."""
    container: str | None
    slot: str | None
    feeder: str | None
    nozzle: str | None
    one_of: str | None
    """Entries with the same text exclude each other: exactly one of them is true."""
    confirm: str | None
    """What a person would have to confirm to decide it."""
    exceeded: str | None
    """Why it was used beyond its floor life or shelf life; None: not as far as is stated."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]

    @property
    def known(self) -> bool:
        """Whether it is known which reel or lot it is; else any of its part may be meant."""
        return bool(self.id or self.lots or self.act in ("removed", "bare_board"))


class Tool(Value):
    """A tool that touched the board."""

    kind: str
    id: str
    station: str | None
    side: str | None
    time: datetime
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Need(Value):
    """From when to when what a station says decides what a visit to it put on the board."""

    visit: int
    """Its place in the route, from 0."""
    line: str
    silent: bool
    """Whether the station says nothing of what it put on the board."""
    since: datetime
    until: datetime


def put(
    act: str, time: datetime, station: str | None, scope: str, side: str | None, places: tuple[Place, ...], stuff: Stuff,
    slot: str | None, feeder: str | None, nozzle: str | None, one_of: str | None, confirm: str | None, belief: Belief,
    evidence: tuple[Evidence, ...],
) -> Material:  # fmt: skip
    """Material that was put on, used up or taken off."""
    return Material(
        act=act, time=time, station=station, scope=scope, side=side, places=places, gone=(), now=act != "removed",
        ended=None, id=stuff.id, part=stuff.part, maker=stuff.maker, maker_part=stuff.maker_part, lots=stuff.lots,
        date_code=stuff.date_code, supplier=stuff.supplier, receipt=stuff.receipt, parent=stuff.parent,
        container=stuff.container, slot=slot, feeder=feeder, nozzle=nozzle, one_of=one_of, confirm=confirm, exceeded=None,
        certainty=belief.certainty, probability=belief.probability, reason=belief.reason,
        evidence=tuple(sorted(set(evidence))),
    )  # fmt: skip


def stuff_of(statement: Statement, supply: Supply) -> Stuff:
    """What a statement says was used, with all that is known of it."""
    return whole(Stuff.of(statement.get("material") or {}), supply)


def whole(stuff: Stuff, supply: Supply) -> Stuff:
    """With all lots that any statement gives the container."""
    if stuff.id is None:
        return stuff
    lots = supply.lots(stuff.id)
    return stuff if lots <= set(stuff.lots) else stuff._replace(lots=tuple(sorted({*stuff.lots, *lots})))
