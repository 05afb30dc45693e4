"""What was called at a place of the board, across machines, and what became of it.

A call becomes a defect when a review confirms it, or when somebody works at that place because of it. Calls that
nobody has judged are kept apart: they are neither defects nor passes.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Final

from broker_bridge.trace.attempts import Test
from broker_bridge.trace.belief import Belief, Evidence, chain
from broker_bridge.trace.decisions import Action, Rework
from broker_bridge.trace.inspections import Call, Inspection, Place, begun
from broker_bridge.trace.value import Value


class DefectStep(Value):
    """One thing that happened to a defect, in order of time."""

    act: str
    """called, confirmed, false_call, process_indicator, undecided, reworked, not_repairable, false_scrap, rework_failed,
    passed"""
    time: datetime
    station: str | None
    what: str | None
    """The machine's label, the remark of the review, what was done."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Escape(Value):
    """An inspection that let the place pass before: it looked there and called nothing, or its call was judged false.

    That is where it was not detected; where it came from it does not say, and it may have come later.
    """

    station: str | None
    time: datetime
    how: str
    """not_called or judged_false"""
    evidence: tuple[Evidence, ...]


class Leaving(Value):
    """The board left its line or the plant."""

    what: str
    """shipped, or the end of the line"""
    time: datetime
    evidence: tuple[Evidence, ...]


class Defect(Value):
    """One confirmed defect at one place of the board, across machines."""

    place: Place
    defect: str
    """The plant's word, the machine's label where there is none."""
    station: str | None
    """Where it was called first."""
    side: str | None
    paste: bool
    """It is about printed paste, and a top-up is its rework."""
    called: datetime
    confirmed: datetime
    state: str
    """open: no rework at that place is known, or it was called again after the last one. reworked: one is, and nobody
    has looked again. passed_again: a later inspection of that place, by a method that had called it, called nothing.
    not_repairable: the rework says so. false_scrap: the rework says that nothing was wrong there."""
    reworked: datetime | None
    looked_again: datetime | None
    """The inspection after the last rework that looked at that place."""
    escaped: tuple[Escape, ...]
    left: tuple[Leaving, ...]
    """Each time the board left while it was open, whether that was known then or not."""
    steps: tuple[DefectStep, ...]
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Undecided(Value):
    """A call that nobody has judged, and at whose place nobody has worked."""

    place: Place
    label: str
    station: str | None
    side: str | None
    paste: bool
    called: datetime
    looked_again: datetime | None
    """A later inspection looked there and called nothing, though nobody has judged the call."""
    left: tuple[Leaving, ...]
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Standing(Value):
    """Three numbers that are often taken for one, each with the time of the newest thing it rests on."""

    called: int
    """As inspected: places that a machine called."""
    inspected_until: datetime | None
    confirmed: int
    """As reviewed: of these, confirmed ones."""
    not_reviewed: int
    """Of these, without a verdict or undecided."""
    reviewed_until: datetime | None
    open: int
    """As reworked: confirmed defects that are still open."""
    reworked_until: datetime | None


class Chains(Value):
    """All that was called on a board."""

    defects: tuple[Defect, ...]
    undecided: tuple[Undecided, ...]
    standing: Standing


_BY_REVIEW: Final = {"confirmed", "false_call", "process_indicator", "undecided"}
_SETTLED: Final = frozenset({"reworked", "passed_again", "not_repairable", "false_scrap"})
_LOOKED: Final = frozenset({"passed", "failed"})
"""Outcomes of an inspection that did look at the board."""


def chains(
    inspections: Sequence[Inspection],
    tests: Sequence[Test],
    reworks: Sequence[Rework],
    leavings: Sequence[Leaving] = (),
) -> Chains:
    """Every place that was called, in order of the first call of each."""
    known = _Known(inspections, tests, reworks)
    found: list[Defect] = []
    open_calls: list[Undecided] = []
    for place, side, paste in known.places:
        steps = known.steps(place, side, paste)
        for run in _runs(steps):
            if not any(step.act == "called" for step in run):
                continue  # work at a place that nobody had called yet
            if any(step.act == "confirmed" or step.act in _MENDED for step in run):
                found.append(
                    _defect((place, side, paste), run, known.escapes(place, side, paste, run), leavings)
                )
            elif not _judged(run):
                open_calls.append(_undecided((place, side, paste), run, leavings))
    found.sort(key=lambda defect: (defect.called, repr(defect.place)))
    open_calls.sort(key=lambda call: (call.called, repr(call.place)))
    return Chains(tuple(found), tuple(open_calls), _standing(known, found, open_calls))


_Spot = tuple[Place, str | None, bool]
"""A place, the side on which it was called (None: not stated, or both), and whether paste was called there."""


class _Known:
    """Inspections, tests and rework of a board."""

    def __init__(
        self, inspections: Sequence[Inspection], tests: Sequence[Test], reworks: Sequence[Rework]
    ) -> None:
        self.inspections, self.tests, self.reworks = inspections, tests, reworks
        sides: dict[tuple[Place, bool, str | None], set[str]] = {}
        for inspection in inspections:
            for call in inspection.calls:
                # A designator is unique on a board; a pad number alone may be there on both sides.
                apart = None if call.place.designator else inspection.side
                found = sides.setdefault((call.place, inspection.method == "paste", apart), set())
                found.update(side for side in (inspection.side,) if side)
        for test in tests:
            for call in test.calls:
                sides.setdefault((call.place, False, None), set())
        self.places: Sequence[_Spot] = tuple(
            (place, found.pop() if len(found) == 1 else None, paste)
            for (place, paste, _), found in sides.items()
        )

    def steps(self, place: Place, side: str | None, paste: bool) -> list[DefectStep]:
        """What happened at a place, in order of time."""
        looks = list(self._looks(side, paste))
        callers = {one.method for one in looks if any(call.place == place for call in one.calls)}
        steps = [step for one in looks for step in _seen(one, place, callers)]
        steps += [step for test in self.tests if not paste for step in _tested(test, place)]
        steps += [step for rework in self._works(side, paste) for step in _worked(rework, place)]
        return sorted(
            steps, key=lambda step: (step.time, _RANK.get(step.act, 1), step.evidence, step.what or "")
        )

    def escapes(
        self, place: Place, side: str | None, paste: bool, run: Sequence[DefectStep]
    ) -> tuple[Escape, ...]:
        """Earlier inspections since the last rework before this run that let the place pass."""
        first = min((step.time for step in run if step.act in _REAL), default=run[0].time)
        # What was judged false before the run that confirms it belongs to the same stretch without work.
        since = max(
            (s.time for s in self.steps(place, side, paste) if s.act in _MENDED and s.time < first),
            default=None,
        )
        found: list[Escape] = []
        for one in self._looks(side, paste):
            time = begun(one)
            if time >= first or (since is not None and time <= since) or not looked_at(one, place):
                continue
            calls = [call for call in one.calls if _same(call.place, place)]
            if not calls:
                found.append(Escape(one.station, time, "not_called", one.evidence))
            elif all(call.verdict == "false_call" for call in calls):
                found.append(Escape(one.station, time, "judged_false", one.evidence))
        return tuple(found)

    def _looks(self, side: str | None, paste: bool) -> Iterator[Inspection]:
        for one in self.inspections:
            if (one.method == "paste") == paste and (side is None or one.side in (None, side)):
                yield one

    def _works(self, side: str | None, paste: bool) -> Iterator[Rework]:
        for one in self.reworks:
            if (one.kind == "paste_top_up") == paste and (side is None or one.side in (None, side)):
                yield one


_REAL: Final = frozenset({"called", "confirmed"})
_MENDED: Final = frozenset({"reworked", "not_repairable"})
_RANK: Final = {"called": 0, "passed": 2}


def looked_at(one: Inspection, place: Place) -> bool:
    """Whether an inspection surely looked at a place: it was done, and its program does not leave it out."""
    left_out = one.coverage.left_out if one.coverage else ()
    counted = one.coverage is None or one.coverage.sampling is None
    return one.outcome in _LOOKED and one.scope == "board" and place.designator not in left_out and counted


def _same(one: Place, other: Place) -> bool:
    return one == other or one.covers(other) or other.covers(one)


def _seen(one: Inspection, place: Place, callers: Collection[str]) -> Iterator[DefectStep]:
    calls = [call for call in one.calls if call.place == place]
    own = one.certainty, one.probability, one.reason
    for call in calls:
        yield DefectStep(
            "called",
            begun(one),
            one.station,
            call.defect or call.label,
            own[0],
            own[1],
            own[2],
            call.evidence,
        )
        if call.verdicts:
            given = call.verdicts[-1]
            act = given.verdict if given.verdict in _BY_REVIEW else "undecided"
            yield DefectStep(
                act, given.time, given.station, given.defect or given.remark, given.certainty, given.probability,
                given.reason, given.evidence,
            )  # fmt: skip
    clear = one.method in callers and not any(_same(call.place, place) for call in one.calls)
    if clear and looked_at(one, place):
        yield DefectStep("passed", begun(one), one.station, None, own[0], own[1], own[2], one.evidence)


def _tested(test: Test, place: Place) -> Iterator[DefectStep]:
    for call in test.calls:
        if call.place == place and test.begun is not None:
            yield DefectStep(
                "called", test.begun, test.station, call.defect or call.label, test.certainty, test.probability,
                test.reason, call.evidence,
            )  # fmt: skip


def _worked(rework: Rework, place: Place) -> Iterator[DefectStep]:
    for action in rework.actions:
        if _same(action.place, place):
            yield DefectStep(
                _did(rework, action), rework.ended, rework.station, action.action, rework.certainty,
                rework.probability, rework.reason, rework.evidence,
            )  # fmt: skip


def _did(rework: Rework, action: Action) -> str:
    if action.verdict == "not_repairable":
        return "not_repairable"
    if action.verdict == "false_scrap":
        return "false_scrap"
    return "rework_failed" if rework.outcome == "failed" else "reworked"


def _runs(steps: Sequence[DefectStep]) -> list[list[DefectStep]]:
    """The steps cut where a place that was good again is called anew: that is another defect."""
    runs: list[list[DefectStep]] = []
    current: list[DefectStep] = []
    good = True
    for step in steps:
        if step.act == "passed" and not any(
            s.act in ("called", "reworked", "not_repairable") for s in current
        ):
            continue  # nothing was wrong yet
        if step.act == "called" and current and good:
            runs.append(current)
            current = []
        current.append(step)
        if step.act in ("called", "confirmed", "undecided"):
            good = False
        elif step.act == "false_scrap":
            good = True
        elif step.act in ("false_call", "process_indicator"):
            good = not any(s.act == "confirmed" for s in current)
        elif step.act == "passed":
            good = any(s.act in _MENDED for s in current)
    return [*runs, current] if current else runs


def _judged(run: Sequence[DefectStep]) -> bool:
    called = sum(step.act == "called" for step in run)
    judged = sum(step.act in ("false_call", "process_indicator", "false_scrap") for step in run)
    return judged >= called


def _defect(
    spot: _Spot, run: Sequence[DefectStep], escaped: tuple[Escape, ...], leavings: Sequence[Leaving]
) -> Defect:
    place, side, paste = spot
    called = [step for step in run if step.act == "called"]
    proofs = [step for step in run if step.act == "confirmed"]
    works = [step for step in run if step.act in _MENDED]
    proof = (proofs or works)[0]
    first = called[0]
    state, again = _state(run)
    belief = chain(*(Belief(s.certainty, s.probability, s.reason) for s in (first, proof)))  # type: ignore[arg-type]
    return Defect(
        place=place,
        defect=next((s.what for s in (*reversed(proofs), *called) if s.what), "not named"),
        station=first.station,
        side=side,
        paste=paste,
        called=first.time,
        confirmed=proof.time,
        state=state,
        reworked=works[-1].time if works else None,
        looked_again=again,
        escaped=escaped,
        left=tuple(
            leaving for leaving in leavings if leaving.time >= first.time and _open_at(run, leaving.time)
        ),
        steps=tuple(run),
        certainty=belief.certainty,
        probability=belief.probability,
        reason=belief.reason,
        evidence=tuple(sorted({event for step in run for event in step.evidence})),
    )


def _state(run: Sequence[DefectStep]) -> tuple[str, datetime | None]:
    state, again = "open", None
    for step in run:
        match step.act:
            case "called" if state in _SETTLED:
                state, again = "open", step.time
            case "reworked" | "not_repairable" | "false_scrap":
                state, again = step.act, None
            case "passed" if state == "reworked":
                state, again = "passed_again", step.time
    return state, again


def _open_at(run: Sequence[DefectStep], time: datetime) -> bool:
    before = [step for step in run if step.time <= time]
    return bool(before) and _state(before)[0] == "open"


def _undecided(spot: _Spot, run: Sequence[DefectStep], leavings: Sequence[Leaving]) -> Undecided:
    place, side, paste = spot
    called = [step for step in run if step.act == "called"]
    first = called[0]
    again = [step.time for step in run if step.act == "passed" and step.time > called[-1].time]
    return Undecided(
        place=place,
        label=called[-1].what or "not named",
        station=first.station,
        side=side,
        paste=paste,
        called=first.time,
        looked_again=again[0] if again else None,
        left=tuple(leaving for leaving in leavings if leaving.time >= first.time),
        certainty=first.certainty,
        probability=first.probability,
        reason=first.reason,
        evidence=tuple(sorted({event for step in run for event in step.evidence})),
    )


def _standing(known: _Known, found: Sequence[Defect], undecided: Sequence[Undecided]) -> Standing:
    calls: list[Call] = [call for one in known.inspections for call in one.calls]
    verdicts = [verdict.time for call in calls for verdict in call.verdicts]
    ends = [time for one in known.inspections if (time := one.ended or one.started)]
    return Standing(
        called=len(known.places),
        inspected_until=_latest(ends),
        confirmed=len(found),
        not_reviewed=len(undecided),
        reviewed_until=_latest(verdicts),
        open=sum(defect.state == "open" for defect in found),
        reworked_until=_latest(rework.ended for rework in known.reworks),
    )


def _latest(times: Iterable[datetime]) -> datetime | None:
    return max(times, default=None)
