"""Lines that can be read aloud, and the words for what stands in many places of a history. Pure."""

import textwrap
from collections.abc import Iterable
from datetime import datetime
from typing import Final, Protocol

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.inspections import Coverage, Place
from broker_bridge.trace.visits import Program

WIDTH: Final = 96


class Doubtful(Protocol):
    """A statement that may not be observed."""

    @property
    def certainty(self) -> str: ...
    @property
    def probability(self) -> float | None: ...
    @property
    def reason(self) -> str | None: ...


class Telling:
    """The lines so far, and the date that was said last."""

    def __init__(self, evidence: bool) -> None:
        self.lines: list[str] = []
        self._evidence = evidence
        self._date = ""

    def line(self, text: str, indent: int = 0, mark: str = "") -> None:
        """One paragraph, wrapped; `mark` stands before its first line."""
        first = " " * indent + mark
        self.lines.extend(
            textwrap.wrap(
                safe(text), WIDTH, initial_indent=first, subsequent_indent=" " * len(first),
                break_on_hyphens=False,
            )
            or [first.rstrip()]
        )  # fmt: skip

    def section(self, title: str) -> None:
        """A title after an empty line."""
        self.lines.append("")
        self.line(title)
        self._date = ""

    def when(self, time: datetime) -> str:
        """A time of day; the date where it is another one than was said last."""
        date, clock = f"{time:%Y-%m-%d}", f"{time:%H:%M:%S}"
        if date == self._date:
            return clock
        self._date = date
        return f"{date} {clock}"

    def doubt(self, statement: Doubtful, indent: int = 5) -> None:
        """What keeps a statement from being observed, where anything does."""
        if statement.certainty != "observed":
            share = "" if statement.probability is None else f" (probability {statement.probability:g})"
            self.line(f"{statement.certainty.upper()}{share}: {statement.reason}", indent)
        elif statement.reason:
            self.line(f"note: {statement.reason}", indent)

    def proof(self, evidence: Iterable[Evidence], indent: int = 5) -> None:
        """The events it stands on, where they were asked for."""
        if self._evidence:
            for event in evidence:
                self.line(f"evidence: {event.source} {event.id}", indent)


def safe(text: str) -> str:
    """A text of which a terminal obeys nothing."""
    # A label from a machine may hold bytes that a terminal would obey.
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def program_words(program: Program) -> str:
    """A program in words; without a revision that is said."""
    revision = f" revision {program.revision}" if program.revision else ", revision not stated"
    return program.name + ("" if program.hash and not program.revision else revision)


def outcome_words(outcome: str) -> str:
    """An outcome in words; what is no pass is said to be none."""
    text = outcome.replace("_", " ")
    return text if outcome in ("passed", "failed") else f"{text}, which is no pass"


def coverage_words(coverage: Coverage | None) -> str:
    """What was looked at, in words."""
    if coverage is None:
        return "coverage not stated"
    counted = [part for part in (coverage.inspected, coverage.total) if part is not None]
    text = f"coverage {' of '.join(map(str, counted)) or 'not counted'} {coverage.of or ''}".rstrip()
    left = f"; left out by the program: {', '.join(coverage.left_out)}" if coverage.left_out else ""
    sampling = f"; sampling {coverage.sampling}" if coverage.sampling else ""
    return text + left + sampling


def place_words(place: Place) -> str:
    """A place in words."""
    parts = (
        place.designator,
        place.termination and f"termination {place.termination}",
        place.pad and f"pad {place.pad}",
    )
    return " ".join(part for part in parts if part) or "place not stated"


def counted(number: int, noun: str) -> str:
    """A number and its noun."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def still_open(number: int) -> str:
    """How many are left, as a phrase of a sentence."""
    return f"{number} still open" if number else "none open"
