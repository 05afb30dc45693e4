"""Answers of `quality` for people, as JSON, as CSV."""

import argparse
import json
import sys
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from broker_bridge.trace.quality import Answer, Figure, Section

WIDTH: Final = 96
_ROWS: Final = 20
"""Rows of a section for people; --all tells all."""
_LISTED: Final = 60
"""Boards of one figure for people; --json and --csv have them all."""
_HEADS: Final = (
    "section", "figure", "value", "unit", "low", "high", "level", "method", "number", "of", "counted", "note", "detail",
    "boards",
)  # fmt: skip


def tell(answer: "Answer", args: argparse.Namespace) -> None:
    """Print it in the form that was asked for."""
    if args.json:
        print(json.dumps(document(answer, args.list), indent=1, allow_nan=False))
    elif args.csv:
        from broker_bridge.words.table import csv_table

        sys.stdout.write(csv_table(_HEADS, list(_rows(answer, args.list))))
    else:
        if hasattr(sys.stdout, "reconfigure"):
            sys.stdout.reconfigure(errors="backslashreplace")
        _print(answer, args)


def document(answer: "Answer", listed: str | None) -> dict[str, Any]:
    """JSON values; boards only of the figures that are listed."""
    from broker_bridge.trace.plain import plain

    sections = tuple(
        section._replace(figures=tuple(_with_boards(section, figure, listed) for figure in section.figures))
        for section in answer.sections
    )
    plots = answer.plots
    if listed is None:
        plots = tuple(
            plot._replace(marks=tuple(mark._replace(boards=()) for mark in plot.marks)) for plot in plots
        )
    found: dict[str, Any] = plain(answer._replace(sections=sections, plots=plots))
    return found


def _with_boards(section: "Section", figure: "Figure", listed: str | None) -> "Figure":
    return figure if _listed(section, figure, listed) else figure._replace(boards=())


def _listed(section: "Section", figure: "Figure", listed: str | None) -> bool:
    if listed is None:
        return False
    return listed.casefold() in figure.name.casefold() or listed.casefold() in section.title.casefold()


def _rows(answer: "Answer", listed: str | None) -> Iterator[list[str]]:
    for section in answer.sections:
        for figure in section.figures:
            spans = figure.spans or (None,)
            boards = " ".join(figure.boards) if _listed(section, figure, listed) else ""
            for span in spans:
                yield [
                    section.title, figure.name, _exact(figure.value), figure.unit, _exact(span.low) if span else "",
                    _exact(span.high) if span else "", _exact(span.level) if span else "", span.method if span else "",
                    _exact(figure.number), _exact(figure.of), figure.counted, figure.note or "",
                    "; ".join(f"{name} {_exact(value)}" for name, value in figure.details.items() if value is not None), boards,
                ]  # fmt: skip


def _exact(value: Any) -> str:
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else str(value)


def _print(answer: "Answer", args: argparse.Namespace) -> None:
    from broker_bridge.charts.terminal import draw
    from broker_bridge.words.telling import safe

    asked = f" Asked for: {answer.asked}." if answer.asked else ""
    when = (
        f"As of commit {answer.as_of.commit}; times are UTC.{asked}"
        if answer.as_of.commit
        else "From a table."
    )
    for line in textwrap.wrap(safe(f"{when} {answer.sentence}"), _width()):
        print(line)
    for plot in answer.plots:
        print()
        for line in draw(plot, _width()):
            print(safe(line))
    for section in answer.sections:
        _section(section, args)
    if answer.remarks:
        print()
    for remark in answer.remarks:
        for line in textwrap.wrap(
            safe(remark), _width(), initial_indent="note: ", subsequent_indent="      "
        ):
            print(line)
    print()
    for line in textwrap.wrap(answer.caution, _width()):
        print(line)


def _width() -> int:
    """Columns of running text: no more than can be read, nor than the terminal has."""
    import shutil

    return max(40, min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns))


def _section(section: "Section", args: argparse.Namespace) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from broker_bridge.words.figures import between_words, detail_words, of_words, value_words
    from broker_bridge.words.telling import safe

    shown = section.figures if args.all else section.figures[:_ROWS]
    names = list(
        dict.fromkeys(name for figure in shown for name, value in figure.details.items() if value is not None)
    )
    valued = any(figure.value is not None or figure.note for figure in shown)
    # Columns in which nothing stands make a narrow terminal narrower.
    between, counted = any(figure.spans for figure in shown), any(of_words(figure) for figure in shown)
    table = Table(
        box=SIMPLE_HEAD, title=safe(section.title), title_justify="left", title_style="bold", pad_edge=False
    )
    table.add_column("", overflow="fold")
    if valued:
        table.add_column("value", justify="right", overflow="fold")
        if between:
            table.add_column("between", justify="right", overflow="fold")
        if counted:
            table.add_column("of", justify="right", overflow="fold")
    for name in names:
        table.add_column(safe(name), overflow="fold")
    if any(figure.note for figure in shown):
        table.add_column("", overflow="fold")
    for figure in shown:
        cells = [safe(figure.name)]
        if valued:
            cells.append(value_words(figure.value, figure.unit))
            cells += [between_words(figure)] if between else []
            cells += [of_words(figure)] if counted else []
        cells += [detail_words(name, figure.details.get(name)) for name in names]
        if any(one.note for one in shown):
            cells.append(safe(figure.note or ""))
        table.add_row(*(Text(cell) for cell in cells))
    print()
    Console(width=None if sys.stdout.isatty() else 140, highlight=False).print(table)
    if len(shown) < len(section.figures):
        print(f"{len(section.figures) - len(shown)} more with --all")
    if section.note:
        for line in textwrap.wrap(safe(section.note), _width()):
            print(line)
    for figure in section.figures:
        if _listed(section, figure, args.list) and figure.boards:
            more = len(figure.boards) - _LISTED
            told = ", ".join(figure.boards[:_LISTED]) + (
                f" and {more} more (--json has them)" if more > 0 else ""
            )
            for line in textwrap.wrap(safe(f"{figure.name}: {told}"), _width(), subsequent_indent="  "):
                print(line)
