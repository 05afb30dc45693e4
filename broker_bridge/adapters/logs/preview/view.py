"""What a preview tells, as data: the JSON of `preview --json`."""

from typing import Any

from pydantic import BaseModel, ConfigDict


class _View(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class FileLine(_View):
    """One file."""

    file: str
    bytes: int
    """Length of its content, decompressed."""
    generation: str | None = None
    """What its events' ids begin with; absent where the file cannot be read."""
    records: int
    events: int
    rejected: int
    complete: bool
    """Whether it ends as the mapping says a complete file does."""
    verdict: str | None = None
    """One sentence, where the mapping does not fit the file at all."""


class FirstEvent(_View):
    """One of the first events."""

    file: str
    line: int | None = None
    id: str
    """Id the event has in a run."""
    type: str
    subject: str | None = None
    time: str
    """UTC, RFC 3339."""
    local_time: str | None = None
    """The same instant by the clock of the machine's zone, RFC 3339."""
    zone: str | None = None
    zone_basis: str | None = None
    """stated by the record, configured in the mapping, or assumed."""
    time_means: str | None = None
    time_text: str | None = None
    """As the machine wrote it."""
    flags: tuple[str, ...] = ()
    data: dict[str, Any]
    """The event's data, without its origin."""


class Rejection(_View):
    """A record that would be rejected."""

    file: str
    line: int | None = None
    place: str | None = None
    """Line and column, as far as known."""
    code: str
    reason: str
    right: str | None = None
    """What would be right."""
    value: str | None = None
    raw: str
    """The record's text, cut after 400 characters; bytes that are none are written as escapes."""
    size: int
    """Length of the record in bytes."""


class UnusedColumn(_View):
    """A column that no rule reads."""

    kind: str
    column: str
    example: str | None = None


class UnusedField(_View):
    """A field of the mapping that no event, check or group speaks of."""

    kind: str
    field: str


class SilentRule(_View):
    """An event rule that gave nothing."""

    number: int
    """Place in the mapping file, from 1."""
    type: str
    each: str | None = None
    line: int | None = None


class Word(_View):
    """A word of a value table that no record had."""

    table: str
    word: str


class Unlisted(_View):
    """A word that no table lists."""

    table: str
    field: str
    word: str
    records: int
    became: str
    """`rejected`, `unknown`, or the word itself."""
    first: str
    """File and line where it was met first."""


class Placeholder(_View):
    """A text that stands where an identifier should be."""

    field: str
    text: str
    records: int


class Preview(_View):
    """What a mapping would make of files."""

    mapping: str
    name: str
    revision: int
    hash: str
    files: tuple[FileLine, ...]
    records: dict[str, int]
    """Records by kind."""
    events: dict[str, int]
    """Events by type, without rejected records."""
    rejected: int
    rejected_by: dict[str, int]
    """Rejected records by the code of their reason."""
    rejections: tuple[Rejection, ...]
    """The first of them."""
    passed_over: dict[str, int]
    """Lines that are no records: preamble, header, heading, comment, trailer, blank, other."""
    first_events: tuple[FirstEvent, ...]
    unused_columns: tuple[UnusedColumn, ...]
    unused_fields: tuple[UnusedField, ...]
    silent_rules: tuple[SilentRule, ...]
    unmet_words: tuple[Word, ...]
    unlisted: tuple[Unlisted, ...]
    flags: dict[str, int]
    """Events by what is doubtful about them."""
    placeholders: tuple[Placeholder, ...]
