"""Every dialect, read by a reader of the standard library alone, says what the truth says (clean profile)."""

import codecs
import configparser
import csv
import io
import json
import shlex
from collections import Counter, defaultdict
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from broker_bridge.simulate import Plant, deliveries, numbering
from broker_bridge.simulate.products import BY_NUMBER

START = datetime(2026, 7, 6, 6, tzinfo=UTC)  # summer: local time is not UTC
LISBON = ZoneInfo("Europe/Lisbon")
PADS = {"HW-1040": {"bottom": 36, "top": 143}, "HW-2060": {"bottom": 16, "top": 64}}


@cache
def run() -> tuple[dict[tuple[str, str], list[tuple[str, bytes]]], dict[str, list[dict[str, Any]]]]:
    """(station, channel) -> (name, bytes), logs whole; and the truth by kind."""
    truth: dict[str, list[dict[str, Any]]] = defaultdict(list)
    files: dict[tuple[str, str], list[tuple[str, bytes]]] = defaultdict(list)
    logs: dict[tuple[str, str], bytes] = defaultdict(bytes)
    plant = Plant(21, 100, "clean", START, every_pad=True)
    for delivery in deliveries(plant, lambda kind, line: truth[kind].append(json.loads(line))):
        if delivery.channel == "file":
            files[delivery.station, "file"].append((delivery.name, delivery.data))
        elif delivery.channel == "log":
            logs[delivery.station, delivery.name] += delivery.data
    for (station, name), data in logs.items():
        files[station, "log"].append((name, data))
    return files, truth


def visits(station: str, side: str = "") -> list[dict[str, Any]]:
    return [v for v in run()[1]["visit"] if v["station"] == station and (not side or v["side"] == side)]


def boards() -> dict[str, dict[str, Any]]:
    return {line["board"]: line for line in run()[1]["board"]}


def utc(text: str, form: str, zone: ZoneInfo | None = LISBON) -> str:
    moment = datetime.strptime(text, form).replace(tzinfo=zone or UTC).astimezone(UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S")


def ends(station: str) -> Counter[tuple[str, str]]:
    """(panel, arrival to the second) of every stay at a station: machines stamp their start then."""
    known = boards()
    stays = {(known[v["board"]]["panel"], v["arrived"][:19], v["pass"], v["side"]) for v in visits(station)}
    return Counter((panel, arrived) for panel, arrived, *_ in stays)


def test_spi() -> None:
    files = run()[0]["SPI", "file"]
    starts: Counter[tuple[str, str]] = Counter()
    low: Counter[str] = Counter()
    for name, data in files:
        assert data.count(b"\r\n") == data.count(b"\n")
        rows = list(csv.reader(io.StringIO(data.decode("cp1252")), delimiter=";"))
        blank = [i for i, row in enumerate(rows) if not row]
        head = dict(rows[: blank[0]])
        board_rows = rows[blank[0] + 2 : blank[1]]
        pad_rows = rows[blank[1] + 2 :]
        side = {"B": "bottom", "T": "top"}[head["Side"]]
        assert name.startswith(f"SPI_{head['Panel']}_")
        assert head["Foil_µm"] == "120"
        starts[head["Panel"], utc(head["Start"], "%d.%m.%Y %H:%M:%S")] += 1
        part = BY_NUMBER[head["Product"]]
        assert [int(row[1]) for row in board_rows] == list(range(1, part.positions + 1))
        assert len(pad_rows) == part.positions * PADS[part.number][side]
        assert {row[9] for row in pad_rows} <= {"PASS", "LOW", "HIGH"}
        for row in pad_rows:
            volume, height, area = (float(row[i].replace(",", ".")) for i in (4, 5, 6))
            assert height == pytest.approx(volume / area * 120, abs=0.2)
            assert (row[9] == "LOW") == (volume < 50)
        order = numbering("SPI", part.number, side)
        members = {b["position"]: s for s, b in boards().items() if b["panel"] == head["Panel"]}
        for row in pad_rows:
            if row[9] != "PASS":
                low[members[order.index(int(row[1])) + 1]] += 1
    assert starts == ends("SPI")
    assert low == Counter(c["board"] for c in run()[1]["call"] if c["station"] == "SPI")


def test_aoi() -> None:
    short = {"MISS": "missing", "SHIFT": "shifted", "TOMB": "tombstone", "POL": "polarity"}
    short |= {"LIFT": "lifted_lead", "OPEN": "open", "INSUF": "insufficient_solder", "BRIDGE": "bridge"}
    starts: Counter[tuple[str, str]] = Counter()
    called: Counter[tuple[str, str, int, str]] = Counter()
    for _, data in run()[0]["AOI", "file"]:
        rows = list(csv.reader(io.StringIO(data.decode("utf-8"))))
        head = dict(zip(rows[0], rows[1], strict=True))
        side = {"B": "bottom", "T": "top"}[head["Side"]]
        part = BY_NUMBER[head["Part"]]
        starts[head["Panel"], utc(head["Start"], "%Y/%m/%d %H:%M:%S")] += 1
        board_rows = [row for row in rows if row[0] == "BOARD"]
        component_rows = [row for row in rows if row[0] == "COMP"]
        count = len(part.side(side).components)
        assert [int(row[1]) for row in board_rows] == list(range(part.positions))
        assert len(component_rows) == part.positions * count
        assert all(int(row[3]) == int(row[4]) == count for row in board_rows)
        order = numbering("AOI", part.number, side)
        members = {b["position"]: s for s, b in boards().items() if b["panel"] == head["Panel"]}
        for row in component_rows:
            if row[3] == "NG":
                board = members[order.index(int(row[1])) + 1]
                called[board, row[2], int(row[5] or 0), short[row[4]]] += 1
        assert sum(int(row[5]) for row in board_rows) == sum(row[3] == "NG" for row in component_rows)
    assert starts == ends("AOI")
    truth = [c for c in run()[1]["call"] if c["station"] == "AOI"]
    assert called == Counter((c["board"], c["designator"], c["termination"], c["defect"]) for c in truth)
    assert called


def test_review() -> None:
    verdicts: Counter[tuple[str, str, str]] = Counter()
    replaced: Counter[tuple[str, str]] = Counter()
    for name, data in run()[0]["REVIEW", "file"]:
        rows = list(csv.reader(io.StringIO(data.decode("utf-8")), delimiter="|"))
        kind, code = rows[0][:2]
        assert name.startswith({"REVIEW": "RV_", "REWORK": "RW_"}[kind])
        assert name.endswith(f"{code}.txt")
        members = {b["position"]: s for s, b in boards().items() if b["panel"] == code} | {0: code}
        if kind == "REVIEW":
            inspected, started, ended = (utc(text, "%Y-%m-%dT%H:%M:%S") for text in rows[0][4:])
            assert inspected < started < ended
            for _, position, designator, _, _, verdict, named in rows[1:]:
                assert (verdict == "N") == (named == "")
                verdicts[members[int(position)], designator, {"Y": "defect", "N": "false_call"}[verdict]] += 1
        else:
            for _, position, designator, _, action, _, lot, _ in rows[1:]:
                if action == "replace":
                    assert lot
                    replaced[members[int(position)], designator] += 1
    truth = run()[1]
    assert verdicts == Counter((r["board"], r["designator"], r["verdict"]) for r in truth["review"])
    installed = [m for m in truth["material"] if m["station"] == "REVIEW"]
    assert replaced == Counter((m["board"], m["designators"][0]) for m in installed)


@pytest.mark.parametrize("station", ["PLACE1", "PLACE2"])
def test_placement(station: str) -> None:
    ((_, data),) = run()[0][station, "log"]
    lines = [json.loads(line) for line in data.splitlines()]
    panels = [line for line in lines if line["rec"] == "panel"]
    assert Counter((line["panel"], line["start"][:19]) for line in panels) == ends(station)
    fed: Counter[tuple[str, str]] = Counter()
    for line in panels:
        assert sum(b["placed"] for b in line["boards"]) == sum(f["qty"] for f in line["feeds"])
        for feed in line["feeds"]:
            fed[line["panel"], feed["reel"]] += feed["qty"]
    truth: Counter[tuple[str, str]] = Counter()
    for material in run()[1]["material"]:
        if material["station"] == station:
            truth[boards()[material["board"]]["panel"], material["reel"]] += len(material["designators"])
    assert fed == truth
    programs = [line for line in lines if line["rec"] == "program"]
    assert len(programs) == 4  # two parts, two sides
    mounted: dict[int, str] = {}
    for line in lines:
        if line["rec"] == "reel" and line["event"] == "set_up":
            mounted[line["slot"]] = line["item"]
        if line["rec"] == "panel":
            assert all(mounted[feed["slot"]] == feed["item"] for feed in line["feeds"])


def test_printer() -> None:
    ((_, data),) = run()[0]["PRINT", "log"]
    lines = [
        dict(pair.split("=", 1) for pair in shlex.split(line)) for line in data.decode("ascii").splitlines()
    ]
    prints = [line for line in lines if line["ev"] == "PRINT"]
    starts = Counter(
        (p["panel"], datetime.fromtimestamp((int(p["ms"]) - int(p["dur_ms"])) / 1000, UTC).isoformat()[:19])
        for p in prints
    )
    assert starts == ends("PRINT")
    counts = [int(line["n"]) for line in prints]
    assert counts[0] == 1
    assert counts.count(1) == sum(line["ev"] == "PROGRAM" for line in lines) == 4
    jars = {line["jar"]: line["lot"] for line in lines if line["ev"] == "JAR"}
    paste = {(m["reel"], m["lot"]) for m in run()[1]["material"] if m["item"] == "paste"}
    assert paste == set(jars.items())
    assert any(line["ev"] == "WIPE" for line in lines)


def test_jet() -> None:
    starts: Counter[tuple[str, str]] = Counter()
    topped: Counter[tuple[str, str, int]] = Counter()
    for _, data in run()[0]["JET", "file"]:
        root = ElementTree.fromstring(data)
        panel = root.attrib["panel"]
        begun = datetime.fromisoformat(root.attrib["started"])
        assert begun.utcoffset() is not None
        assert begun.utcoffset().total_seconds() == 3600  # type: ignore[union-attr]
        starts[panel, begun.astimezone(UTC).isoformat()[:19]] += 1
        part_number, _, letter = root.attrib["program"].split("_")
        order = numbering("JET", part_number, {"B": "bottom", "T": "top"}[letter])
        members = {b["position"]: s for s, b in boards().items() if b["panel"] == panel}
        for shot in root:
            assert int(shot.attrib["dots"]) > 0
            board = members[order.index(int(shot.attrib["board"])) + 1]
            topped[board, shot.attrib["designator"], int(shot.attrib["pad"])] += 1
    assert starts == ends("JET")
    low = [c for c in run()[1]["call"] if c["station"] == "SPI" and c["defect"] == "insufficient_paste"]
    assert topped <= Counter((c["board"], c["designator"], c["termination"]) for c in low)


def test_oven() -> None:
    for name, data in run()[0]["OVEN", "log"]:
        heading, *lines = data.decode("ascii").split("\r\n")[:-1]
        assert heading.split() == ["TIME", "PROGRAM", "S", *(f"ZONE{n}" for n in range(1, 9)), "BELT", "O2"]
        assert len(lines) > 20
        times = []
        for line in lines:
            assert len(line) == 106
            times.append(datetime.strptime(line[:19], "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC))
            assert line[0:10].replace("-", "") == name[5:13]
            zones = [float(line[39 + 7 * n : 45 + 7 * n]) for n in range(8)]
            assert 90 < min(zones) < max(zones) < 270
            assert line[37] in "SH"
            assert 80 < float(line[95:100]) < 90
            assert int(line[101:106]) > 0
        assert {(b - a).total_seconds() for a, b in pairwise(times)} == {30.0}
        assert {line[20:36].strip() for line in lines} >= {"HW-1040_C_B", "HW-2060_A_T"}


def test_loader() -> None:
    ((name, data),) = run()[0]["LOAD", "log"]
    assert name == "marker.csv"
    assert data.startswith(codecs.BOM_UTF8)
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))
    linked = {row["board"]: (row["panel"], int(row["position"])) for row in rows if row["event"] == "MARK"}
    production = {s: b for s, b in boards().items() if b["purpose"] == "production"}
    assert linked == {s: (b["panel"], b["position"]) for s, b in production.items()}
    loads = Counter(row["panel"] for row in rows if row["event"] == "LOAD")
    tops = {(boards()[v["board"]]["panel"]) for v in visits("LOAD", "top")}
    assert loads == Counter(tops)


def test_electrical_test() -> None:
    attempts: Counter[tuple[str, int, str]] = Counter()
    for _, data in run()[0]["TEST", "file"]:
        parser = configparser.ConfigParser()
        parser.read_string(data.decode("ascii"))
        head = parser["TEST"]
        measures = [parser[f"MEASURE {n}"] for n in range(1, int(head["Measures"]) + 1)]
        inside = [float(m["Low"]) <= float(m["Value"]) <= float(m["High"]) for m in measures]
        assert [m["Result"] == "PASS" for m in measures] == inside
        assert (head["Result"] == "PASS") == all(inside)
        start = utc(head["Start"], "%m/%d/%Y %I:%M:%S %p")
        assert start < utc(head["Stop"], "%m/%d/%Y %I:%M:%S %p")
        attempts[head["Serial"], int(head["Attempt"]), head["Result"]] += 1
    outcome = {"passed": "PASS", "failed": "FAIL"}
    assert attempts == Counter((v["board"], v["attempt"], outcome[v["outcome"]]) for v in visits("TEST"))
    assert len(attempts) >= 100
