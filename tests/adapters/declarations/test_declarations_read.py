"""Files of master data to declarations: the same thing said in three formats is one; mistakes are told with their place."""

import json

import pytest

from broker_bridge.adapters.declarations.adapter import KEPT, changes
from broker_bridge.adapters.declarations.mapping import read
from broker_bridge.errors import MappingError
from broker_bridge.events.line import LineDeclared, LinePartDeclared
from broker_bridge.events.material import MaterialDeclared

PLACEMENT = """\
part;revision;valid_from;designator;component;side;x_mm;y_mm;rotation_deg;terminations
HW-1;B;2026-03-02;C1;C-100;top;10.5;20;90;2
HW-1;B;2026-03-02;U1;U-7;top;30.25;40;0;48
HW-2;;2026-03-02;C1;C-100;bottom;1;2;0;2
"""
ROUTING = """\
line,valid_from,station,kind,lanes,next,buffer,optional
line-1,2026-03-02T06:00:00Z,print,printer,2,place-1,3,
line-1,2026-03-02T06:00:00Z,print,,,place-2,,
line-1,2026-03-02T06:00:00Z,place-1,,,,,yes
"""
MATERIALS = """\
material\tdescription\tkind\tmaker\tmaker_part\talternates\tmoisture_level\tfloor_life_h
C-100\t100 nF\tcomponent\tMaker A\tA-1\tC-101 C-102\t3\t168
C-100\t\t\tMaker B\tB-9\t\t\t
"""
DOCUMENT = {
    "valid_from": "2026-03-02",
    "lines": [{"line": "line-1", "stations": [{"name": "print", "links": [{"to": "aoi"}]}, {"name": "aoi"}]}],
    "parts": [
        {
            "number": "HW-1", "revision": "B", "marking": "customer X",
            "placement": [
                {"name": "C1", "part": {"number": "C-100"}, "side": "top", "x_mm": 10.5, "y_mm": 20, "rotation_deg": 90, "terminations": 2},
                {"name": "U1", "part": {"number": "U-7"}, "side": "top", "x_mm": 30.25, "y_mm": 40, "rotation_deg": 0, "terminations": 48},
            ],
            "positions": [{"name": "1", "x_mm": 0, "y_mm": 0}, {"name": "2", "x_mm": 60, "y_mm": 0}],
            "limits": [{"name": "volume", "unit": "%", "lower": 50, "upper": 150}],
        }
    ],
    "materials": [{"number": "C-100", "kind": "component", "moisture_level": "3"}],
}  # fmt: skip


def test_rows_of_one_part_are_one_declaration() -> None:
    first, second = read("placement.csv", PLACEMENT.encode())
    assert (first.told, first.size) == ("part HW-1 B: placement from 2026-03-02", 2)
    assert isinstance(first.data, LinePartDeclared)
    assert first.data.part is not None
    assert (first.data.part.number, first.data.part.revision) == ("HW-1", "B")
    spot = first.data.placement[1]
    assert (spot.name, spot.part and spot.part.number, spot.x_mm, spot.terminations) == (
        "U1",
        "U-7",
        30.25,
        48,
    )
    assert second.told == "part HW-2: placement from 2026-03-02"


def test_a_line_with_its_links_and_a_material_with_its_makers() -> None:
    (line,) = read("routing.csv", ROUTING.encode())
    assert isinstance(line.data, LineDeclared)
    assert [station.name for station in line.data.stations] == ["print", "place-1"]
    assert [(link.to, link.buffer) for link in line.data.stations[0].links] == [
        ("place-1", 3),
        ("place-2", None),
    ]
    assert line.data.stations[1].optional
    (material,) = read("materials.csv", MATERIALS.encode(), "2026-03-01")
    assert isinstance(material.data, MaterialDeclared)
    assert [(m.maker, m.maker_part) for m in material.data.makers] == [("Maker A", "A-1"), ("Maker B", "B-9")]
    assert material.data.alternates == ("C-101", "C-102")
    assert (material.data.moisture_level, material.data.floor_life_h) == ("3", 168)


def test_every_aspect_of_a_part_is_declared_by_itself() -> None:
    found = read("master.json", json.dumps(DOCUMENT).encode())
    assert [one.told for one in found] == [
        "line line-1: stations from 2026-03-02",
        "part HW-1 B: positions from 2026-03-02",
        "part HW-1 B: placement from 2026-03-02",
        "part HW-1 B: limits from 2026-03-02",
        "part HW-1 B: marking from 2026-03-02",
        "material C-100: master data from 2026-03-02",
    ]


def test_the_same_in_another_format_is_the_same_declaration() -> None:
    as_json = {one.generation: one.content for one in read("master.json", json.dumps(DOCUMENT).encode())}
    toml = """
valid_from = 2026-03-02
[[parts]]
number = "HW-1"
revision = "B"
positions = [{ name = "1", x_mm = 0, y_mm = 0 }, { name = "2", x_mm = 60, y_mm = 0 }]
"""
    (one,) = read("master.toml", toml.encode())
    assert as_json[one.generation] == one.content
    placement = read("placement.csv", PLACEMENT.encode())[0]
    assert as_json[placement.generation] == placement.content


def test_what_is_there_already_is_unchanged_and_other_content_is_the_next_revision() -> None:
    found = read("placement.csv", PLACEMENT.encode())
    first, second = changes(found, {})
    assert [(c.what, c.revision) for c in (first, second)] == [("new", 1), ("new", 1)]
    kept = {
        KEPT + c.one.generation: json.dumps({"revision": c.revision, "content": c.one.content}).encode()
        for c in (first, second)
    }
    moved = read("p.csv", PLACEMENT.replace("30.25", "30.5").encode())
    assert [(c.what, c.revision) for c in changes(moved, kept)] == [("changed", 2), ("unchanged", 1)]
    later = read("p.csv", PLACEMENT.replace("2026-03-02", "2026-04-01").encode())
    assert [c.what for c in changes(later, kept)] == ["new", "new"]


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("p.csv", PLACEMENT.replace("10.5", "10,5"), "p.csv:2: column 'x_mm' = '10,5' is no number"),
        ("p.csv", PLACEMENT.replace(";2\nHW-1", ";two\nHW-1"), "p.csv:2: column 'terminations' = 'two' is no whole number"),
        ("p.csv", PLACEMENT.replace("x_mm", "x"), "p.csv:1: column 'x' is not known; a table of placement may have"),
        ("p.csv", PLACEMENT.replace("y_mm", "x_mm"), "p.csv:1: column 'x_mm' stands twice"),
        ("p.csv", PLACEMENT.replace(";top;10.5", ";left;10.5"), "placement.0.side"),
        ("p.csv", PLACEMENT.replace("C1;C-100;top", ";C-100;top"), "p.csv:2: column 'designator' is empty"),
        ("p.csv", PLACEMENT + "HW-3;;\n", "p.csv:5: 3 cells under 10 columns"),
        ("p.csv", "a,b\n1,2\n", "p.csv:1: no table is known by the columns a, b"),
        ("p.csv", "part,designator\nHW-1,C1\n", "p.csv:2: valid_from is missing"),
        ("p.csv", PLACEMENT.replace("2026-03-02;U1", "March;U1"), "is no instant"),
        ("m.json", '{"parts": [', "m.json:1: column 12: is not JSON"),
        ("m.json", '{"part": []}', "m.json: 'part' is no key; there are valid_from, lines, parts, materials"),
        ("m.json", '{"parts": [{"number": "A", "places": []}]}', "m.json: parts.1: 'places' is no key of a part"),
        ("m.json", '{"valid_from": "2026-03-02", "materials": [{"number": 7}]}', "m.json: materials.1: number: "),
        ("m.json", "[]", "m.json: holds no object"),
        ("m.json", "{}", "m.json: declares nothing"),
        ("m.toml", "parts = [", "m.toml: is not TOML"),
        ("m.xls", "x", "m.xls: is neither .json, .toml nor .csv"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place_and_value(name: str, text: str, words: str) -> None:
    with pytest.raises(MappingError) as raised:
        read(name, text.encode())
    assert words in str(raised.value)


def test_all_mistakes_are_told_at_once_up_to_twenty() -> None:
    rows = "".join(f"HW-1;;2026-03-02;C{n};C-1;top;x{n};0;0;2\n" for n in range(30))
    with pytest.raises(MappingError) as raised:
        read("p.csv", (PLACEMENT + rows).encode())
    assert len(str(raised.value).splitlines()) == 20


def test_one_thing_twice_in_a_file_is_refused() -> None:
    document = {"valid_from": "2026-03-02", "materials": [{"number": "C-1"}, {"number": "C-1", "unit": "g"}]}
    with pytest.raises(MappingError, match="material C-1: master data from 2026-03-02 is declared twice"):
        read("m.json", json.dumps(document).encode())
    with pytest.raises(MappingError, match="is not UTF-8"):
        read("m.json", b"\xff")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("d.json", b'{"valid_from": 7, "materials": [{"number": "C-1"}]}'),
        ("d.json", b'{"valid_from": ' + b"9" * 5000 + b"}"),
        ("d.json", b"[" * 100_000),
        ("d.toml", b"valid_from = " + b"9" * 5000),
        ("d.toml", b"valid_from = " + b"[" * 5000),
    ],
)
def test_what_readers_stumble_over_is_told_like_any_mistake(name: str, content: bytes) -> None:
    with pytest.raises(MappingError, match=name):
        read(name, content)
