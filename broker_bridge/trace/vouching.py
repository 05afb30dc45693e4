"""What may be said to a machine about a board: good, failed or unknown.

A machine may treat a board by this word unasked by anybody. So "good" needs everything: all of it observed, complete and
current, nothing open, held, missing or contradicted. "Failed" needs one observed fact that says so, and no doubt about
whose it is. All else is "unknown", with the reasons.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Final, Literal

from broker_bridge.trace.attempts import Test
from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.inspections import Inspection
from broker_bridge.trace.portrait import Key
from broker_bridge.trace.value import Value

Word = Literal["good", "failed", "unknown"]

_DONE: Final = frozenset({"completed", "passed"})
_LOOKING: Final = ("inspection.completed", "inspection.test_completed")
_MENDING: Final = frozenset(
    {"inspection.reviewed", "inspection.rework_performed", "inspection.paste_topped_up"}
)
_OUT: Final = frozenset({"scrap", "return"})
_ORDINARY: Final = frozenset({None, "production"})


class Vouched(Value):
    """What may be said, and why it is no better."""

    word: str
    """good, failed or unknown"""
    reasons: tuple[str, ...]
    """Why it is not good; empty where it is."""
    key: Key
    order: str | None
    """The work order it was assigned to last; None: not known, or not told of one thing alone."""
    part: str | None
    as_of: AsOf
    caution: str


CAUTION: Final = (
    "Said from what was recorded, which may be wrong or late. It releases nothing: failed boards reach the line again only"
    " by the plant's procedure and its authorised people."
)


def vouch(history: History, *, declared: bool, behind: str | None = None) -> Vouched:
    """What may be said about one thing by its history.

    `declared`: a process is declared for every line it was on, without which no step can be missed. `behind`: why the
    history is not the newest, where it is not.
    """
    reasons = list(dict.fromkeys(_against(history, declared, behind)))
    word: Word = "good"
    if reasons:
        word = "failed" if _certain(history) and any(_failed(history)) else "unknown"
    who = history.identity
    return Vouched(
        word=word,
        reasons=tuple(reasons),
        key=who.key,
        order=who.work_orders[-1].order if who.work_orders and _certain(history) else None,
        part=who.part_number if _certain(history) else None,
        as_of=history.as_of,
        caution=CAUTION,
    )


def together(whole: Vouched, parts: Sequence[Vouched]) -> Vouched:
    """What may be said about a panel: no better than about any of its boards."""
    reasons = (
        *whole.reasons,
        *(f"{_called(part.key)}: {reason}" for part in parts for reason in part.reasons),
    )
    words = {one.word for one in (whole, *parts)}
    word: Word = "failed" if words == {"failed"} else "good" if words == {"good"} else "unknown"
    return whole._replace(word=word, reasons=reasons)


def _called(key: Key) -> str:
    return key.value if key.position is None else f"position {key.position}"


def _certain(history: History) -> bool:
    """Whether there is no doubt that this is the thing that was asked for."""
    return not history.findings and all(one.certainty == "observed" for one in history.identity.identifiers)


def _failed(history: History) -> Iterator[bool]:
    yield any(
        one.certainty == "observed" and one.state in ("open", "not_repairable") for one in history.defects
    )
    yield any(
        one.certainty == "observed" and _outcome(one) == "failed" for one in _last_looks(history.inspections)
    )
    yield any(one.certainty == "observed" and one.outcome == "failed" for one in _last_tests(history))
    yield any(one.certainty == "observed" and one.what in _OUT for one in history.decisions[-1:])


def _against(history: History, declared: bool, behind: str | None) -> Iterator[str]:
    """Everything that keeps it from being good."""
    who, known = history.identity, history.completeness
    if behind is not None:
        yield behind
    if not declared:
        yield "no process is declared for its line: a missing step would not be seen"
    if who.purpose not in _ORDINARY:
        yield f"it is no ordinary board: {who.purpose}"
    for identifier in who.identifiers:
        if identifier.certainty != "observed":
            yield f"that it is {identifier.value} is {identifier.certainty}"
    for hold in history.held:
        yield f"on hold{f' {hold.hold}' if hold.hold else ''}"
    for finding in history.findings:
        yield finding.text
    yield from _route(history)
    yield from _looks(history)
    for defect in history.defects:
        if defect.state not in ("passed_again", "false_scrap"):
            yield f"defect {defect.state.replace('_', ' ')} at {defect.place.designator or 'a place not stated'}"
        elif defect.certainty != "observed":
            yield f"a defect's closure is {defect.certainty}"
    if history.undecided or known.open_reviews:
        yield "calls are not judged"
    for decision in history.decisions:
        if decision.what in _OUT:
            yield f"it was decided: {decision.what}"
        elif decision.certainty != "observed":
            yield f"a decision about it is {decision.certainty}"
    for gap in history.gaps:
        yield f"something may be missing at {gap.where} ({gap.cause.replace('_', ' ')})"
    for source in known.sources:
        if source.missing is None:
            yield "what was missing then is not known"
        elif source.missing:
            yield f"{source.source} has not caught up: {source.missing} events are missing"
        for heard in source.hearing:
            if not heard.connected:
                yield f"{heard.station or source.source} is not heard now"


def _route(history: History) -> Iterator[str]:
    if not history.route:
        yield "it was never seen at a station"
    overruled = {
        look.station for look in _last_looks(history.inspections) if look.outcome_after_review == "passed"
    }
    last = {(visit.station, visit.side): visit for visit in history.route}
    for visit in history.route:
        where = visit.station or "a station not known"
        if visit.certainty != "observed" or visit.station is None:
            yield f"its visit to {where} is {visit.certainty}"
        if visit is not last[visit.station, visit.side]:
            continue
        looked = any(kind in _LOOKING for kind in visit.work)
        if visit.handed_on == "failed" and not (looked and visit.station in overruled):
            yield f"{where} handed it on as failed"
        if looked or _MENDING.issuperset(visit.work or ("work",)):
            continue  # judged by what was found there, and by what became of it
        if visit.came == "loaded" and not visit.work:
            continue  # out of a magazine: nothing is done to it there
        if visit.outcome not in _DONE and not (visit.outcome is None and visit.handed_on == "good"):
            yield f"{where} stated no good end of its work"


def _looks(history: History) -> Iterator[str]:
    looks, tests = list(_last_looks(history.inspections)), list(_last_tests(history))
    if not looks and not tests:
        yield "nothing has inspected or tested it"
    for look in looks:
        outcome = _outcome(look)
        if outcome != "passed":
            yield f"{look.station or look.method} came out as {outcome.replace('_', ' ')}"
        if look.certainty != "observed":
            yield f"the inspection at {look.station or 'a station not known'} is {look.certainty}"
        if look.coverage is not None and look.coverage.left_out:
            yield f"{look.station or look.method} left out {', '.join(look.coverage.left_out[:5])}"
    for test in tests:
        if test.outcome != "passed":
            yield f"{test.station or test.method} came out as {test.outcome.replace('_', ' ')}"
        if test.certainty != "observed":
            yield f"the test at {test.station or 'a station not known'} is {test.certainty}"


def _last_looks(found: Iterable[Inspection]) -> Iterable[Inspection]:
    return {(one.method, one.side, one.scope): one for one in found}.values()


def _last_tests(history: History) -> Iterable[Test]:
    return {(one.method, one.program.name if one.program else None): one for one in history.tests}.values()


def _outcome(look: Inspection) -> str:
    return look.outcome_after_review or look.outcome
