"""Pure: which tables there are, and what every column means; the data dictionary is written from it."""

from collections.abc import Iterator
from typing import Final, Literal, NamedTuple

Type = Literal["text", "texts", "integer", "number", "truth", "time"]


class Column(NamedTuple):
    """One column."""

    name: str
    type: Type
    meaning: str
    unit: str = ""
    """UCUM; empty: none, or stated in the column that the meaning names."""


class Table(NamedTuple):
    """One table: a folder of its name, with a folder for each day (UTC) below it."""

    name: str
    meaning: str
    day: str
    """The column whose day a row lies in."""
    key: tuple[str, ...]
    """Columns that tell one row from all others."""
    columns: tuple[Column, ...]


_BOARD: Final = (
    Column("board_kind", "text", "Kind of the identifier in `board`: board (serial), panel, assembly, transfer ..."),
    Column("board", "text", "The identifier by which the board is known best"),
    Column("board_position", "integer", "Place in the panel where `board` is a panel's identifier; 0: it is the board's own"),
    Column("unit", "text", "board, panel, assembly or unknown"),
    Column("panel", "text", "The panel the board is or was part of; empty: none known"),
    Column("position", "integer", "Its place in that panel, in the plant's numbering from 1"),
    Column("part", "text", "Part number of the board"),
    Column("part_revision", "text", "Revision of that part"),
    Column("orders", "texts", "Work orders the board was made under"),
    Column("purpose", "text", "Why it exists: production, reference, dummy ...; empty: not stated"),
)  # fmt: skip

_BELIEF: Final = (
    Column("certainty", "text", "observed, inferred or conflicting; only observed is a statement of a source as it stands"),
    Column("probability", "number", "Of the statement being true, where it is inferred and can be said", "1"),
    Column("reason", "text", "Why it is not observed"),
)  # fmt: skip

EVENTS: Final = Table(
    "events",
    "Every event of the record as it was received, superseded ones included",
    "time",
    ("source", "id"),
    (
        Column("number", "integer", "Place in the record, from 1 without holes. Changes when a record is restored"),
        Column("commit", "integer", "Commit that brought it in"),
        Column("source", "text", "Who said it: /site/area/line/adapter"),
        Column("id", "text", "Its id within the source: generation.position.ordinal.revision"),
        Column("holds", "truth", "False: a later revision of the same raw record has replaced it"),
        Column("type", "text", "family.type; schemas/ tells the fields of each"),
        Column("time", "time", "When it happened, as far as the source knows"),
        Column("line", "text", "/site/area/line of the source"),
        Column("station", "text", "The place in the line"),
        Column("equipment", "text", "The machine that stood there"),
        Column("lane", "integer", "Lane, counted as IPC-HERMES-9852 counts: looking downstream, from right to left, from 1"),
        Column("side", "text", "Side of the board being worked on: top or bottom"),
        Column("boards", "texts", "All identifiers of the boards it is about, as kind=value"),
        Column("part", "text", "Part number it states"),
        Column("order", "text", "Work order it states"),
        Column("flags", "texts", "What is doubtful about the raw record, or was withheld here"),
        Column("data", "text", "The event's data as JSON (schemas/), without the columns of a paste block"),
    ),
)  # fmt: skip

VISITS: Final = Table(
    "visits",
    "Every visit of a board to a station, all witnesses joined",
    "arrived",
    ("board_kind", "board", "board_position", "visit"),
    (
        *_BOARD,
        Column("visit", "integer", "Place of the visit in the board's route, from 1: V1, V2 ... of `board`"),
        Column("line", "text", "/site/area/line"),
        Column("station", "text", "The place in the line; empty: not known"),
        Column("equipment", "text", "The machine that stood there"),
        Column("lane", "integer", "Lane, from 1"),
        Column("side", "text", "top or bottom"),
        Column("pass", "integer", "Which pass of the board through this station and side, from 1"),
        Column("arrived", "time", "When it came"),
        Column("departed", "time", "When it was last seen there"),
        Column("departed_by", "time", "When it was gone for sure; empty: nothing shows that it has left"),
        Column("program", "text", "The machine's program"),
        Column("program_revision", "text", "Its revision or hash; empty: not stated"),
        Column("outcome", "text", "passed, failed, aborted, skipped, bypassed, not_inspected, unknown; empty: none. Only passed is a pass"),
        *_BELIEF,
    ),
)  # fmt: skip

LOOKS: Final = Table(
    "inspections",
    "Every inspection and test of a board, one row an attempt, however many records tell of it",
    "ended",
    ("board_key", "station", "method", "side", "attempt", "ended"),
    (
        Column("board_key", "text", "The board: its serial, else panel #position"),
        Column("panel", "text", "The panel, or the board itself where it is in none"),
        Column("position", "integer", "Its place in that panel"),
        Column("part", "text", "Part number of the board"),
        Column("order", "text", "Work order"),
        Column("purpose", "text", "Why it exists; empty: not stated"),
        Column("line", "text", "/site/area/line"),
        Column("station", "text", "Where it was looked at"),
        Column("equipment", "text", "The machine"),
        Column("side", "text", "top or bottom"),
        Column("method", "text", "paste, optical, x_ray, visual, in_circuit, functional ..."),
        Column("program", "text", "The machine's program"),
        Column("program_revision", "text", "Its revision; empty: not stated"),
        Column("began", "time", "When it began; empty: not stated"),
        Column("ended", "time", "When it ended"),
        Column("attempt", "integer", "First is 1"),
        Column("outcome", "text", "As inspected: passed, failed, aborted, skipped, bypassed, not_inspected, unknown, or contradicting where records disagree"),
        Column("reviewed", "text", "As reviewed: failed where a call was confirmed, passed where all were judged good, `not judged` where somebody has still to"),
        Column("in_doubt", "truth", "The names of the board contradict each other: leave it out of yields"),
        Column("crossed_out", "truth", "The position was skipped: in no yield"),
    ),
)  # fmt: skip

DEFECTS: Final = Table(
    "defects",
    "Every defect and every call that nobody judged yet",
    "called",
    ("board_kind", "board", "board_position", "defect_no"),
    (
        Column("board_kind", "text", "Kind of the identifier in `board`"),
        Column("board", "text", "The identifier by which the board is known best"),
        Column("board_position", "integer", "Place in the panel where `board` is a panel's identifier; 0: it is the board's own"),
        Column("panel", "text", "The panel"),
        Column("position", "integer", "Its place in that panel"),
        Column("part", "text", "Part number of the board"),
        Column("order", "text", "The work order it was made under last"),
        Column("purpose", "text", "Why it exists; empty: not stated"),
        Column("defect_no", "integer", "Place among what was called on this board that day, from 1"),
        Column("designator", "text", "Reference designator"),
        Column("termination", "text", "Lead, ball or end cap"),
        Column("pad", "text", "Pad by the source's own number"),
        Column("side", "text", "top or bottom"),
        Column("paste", "truth", "A call of paste inspection"),
        Column("defect", "text", "The plant's word for it, or the machine's label"),
        Column("line", "text", "/site/area/line of the source that called it"),
        Column("station", "text", "Where it was called"),
        Column("called", "time", "When it was called first"),
        Column("confirmed", "time", "When a person confirmed it; empty: nobody has judged the call"),
        Column("state", "text", "not_judged, open, reworked, passed_again, not_repairable, false_scrap"),
        Column("reworked", "time", "When it was reworked last"),
        Column("looked_again", "time", "When an inspection looked at the place again"),
        Column("escaped", "texts", "Stations that had let the place pass before: points of non-detection"),
        Column("left_with_it", "texts", "Where the board left with it open"),
        Column("certainty", "text", "observed, inferred or conflicting"),
    ),
)  # fmt: skip

MATERIALS: Final = Table(
    "materials",
    "Everything a board took along, and every tool that touched it; one row a board and use",
    "since",
    ("board_kind", "board", "board_position", "use_no"),
    (
        *_BOARD,
        Column("use_no", "integer", "Place among the uses of this board that day, from 1"),
        Column("kind", "text", "material or tool"),
        Column("act", "text", "installed, consumed, removed, bare_board; empty for tools"),
        Column("since", "time", "When"),
        Column("until", "time", "When the last of it came off; empty: it did not"),
        Column("carries_now", "truth", "Whether the board carries it, or some of it, now. False for tools and chemistry"),
        Column("station", "text", "Where"),
        Column("side", "text", "top or bottom"),
        Column("slot", "text", "Place on the machine it was taken from"),
        Column("component", "text", "Part number of the material"),
        Column("container", "text", "The plant's id of the reel, tray, jar ..."),
        Column("parent", "text", "What that was split from"),
        Column("lots", "texts", "The maker's lots in it: any of them may be on the board"),
        Column("date_code", "text", "Date code"),
        Column("maker", "text", "Maker"),
        Column("maker_part", "text", "The maker's part number"),
        Column("supplier", "text", "Supplier"),
        Column("receipt", "text", "Goods receipt"),
        Column("feeder", "text", "Serial of the feeder"),
        Column("nozzle", "text", "Nozzle"),
        Column("designators", "texts", "Places on the board; empty: not known"),
        Column("one_of", "text", "Rows of a board with the same text exclude each other: exactly one of them is true"),
        Column("exceeded", "text", "Why it was used beyond its floor life or shelf life; empty: not as far as is stated"),
        Column("tool_kind", "text", "stencil, squeegee, nozzle, fixture ...; empty for material"),
        Column("tool", "text", "Serial or inventory number of the tool"),
        *_BELIEF,
    ),
)  # fmt: skip

MEASURANDS: Final = ("volume", "height", "area", "offset_x", "offset_y")

PADS: Final = Table(
    "pads",
    "Paste on every pad, as measured; only what holds",
    "time",
    ("source", "id", "pad_no"),
    (
        Column("number", "integer", "Number of the event that holds the block"),
        Column("source", "text", "Who measured: /site/area/line/adapter"),
        Column("id", "text", "The event's id within the source"),
        Column("time", "time", "When it was measured"),
        Column("line", "text", "/site/area/line"),
        Column("station", "text", "Where"),
        Column("boards", "texts", "All identifiers of the board or panel, as kind=value"),
        Column("board_position", "integer", "Its position in the panel; empty: the panel as a whole, or not stated"),
        Column("part", "text", "Part number"),
        Column("side", "text", "top or bottom"),
        Column("program", "text", "The machine's program"),
        Column("pad_no", "integer", "Place of the pad in the block, from 1"),
        Column("designator", "text", "Reference designator of the component"),
        Column("termination", "text", "Its termination"),
        Column("pad", "text", "The source's own number of the pad"),
        Column("outcome", "text", "As the machine judged the pad, in its words"),
        *(
            Column(f"{name}{end}", "number", text.format(name.replace("_", " ")), "in " + name + "_unit")
            for name in MEASURANDS
            for end, text in (("", "Paste {}"), ("_lower", "Lower limit of {} in force"), ("_upper", "Upper limit of {} in force"))
        ),
        *(Column(f"{name}_unit", "text", f"Unit of {name.replace('_', ' ')} and its limits as stated (UCUM where one exists)") for name in MEASURANDS),
    ),
)  # fmt: skip

TABLES: Final = (EVENTS, VISITS, LOOKS, DEFECTS, MATERIALS, PADS)

_TYPES: Final = {
    "text": "text",
    "texts": "list of texts",
    "integer": "integer",
    "number": "64-bit float",
    "truth": "true or false",
    "time": "timestamp, UTC, microseconds",
}


def document() -> str:
    """The data dictionary as Markdown."""
    return "\n".join(_lines())


def _lines() -> Iterator[str]:
    yield "# Tables: the data dictionary"
    yield ""
    yield "<!-- written by the program from broker_bridge/outlets/tables/dictionary.py; not by hand -->"
    yield ""
    yield "One folder a table, one folder a day (UTC) below it: `visits/day=2026-03-02/part-0.parquet`. Read a table whole:"
    yield "`SELECT * FROM read_parquet('visits/*/*.parquet')` in DuckDB, `pandas.read_parquet('visits')` in Python. An empty"
    yield "cell means that nobody stated it, never a default. `day` is in the folder's name only. CSV files, where they are"
    yield "written, lie beside them in a folder `csv`: lists with `; ` between, and an apostrophe before a text that a spreadsheet"
    yield "would take for a formula. The file `columns.parquet` of each table holds no row, so that an empty table can be read too."
    yield ""
    yield "A list or a yield made of these tables is no release of product."
    for table in TABLES:
        yield ""
        yield f"## {table.name}"
        yield ""
        yield f"{table.meaning}. Day of `{table.day}`. A row is told from all others by {', '.join(f'`{k}`' for k in table.key)}."
        yield ""
        yield "| column | type | unit | meaning |"
        yield "|---|---|---|---|"
        for column in table.columns:
            yield f"| {column.name} | {_TYPES[column.type]} | {column.unit} | {column.meaning} |"
    yield ""
