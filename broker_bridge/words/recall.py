"""A recall in words that can be read aloud. Pure: an answer in, lines of at most 96 columns out."""

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from broker_bridge.trace.recall import Answer, Member, Use, place_words
from broker_bridge.words.telling import safe

WIDTH: Final = 96
_MOST: Final = 40
"""Members told one by one; --json and --csv have them all."""

HEADS: Final = (
    "member", "panel", "position", "part", "orders", "certainty", "probability", "carries_now", "station", "side", "slot",
    "designators", "from", "reason", "confirm", "state", "last_seen_at", "since", "left",
)  # fmt: skip


def words(answer: Answer) -> Iterator[str]:
    """The lines: the answer in one sentence first."""
    yield from _line(answer.summary)
    as_of = answer.as_of
    yield from _line(f"As of commit {as_of.commit} of record {as_of.record}. Times are UTC.")
    for title, members in (("For sure", answer.exact), ("Possible", answer.possible)):
        if not members:
            continue
        yield ""
        yield f"{title}: {len(members)}"
        for member in members[:_MOST]:
            yield from _line(_told(member), 2)
        if len(members) > _MOST:
            yield from _line(f"and {len(members) - _MOST} more: --json and --csv tell them all", 2)
    if answer.reasons:
        yield ""
        yield "Why they are only possible"
        for reason in answer.reasons[:_MOST]:
            yield from _line(f"{reason.members}: {reason.reason}", 2, "- ")
    if answer.shrink:
        yield ""
        yield "What would shrink the list"
        for one in answer.shrink[:_MOST]:
            yield from _line(f"{one.confirm}: {one.from_} possible become {one.to}", 2, "- ")
    if answer.now:
        yield ""
        yield "Where they are now"
        for now in answer.now:
            place = place_words(now.state, now.end, now.station)
            yield from _line(f"{place}: {now.exact} for sure, {now.possible} possible", 2, "- ")
    yield ""
    if answer.bounded:
        yield "Bounded: nothing that the record knows of can add a board."
    else:
        yield "NOT BOUNDED:"
        for why in answer.unbounded:
            yield from _line(why, 2, "! ")
    for note in answer.notes:
        yield from _line(note[:1].upper() + note[1:] + ".")
    yield ""
    yield from _line(answer.caution)


def rows(answer: Answer) -> list[list[str]]:
    """A row for every use of every member (HEADS)."""
    found: list[list[str]] = []
    for member in (*answer.exact, *answer.possible):
        for use in member.uses:
            found.append([
                name(member), member.panel or "", str(member.panel_position or ""), member.part or "",
                " ".join(member.work_orders), use.certainty,
                "" if use.probability is None else f"{use.probability:g}", "yes" if use.now else "no",
                use.station or "", use.side or "", use.slot or "", " ".join(use.designators),
                use.from_.isoformat(), use.reason or "", use.confirm or "", member.state, member.station or "",
                member.since.isoformat() if member.since else "", member.end or "",
            ])  # fmt: skip
    return found


def name(member: Member) -> str:
    """What a member is called."""
    if member.position is not None:
        return f"position {member.position} of {member.kind} {member.value}"
    return (
        member.value if member.unit == "board" and member.kind == "board" else f"{member.kind} {member.value}"
    )


def _told(member: Member) -> str:
    place = f" ({member.panel}/{member.panel_position})" if member.panel and member.panel_position else ""
    unsure = "" if member.unit == "board" else f", {member.unit}: which boards is not known"
    since = f"{member.since:%Y-%m-%d %H:%M}" if member.since else ""
    now = place_words(member.state, member.end, member.station, since)
    gone = "" if any(use.now for use in member.uses) or not _carried(member) else "; carries it no more"
    used = "; ".join(dict.fromkeys(_use(use) for use in member.uses[:4]))
    more = f" and {len(member.uses) - 4} more" if len(member.uses) > 4 else ""
    return f"{name(member)}{place}{unsure}: {now}; {used}{more}{gone}"


def _carried(member: Member) -> bool:
    return any(use.slot is not None or use.designators for use in member.uses)


def _use(use: Use) -> str:
    place = " ".join(part for part in (use.station, use.side, use.slot and f"slot {use.slot}") if part)
    designators = f" {', '.join(use.designators[:6])}" if use.designators else ""
    more = f" and {len(use.designators) - 6} more" if len(use.designators) > 6 else ""
    return f"{place}{designators}{more}, {use.from_:%Y-%m-%d %H:%M:%S}"


def _line(text: str, indent: int = 0, mark: str = "") -> Sequence[str]:
    first = " " * indent + mark
    return textwrap.wrap(
        safe(text), WIDTH, initial_indent=first, subsequent_indent=" " * (len(first) + (0 if mark else 2)),
        break_on_hyphens=False,
    ) or [""]  # fmt: skip
