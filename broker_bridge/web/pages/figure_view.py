"""What pages of quality and flow show: an answer about many boards, every figure with its ground and its boards. Pure."""

from collections.abc import Iterable
from typing import Final, NamedTuple

from broker_bridge.trace.quality import Answer, Figure, Plot, Section
from broker_bridge.web.pages import addresses
from broker_bridge.web.pages.plots import Drawing, drawing
from broker_bridge.words.figures import between_words, detail_words, of_words, value_words

_ROWS: Final = 60
_BOARDS: Final = 60


class BoardLink(NamedTuple):
    """A board behind a figure."""

    name: str
    address: str


class Row(NamedTuple):
    """A figure."""

    name: str
    value: str
    between: str
    of: str
    details: tuple[str, ...]
    note: str
    boards: tuple[BoardLink, ...]
    more: int


class Column(NamedTuple):
    """A further column."""

    name: str
    counts: bool
    """It holds numbers."""


class SectionView(NamedTuple):
    """Figures of one kind."""

    title: str
    columns: tuple[Column, ...]
    valued: bool
    noted: bool
    boarded: bool
    rows: tuple[Row, ...]
    more: int
    note: str


class Hit(NamedTuple):
    """What a rule hits."""

    key: str
    rule: str
    meaning: str
    label: str
    boards: tuple[BoardLink, ...]
    more: int


class Chart(NamedTuple):
    """A plot with what its rules hit."""

    drawing: Drawing
    hits: tuple[Hit, ...]


class FigureView(NamedTuple):
    """An answer."""

    sentence: str
    asked: str
    commit: int
    charts: tuple[Chart, ...]
    sections: tuple[SectionView, ...]
    remarks: tuple[str, ...]
    caution: str


def figure_view(answer: Answer) -> FigureView:
    """The view."""
    return FigureView(
        sentence=answer.sentence,
        asked=answer.asked,
        commit=answer.as_of.commit,
        charts=tuple(_chart(plot, number) for number, plot in enumerate(answer.plots, 1)),
        sections=tuple(_section(section) for section in answer.sections if section.figures or section.note),
        remarks=answer.remarks,
        caution=answer.caution,
    )


def _chart(plot: Plot, number: int) -> Chart:
    hits = []
    for at, mark in enumerate(plot.marks, 1):
        boards, more = _links(mark.boards)
        hits.append(Hit(f"hit-{number}-{at}", mark.rule, mark.meaning, plot.labels[mark.place], boards, more))
    return Chart(drawing(plot, number), tuple(hits))


def _section(section: Section) -> SectionView:
    shown = section.figures[:_ROWS]
    names = tuple(
        dict.fromkeys(name for figure in shown for name, value in figure.details.items() if value is not None)
    )
    return SectionView(
        title=section.title,
        columns=tuple(
            Column(name, all(_is_number(figure.details.get(name)) for figure in shown)) for name in names
        ),
        valued=any(figure.value is not None or figure.note for figure in shown),
        noted=any(figure.note for figure in shown),
        boarded=any(figure.boards for figure in shown),
        rows=tuple(_row(figure, names) for figure in shown),
        more=len(section.figures) - len(shown),
        note=section.note or "",
    )


def _row(figure: Figure, columns: Iterable[str]) -> Row:
    boards, more = _links(figure.boards)
    details = tuple(detail_words(name, figure.details.get(name)) for name in columns)
    return Row(
        figure.name, value_words(figure.value, figure.unit), between_words(figure), "" if figure.value is None and figure.of is None else of_words(figure), details,
        figure.note or "", boards, more,
    )  # fmt: skip


def _is_number(value: object) -> bool:
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool))


def _links(boards: tuple[str, ...]) -> tuple[tuple[BoardLink, ...], int]:
    return tuple(BoardLink(name, addresses.to("/scan", id=name)) for name in boards[:_BOARDS]), max(
        0, len(boards) - _BOARDS
    )
