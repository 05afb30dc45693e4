"""Defects and unjudged calls over many boards; boards since an inspection machine was last shown to be right."""

from typing import Final

from broker_bridge.errors import NotFound
from broker_bridge.projector.derived import Derived
from broker_bridge.projector.entries import FIRST, LAST, microseconds, verification_file
from broker_bridge.queries.boards import holding
from broker_bridge.queries.many import Progress, boards, facts_of, named
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settled
from broker_bridge.trace.history import CAUTION, AsOf
from broker_bridge.trace.inspections import begun
from broker_bridge.trace.listing import Checked, Listing, Row, Unproven, Wanted, rows, sentence
from broker_bridge.trace.statements import instant

_CALLING: Final = ("inspection.completed", "inspection.test_completed")


def defects(
    record: Record, wanted: Wanted, *, at: int | None = None, progress: Progress | None = None
) -> Listing:
    """The rows that are asked for, in order of the calls, as of a commit (the newest by default).

    The newest are read from what is derived, an older commit's from the histories of all boards with calls.
    """
    as_of = record.as_of(at)
    found = [row for row in _called(record, wanted, as_of, progress) if wanted.takes(row)]
    found.sort(key=lambda row: (row.called, row.board, row.designator or "", row.pad or ""))
    return Listing(sentence(found, wanted), len({row.board for row in found}), tuple(found), as_of, CAUTION)


def _called(record: Record, wanted: Wanted, as_of: AsOf, progress: Progress | None) -> list[Row]:
    if as_of.commit == record.as_of().commit and settled(record, progress):
        since = FIRST if wanted.since is None else microseconds(wanted.since)
        until = LAST if wanted.until is None else microseconds(wanted.until)
        derived = Derived(record.index.path)
        try:
            return derived.called(since, until)
        finally:
            derived.close()
    calling = [fact for fact in facts_of(record, _CALLING, as_of) if fact.data.get("calls")]
    return [row for history in boards(record, named(calling), as_of, progress) for row in rows(history)]


def since_verification(
    record: Record, equipment: str, *, at: int | None = None, progress: Progress | None = None
) -> Unproven:
    """What a machine (by its serial or inventory number, or by its station) inspected since its last good verification.

    Raises NotFound where the record knows no such machine.
    """
    as_of = record.as_of(at)
    places = {fact.source.split("/")[1] for fact in record.reader.facts([1])} if as_of.number else set()
    numbers = {n for site in places for n in record.index.filed(verification_file(f"/{site}/"), as_of.number)}
    checks = [
        fact
        for fact in holding(record, numbers, as_of.number)
        if equipment in (fact.data.get("equipment"), fact.data.get("station"))
    ]
    good = [instant(fact.time) for fact in checks if fact.data["outcome"] == "passed"]
    verified = max(good, default=None)
    looks = [
        fact
        for fact in facts_of(record, ("inspection.completed",), as_of)
        if equipment in (fact.data.get("equipment"), fact.data.get("station"))
    ]
    if not checks and not looks:
        raise NotFound(f"no inspection machine or station {equipment!r} is known as of commit {as_of.commit}")
    later = [fact for fact in looks if verified is None or instant(fact.time) > verified]
    found = [
        Checked(
            board=history.identity.key,
            panel=history.identity.panel.value if history.identity.panel else None,
            started=begun(one),
            outcome=one.outcome,
            calls=len(one.calls),
            evidence=one.evidence,
        )
        for history in boards(record, named(later), as_of, progress)
        for one in history.inspections
        if equipment in (one.equipment, one.station) and (verified is None or begun(one) > verified)
    ]
    found.sort(key=lambda one: (one.started, one.board))
    bad = sorted(instant(fact.time) for fact in checks if fact.data["outcome"] != "passed")
    failed = tuple(time for time in bad if verified is None or time > verified)
    count = len({one.board for one in found})
    since = (
        f"since its last good verification, {verified:%Y-%m-%d %H:%M:%S} UTC"
        if verified
        else "and no good verification of it is known"
    )
    again = f"; {len(failed)} verification{'' if len(failed) == 1 else 's'} failed since" if failed else ""
    text = f"{equipment} inspected {count} board{'' if count == 1 else 's'} {since}{again}."
    return Unproven(text, equipment, verified, failed, tuple(found), as_of, CAUTION)
