"""A comparison of counts on one printed page (A4, 80 columns, 64 lines). Pure."""

import textwrap
from collections.abc import Iterator, Sequence
from datetime import datetime, tzinfo
from typing import Final

from broker_bridge.trace.acceptance import Acceptance, Passage, Tally

WIDTH: Final = 80
LINES: Final = 64
_NEAR: Final = 12
_GAPS: Final = 6
_LISTED: Final = 4


def page(told: Acceptance, zone: tzinfo | None, printed: datetime) -> list[str]:
    """The lines of one page."""
    lines = [*_head(told, zone), *_counts(told), *_doubts(told, zone), *_near(told, zone), *_verdict(told)]
    lines = [line.rstrip() for line in lines]
    end = [line.rstrip() for line in _sign_off(told, printed, zone)]
    room = LINES - len(end)
    if len(lines) > room:
        lines = [*lines[: room - 2], "  ... (--json tells all)", ""]
    return lines + end


def _head(told: Acceptance, zone: tzinfo | None) -> Iterator[str]:
    lane = f", lane {told.lane}" if told.lane is not None else ", all lanes"
    yield f"ACCEPTANCE COUNT   station {told.station}{lane}"[:WIDTH]
    yield "=" * WIDTH
    yield f"from  {_both(told.from_, zone)}"
    yield f"to    {_both(told.to, zone)}"
    yield f"Pieces are counted as they pass: a panel counts once. Counted: {told.counting}."
    yield ""


def _counts(told: Acceptance) -> Iterator[str]:
    yield f"{'':<28}{'pieces':>8}{'observed':>10}{'inferred':>10}{'conflicting':>13}"
    yield f"{'counted by hand':<28}{told.counted:>8,}"
    for what in ("arrived", "departed", "inspected"):
        tally: Tally = getattr(told, what)
        mark = " <" if what == told.counting else ""
        yield (
            f"{'record: ' + what:<28}{tally.total:>8,}{tally.observed:>10,}{tally.inferred:>10,}"
            f"{tally.conflicting:>13,}{mark}"
        )
    for counter in told.counters[:_LISTED]:
        yield f"{'machine: ' + counter.name[:18]:<28}{counter.increase:>8,g}   from {counter.first:g} to {counter.last:g}"
    if not told.counters:
        yield f"{'machine':<28}{'-':>8}   no counter of its own in these events"
    yield f"{'record less count':<28}{told.difference:>+8,}"
    yield ""


def _doubts(told: Acceptance, zone: tzinfo | None) -> Iterator[str]:
    yield "What may be missing in the window"
    lines: list[str] = []
    for gap in told.gaps[:_GAPS]:
        span = f"{_clock(gap.from_, zone)} to {_clock(gap.to, zone)}"
        detail = f": {gap.detail}" if gap.detail else ""
        lines.append(f"{gap.kind} at {gap.where}, {span} ({gap.cause}){detail}")
    if len(told.gaps) > _GAPS:
        lines.append(f"and {len(told.gaps) - _GAPS} more gaps and rejected records")
    for source in told.sources:
        if source.missing:
            lines.append(f"{source.missing} events of {source.source} are not in the record yet")
    for name in told.behind[:_LISTED]:
        lines.append(f"{name} has said nothing yet of the end of the window: wait, then compare again")
    for unnamed in told.unnamed[:_LISTED]:
        lines.append(
            f"{unnamed.statements} {unnamed.type} that name no piece (counted above only if another source names it)"
        )
    if told.undecided:
        lines.append(f"names several things, not counted: {', '.join(told.undecided[:_LISTED])}")
    for line in lines or ["nothing known"]:
        yield from _wrapped(line)
    yield ""


def _near(told: Acceptance, zone: tzinfo | None) -> Iterator[str]:
    yield f"Pieces within {told.near_s:g} s of a limit (a clock that differs moves them over)"
    for one in told.near[:_NEAR]:
        where = "in" if one.inside else "out"
        yield (
            f"  {_who(one.passage):<34.34} {_clock(one.passage.time, zone)}  {one.seconds:+7.1f} s  {where:<3}"
            f"  {one.passage.certainty}"
        )
    if len(told.near) > _NEAR:
        yield f"  and {len(told.near) - _NEAR} more"
    if not told.near:
        yield "  none"
    doubtful = [passage for passage in told.passages if passage.certainty != "observed"]
    if doubtful:
        yield ""
        yield f"Counted in the record, and not observed: {len(doubtful)}"
        for passage in doubtful[:_LISTED]:
            yield from _wrapped(
                f"{_who(passage)}, {_clock(passage.time, zone)}: {passage.certainty}, {passage.reason or 'seen by no source at that moment'}"
            )
    yield ""


def _verdict(told: Acceptance) -> Iterator[str]:
    if told.agrees:
        yield "The counts agree, and nothing of the window is known to be missing."
    elif told.difference:
        more = "more" if told.difference > 0 else "fewer"
        yield f"THE COUNTS DIFFER: the record has {abs(told.difference)} {more} than were counted."
    else:
        yield "The counts agree, but something of the window may be missing: see above."
    yield from textwrap.wrap(told.caution, WIDTH)
    yield ""


def _sign_off(told: Acceptance, printed: datetime, zone: tzinfo | None) -> Iterator[str]:
    as_of = told.as_of
    yield "-" * WIDTH
    yield f"record {as_of.record}, incarnation {as_of.incarnation},"[:WIDTH]
    yield f"as of commit {as_of.commit} ({as_of.number:,} events)"
    yield "hash of the record up to there (SHA-256 over its leaf hashes):"
    yield f"  {told.digest}"
    yield f"compared {_both(printed, zone)}"
    yield ""
    yield "Counted by (name)  _____________________________   Date  ____________________"
    yield ""
    yield "Signature          _____________________________   Witness ___________________"


def _who(passage: Passage) -> str:
    position = f" position {passage.position}" if passage.position is not None else ""
    return f"{passage.kind} {passage.value}{position}"


def _clock(time: datetime | None, zone: tzinfo | None) -> str:
    return "?" if time is None else time.astimezone(zone).strftime("%H:%M:%S")


def _both(time: datetime, zone: tzinfo | None) -> str:
    local = time.astimezone(zone)
    return f"{local:%Y-%m-%d %H:%M:%S} {local.tzname() or ''} ({time:%Y-%m-%d %H:%M:%S} UTC)"


def _wrapped(text: str) -> Sequence[str]:
    found = textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)
    return found[:3]
