"""A log of placings and the table of reels beside it: an invented dialect."""

PLACED = """
name = "placing log with a table of reels"
revision = 1
zone = "UTC"

[reader]
kind = "json_lines"
records = [{ kind = "placed" }]

[fields.placed]
board = { required = true }
slot = { required = true }
time = { column = "t", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "end" }
places = { column = "refs", list = ",", span = "-" }

[companion.reels]
pattern = 'reels.*\\.txt'
kind = "reel"
since = "since"
until = "until"
covers = "written_after"

[companion.reels.reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
records = [{ kind = "reel", columns = ["Slot", "On", "Off", "Reel", "Lot"] }]

[companion.reels.fields]
slot = "Slot"
since = { column = "On", type = "time", format = "%d.%m.%y %H:%M", means = "start" }
until = { column = "Off", type = "time", format = "%d.%m.%y %H:%M", means = "end" }
reel = "Reel"
lot = "Lot"

[derived.placed]
reel = { companion = "reels", gives = "reel", same = { slot = "$slot" }, at = "$time" }
lot = { companion = "reels", gives = "lot", same = { slot = "$slot" }, at = "$time" }

[[event]]
type = "material.installed"
each = "placed"
time = "$time"
[event.data]
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$board", how = "read" }] }]
material = { id = "$reel", lots = ["$lot"] }
feeding = { slot = "$slot" }
places = { items = "$places", item = { designator = "$item" } }
"""
TABLE = "F1;02.03.26 06:00;02.03.26 08:00;REEL-1;LOT-A\nF1;02.03.26 08:00;;REEL-2;LOT-B\nF2;02.03.26 06:00;;REEL-9;LOT-C\n"


def line(time: str, slot: str = "F1", places: str = "R1-R3") -> str:
    return f'{{"board": "B1", "slot": "{slot}", "t": "2026-03-02 {time}", "refs": "{places}"}}\n'
