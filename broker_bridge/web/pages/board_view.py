"""What a board's page shows: the sentences of the terminal, each with its links and the way to its evidence. Pure."""

from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

from broker_bridge.queries.parts import Component
from broker_bridge.trace.attempts import Test
from broker_bridge.trace.genealogy import Kin
from broker_bridge.trace.history import History
from broker_bridge.trace.references import referred
from broker_bridge.trace.uses import Material, Tool
from broker_bridge.trace.visits import Visit
from broker_bridge.web.pages import addresses
from broker_bridge.web.pages.outline import Side, outline
from broker_bridge.web.pages.route_picture import Picture, picture
from broker_bridge.web.pages.texts import token
from broker_bridge.words.board import Paragraph, Section, sections

_LISTED: Final = 60
"""Relatives that are linked one by one."""


class Link(NamedTuple):
    """A way to another page."""

    text: str
    address: str


class Statement(NamedTuple):
    """One statement, or words that stand for themselves where it has no mark."""

    mark: str
    text: str
    more: tuple[Paragraph, ...]
    """What is added to it."""
    certainty: str
    """observed, inferred or conflicting; empty where it is no statement of a source."""
    held: bool
    links: tuple[Link, ...]
    why: str
    """Address of what it stands on; empty: nothing to show."""
    events: int


class Part(NamedTuple):
    """A section."""

    name: str
    """For links within the page."""
    title: str
    statements: tuple[Statement, ...]


class BoardView(NamedTuple):
    """A page."""

    title: str
    first: Part
    relatives: tuple[Link, ...]
    more_relatives: int
    picture: Picture | None
    outline: tuple[Side, ...]
    parts: tuple[Part, ...]
    held: bool
    findings: int
    value: str
    kind: str
    position: int | None
    commit: int
    newest: int
    record: str
    committed: str | None
    """When its commit was made, RFC 3339."""
    latest: str
    """The same board as it is known now."""
    report: str
    paper: str
    data: str
    caution: str


def board_view(
    history: History, components: Sequence[Component], *, newest: int, committed: str | None
) -> BoardView:
    """The page of a history. `newest`: commit that the record can be asked for at most."""
    key, commit = history.identity.key, history.as_of.commit
    asked = {"id": key.value, "kind": key.kind, "position": key.position}
    first, *others = sections(history, token)
    (title, *who) = first.paragraphs
    teller = _Teller(history)
    relatives = list(_relatives(history))
    return BoardView(
        title=title.text,
        first=teller.part(first._replace(paragraphs=tuple(who))),
        relatives=tuple(relatives[:_LISTED]),
        more_relatives=max(0, len(relatives) - _LISTED),
        picture=picture(history),
        outline=tuple(outline(history, components)),
        parts=tuple(teller.part(section) for section in others),
        held=bool(history.held),
        findings=len(history.findings),
        value=key.value,
        kind=key.kind,
        position=key.position,
        commit=commit,
        newest=newest,
        record=history.as_of.record,
        committed=committed,
        latest=addresses.board(key.value, key.kind, key.position),
        report=addresses.to("/board/report.html", **asked, at=commit),
        paper=addresses.to("/board/report.pdf", **asked, at=commit),
        data=addresses.to("/api/v1/board", **asked, at=commit),
        caution=history.completeness.caution,
    )


class _Teller:
    def __init__(self, history: History) -> None:
        self._of = {one.reference: one.statement for one in referred(history)}
        key, self._commit = history.identity.key, history.as_of.commit
        self._why = addresses.why(key.value, key.kind, key.position, self._commit)

    def part(self, section: Section) -> Part:
        """A section with what is added to a statement under it."""
        grouped: list[tuple[Paragraph, list[Paragraph]]] = []
        for paragraph in section.paragraphs:
            if grouped and paragraph.depth == 2:
                grouped[-1][1].append(paragraph)
            else:
                grouped.append((paragraph, []))
        name = section.title.partition(":")[0].split(",")[0].lower().replace(" ", "-") or "who"
        return Part(name, section.title, tuple(self._statement(one, more) for one, more in grouped))

    def _statement(self, told: Paragraph, more: Sequence[Paragraph]) -> Statement:
        mark = told.mark.partition(" ")[0]
        found = self._of.get(mark)
        evidence = getattr(found, "evidence", ())
        return Statement(
            mark="" if told.mark in ("!", "-") else told.mark,
            text=told.text,
            more=tuple(more),
            certainty="" if found is None else getattr(found, "certainty", "observed"),
            held=told.mark == "!",
            links=tuple(_links(found, self._commit)),
            why=self._why + mark if evidence else "",
            events=len(evidence),
        )


def _links(found: Any, commit: int) -> Iterator[Link]:
    match found:
        case Material():
            for lot in found.lots:
                yield Link(f"where lot {lot} was used", addresses.lot(lot=lot))
            if found.id:
                yield Link(
                    f"where {found.container or 'reel'} {found.id} was used", addresses.lot(reel=found.id)
                )
        case Tool():
            yield Link(f"where {found.kind} {found.id} was used", addresses.lot(tool=found.id))
        case Visit() if found.program:
            yield Link(
                f"where program {found.program.name} was used", addresses.lot(program=found.program.name)
            )
        case Test() if found.fixture:
            yield Link(f"where fixture {found.fixture} was used", addresses.lot(tool=found.fixture))
        case Kin():
            position = found.position if found.relation == "holds" and found.kind == "panel" else None
            yield Link(f"{found.unit} {found.value}", addresses.board(found.value, found.kind, position))


def _relatives(history: History) -> Iterator[Link]:
    who = history.identity
    for word, key in (("panel", who.panel), ("assembly", who.assembly)):
        if key is not None:
            yield Link(f"{word} {key.value}", addresses.board(key.value, key.kind))
    for member in who.boards:
        if member.value is not None:
            yield Link(
                f"{member.position or '?'}: {member.value}", addresses.board(member.value, member.kind)
            )
        elif member.position is not None:
            yield Link(
                f"{member.position}: no serial known",
                addresses.board(who.key.value, who.key.kind, member.position),
            )
