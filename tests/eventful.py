"""A board that lived through everything a page has to show, with names that try to be markup."""

import asyncio
from pathlib import Path

from told import Told, at, board, call, panel, record, verdict

from broker_bridge.store.sqlite import SqliteStore

HOSTILE = "<img src=x onerror=\"alert('x')\">&amp;\u202e\u05d0\u05d1{{'q'*7}}\x07"
"""An identifier, designator or text of a log that wants to be markup, a template, a bell, or to turn a line round."""
LINE = "/harbour/smt/line-1"


def eventful() -> Told:
    """Board A of panel P: a return for rework, a gap, a visit that is only inferred, an open defect; board X is hostile."""
    told = Told()
    told.say(
        "line.declared", "06:00:00", source="plan", line="line-1", valid_from=at("06:00:00"),
        stations=[{"name": name} for name in ("print", "spi", "place", "oven", "aoi", "coat")],
    )  # fmt: skip
    told.say(
        "line.part_declared", "06:00:00", source="plan", valid_from=at("06:00:00"), part={"number": "HW-9"},
        placement=[
            {"name": name, "x_mm": 5.0 * n, "y_mm": 3.0 * (n % 3), "side": "top", "terminations": 2}
            for n, name in enumerate(("R1", "R2", "U1", HOSTILE))
        ],
    )  # fmt: skip
    for position, serial in ((1, "A"), (2, "B")):
        told.say(
            "board.identified", f"07:50:0{position}", board(serial, panel="P", position=position), station="print",
            part={"number": "HW-9"},
        )  # fmt: skip
    told.passes("print", "08:00:00", "08:00:30", panel("P"), side="top", order="WO-1")
    told.say(
        "work.print_attempted",
        "08:00:20",
        panel("P"),
        station="print",
        side="top",
        attempt=1,
        outcome="completed",
    )
    told.inspects("spi", "08:01:00", "08:01:20", board("A", how="assumed"), method="paste", side="top")
    told.passes("place", "08:03:00", "08:03:40", board("A"), side="top")
    for serial in ("A", "B"):
        told.say(
            "material.installed", "08:03:20", board(serial), station="place", side="top",
            material={"id": "REEL-1", "part": "10K", "lots": ["LOT-1"]}, feeding={"slot": "7"},
            places=[{"designator": "R1"}, {"designator": "R2"}],
        )  # fmt: skip
    told.passes("oven", "08:05:00", "08:10:00", board("A"), side="top")
    told.say(
        "source.gap",
        "08:20:00",
        station="oven",
        source="oven",
        cause="away",
        start="08:06:00",
        end="08:18:00",
    )
    told.passes("aoi", "08:12:00", "08:12:30", board("A"), side="top")
    told.inspects(
        "aoi", "08:12:00", "08:12:20", board("A"), outcome="failed", side="top", calls=[call("R1"), call(HOSTILE, HOSTILE)],
    )  # fmt: skip
    told.say(
        "inspection.reviewed", "08:30:00", board("A"), station="desk", inspected_at="aoi", inspected="08:12:20",
        verdicts=[verdict("R1", "confirmed", defect="short")],
    )  # fmt: skip
    told.say(
        "inspection.rework_performed", "09:00:00", board("A"), station="bench", started="08:55:00", ended="09:00:00",
        kind="rework", outcome="completed", actions=[{"place": {"designator": "R1"}, "action": "resoldered"}],
    )  # fmt: skip
    told.passes("aoi", "13:00:00", "13:00:20", board("A"), side="top")
    told.inspects(
        "aoi", "13:00:00", "13:00:10", board("A"), outcome="failed", side="top", calls=[call("U1", "tilted")]
    )
    told.say(
        "inspection.reviewed", "13:10:00", board("A"), station="desk", inspected_at="aoi", inspected="13:00:10",
        verdicts=[verdict("U1", "confirmed", defect="tilt")],
    )  # fmt: skip
    told.say("board.held", "13:11:00", board("A"), hold="H-1", reason=f"tilt at U1 {HOSTILE}")
    told.passes("print", "14:00:00", "14:00:30", board(f"board={HOSTILE}"), order=HOSTILE)
    told.inspects(
        "aoi",
        "14:02:00",
        "14:02:20",
        board(f"board={HOSTILE}"),
        outcome="failed",
        calls=[call(HOSTILE, HOSTILE)],
    )
    told.say(
        "material.installed", "14:01:00", board(f"board={HOSTILE}"), station="place", material={"id": HOSTILE, "lots": [HOSTILE]},
        places=[{"designator": HOSTILE}],
    )  # fmt: skip
    told.say("station.alarm_raised", "14:03:00", station="aoi", code=HOSTILE, text=HOSTILE, severity="error")
    told.say(
        "source.rejected", "14:04:00", station="aoi", source="aoi", code="unmapped", reason=f"no rule for {HOSTILE}",
        place=f"column {HOSTILE}", value=HOSTILE,
    )  # fmt: skip
    return told


def written(path: Path, told: Told) -> str:
    """A record of it; its URL."""

    async def write() -> None:
        store = await SqliteStore.open(path, "harbour-works")
        try:
            await record(store, told.facts)
        finally:
            await store.close()

    asyncio.run(write())
    return f"sqlite:////{str(path).lstrip('/')}"
