"""A board's report: what it holds, that nothing in it becomes markup, that it is one file, on both papers."""

import hashlib
import json
import re
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from lxml import html
from memory_store import MemoryStore
from told import AS_OF, Told, board, call, panel, recorded, verdict

from broker_bridge.cli.main import main
from broker_bridge.queries import record as opening
from broker_bridge.queries.boards import board as history_of
from broker_bridge.queries.record import Record, open_with
from broker_bridge.report.content import Brief, Event, Report, report
from broker_bridge.report.page import PAPERS, page, policy, style
from broker_bridge.report.paper import pdf
from broker_bridge.store.leaf import leaf
from broker_bridge.words.board import Paragraph, Section, sections, words

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='x",
    "</style><b>",
    "\u202egnp.exe",
    "\u05d0\u05d1\u05d2 17",
    "]]>&amp;<!--",
    "\x1b[31mred\x07",
    "{{ 7*7 }}${x}%s",
)

ALLOWED = {
    "html", "head", "meta", "title", "style", "body", "header", "section", "h1", "h2", "p", "span", "ul", "li", "table",
    "thead", "tbody", "tr", "th", "td", "br", "bdi",
}  # fmt: skip


def life(name: str = "A", designator: str = "R1", log: str = "bridge") -> Told:
    told = Told()
    told.say(
        "board.identified",
        "10:00:00",
        board(name, "transfer=T", panel="P", position=1),
        station="load",
        order="WO-7",
    )
    told.passes("print", "10:01:00", "10:01:30", panel("P"), lane=1)
    told.inspects(
        "aoi", "10:10:00", "10:10:20", board(name), outcome="failed", calls=[call(designator, log)],
        coverage={"inspected": 118, "total": 120, "of": "components", "left_out": ["R9"]},
    )  # fmt: skip
    told.say(
        "inspection.reviewed", "12:00:00", board(name, how="passed_on"), station="desk", inspected_at="aoi",
        inspected="10:10:00", outcome="failed", verdicts=[verdict(designator, "confirmed", defect=log)],
    )  # fmt: skip
    told.say("source.gap", "10:07:00", source="oven", cause="away", start="10:05:00", end="10:07:00")
    told.say("board.held", "12:05:00", board(name), reason=log, hold="H-1")
    return told


@pytest.fixture
def record(tmp_path: Path) -> Record:
    return opened(life(), tmp_path)


def opened(told: Told, folder: Path) -> Record:
    store = MemoryStore()
    recorded(store, told.facts)
    return open_with(store.reader, folder / "i.db")


def made(record: Record, name: str = "A") -> Report:
    return report(record, history_of(record, name))


def text_of(content: bytes) -> str:
    tree = html.document_fromstring(content.decode())
    for element in tree.xpath("//style"):
        element.drop_tree()
    return re.sub(r"\s+", " ", tree.text_content())


def test_it_holds_what_the_terminal_says_and_its_cautions(record: Record) -> None:
    told = text_of(page(made(record)))
    for expected in (
        "Board A", "as of commit 7", "ON HOLD since 2026-03-02 12:05:00 (hold H-1)", "work order WO-7",
        "print, lane 1: arrived 2026-03-02 10:01:00, left 2026-03-02 10:01:30. No outcome stated.",
        "R1: bridge, called at aoi, confirmed 2026-03-02 12:00:00; open", "left out by the program: R9",
        "oven: from 2026-03-02 10:05:00", "A clean history is not a release", "What is not listed did not pass",
    ):  # fmt: skip
        assert expected in told, expected


def test_paper_and_terminal_say_the_same(record: Record) -> None:
    """Word for word, but for line ends, dates that a terminal does not repeat, and hints about its options."""
    history = history_of(record, "A")
    hints = r"\(values: --paste\)|V1, D1 \.\.\. name statements[:;][^.]*\."

    def plain(text: str) -> list[str]:
        return re.sub(rf"{hints}|2026-03-02 ", "", text).split()

    paper = " ".join(
        " ".join([section.title, *[f"{p.mark} {p.text}" for p in section.paragraphs]])
        for section in sections(history)
    )
    assert plain(paper) == plain(" ".join(words(history)))


def test_every_event_it_stands_on_is_there_with_its_hash(record: Record) -> None:
    found = made(record)
    leaves = [leaf(record.reader.body(event.number)) for event in found.events]
    assert [event.hash for event in found.events] == [one.hex() for one in leaves]
    assert found.hash == hashlib.sha256(b"".join(leaves)).hexdigest()
    told = text_of(page(found))
    assert all(event.hash in told for event in found.events)
    supported = {reference for event in found.events for reference in event.supports}
    assert {"V1", "I1", "D1", "N1", "G1"} <= supported
    # SHA-256 over a zero byte and the bytes: the leaf of RFC 6962, 2.1
    body = record.reader.body(found.events[0].number)
    assert found.events[0].hash == hashlib.sha256(b"\0" + body).hexdigest()


def test_the_same_record_gives_the_same_bytes(record: Record) -> None:
    assert page(made(record)) == page(made(record))
    one = page(made(record))
    assert pdf(one) == pdf(one)


@pytest.mark.parametrize("paper", PAPERS)
def test_it_needs_nothing_else_and_runs_nothing(record: Record, paper: str) -> None:
    content = page(made(record), paper)  # type: ignore[arg-type]
    tree = html.document_fromstring(content.decode())
    assert not tree.xpath(
        "//script | //link | //img | //iframe | //object | //form | //@style | //@src | //@href"
    )
    assert not [name for name in tree.xpath("//@*") if getattr(name, "attrname", "").startswith("on")]
    (sheet,) = tree.xpath("//style/text()")
    assert sheet == style(paper)  # type: ignore[arg-type]
    assert "url(" not in sheet
    assert "@import" not in sheet
    (stated,) = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert stated == policy(paper)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", HOSTILE)
def test_what_a_machine_wrote_is_never_markup(tmp_path: Path, text: str) -> None:
    record = opened(life(f"board={text}", text, text), tmp_path)
    content = page(made(record, text))
    tree = html.document_fromstring(content.decode())
    assert {element.tag for element in tree.iter()} <= ALLOWED  # a comment's tag is a function
    flowing = tree.text_content()
    assert not [c for c in flowing if not c.isprintable() and c not in "\n "]


def test_what_runs_from_right_to_left_is_kept_apart(tmp_path: Path) -> None:
    record = opened(life("\u05d0\u05d1", "R1", "x"), tmp_path)
    tree = html.document_fromstring(page(made(record, "\u05d0\u05d1")).decode())
    assert "\u05d0\u05d1" in tree.xpath("//bdi/text()")
    outside = "".join(tree.xpath("//body//text()[not(parent::bdi)]"))
    assert "\u05d0" not in outside


@settings(max_examples=60)
@given(text=st.text(st.characters(codec=None), max_size=40) | st.sampled_from(HOSTILE))
def test_any_text_is_text(text: str) -> None:
    event = Event(1, 1, text, text, text, text, text, text, "00", text, text, (text,))
    section = Section(text, (Paragraph("V1", text, 1, False), Paragraph(text, text, 2, True)))
    found = Report(
        text, (Brief(1, "findings", text),), (section, section), (event,), "00", None, text, (text,), AS_OF
    )
    tree = html.document_fromstring(page(found).decode())
    assert {element.tag for element in tree.iter()} <= ALLOWED
    assert not set(tree.xpath("//@*/..")) - set(
        tree.xpath(
            "//*[@class or @scope or @colspan or @lang or @charset or @name or @http-equiv or @aria-label]"
        )
    )


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.28, 841.89)), ("letter", (612.0, 792.0))])
def test_as_pdf_it_has_the_size_of_the_paper(record: Record, paper: str, size: tuple[float, float]) -> None:
    """A4 by ISO 216 (210 mm x 297 mm), Letter by ANSI/ASME Y14.1 (8.5 in x 11 in); 72 points an inch."""
    made_pdf = pdf(page(made(record), paper))  # type: ignore[arg-type]
    assert made_pdf.startswith(b"%PDF-")
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", made_pdf, re.DOTALL)
    objects = b"".join(zlib.decompressobj().decompress(one) for one in streams if one.startswith(b"x"))
    boxes = re.findall(rb"/MediaBox ?\[0 0 ([0-9.]+) ([0-9.]+)\]", objects)
    assert boxes
    for width, height in boxes:
        assert (float(width), float(height)) == pytest.approx(size, abs=0.5)


def test_the_command_writes_one_file_and_overwrites_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    store = MemoryStore()
    recorded(store, life().facts)
    monkeypatch.setattr(opening, "SqliteReader", lambda path: store.reader)
    monkeypatch.setattr(opening, "index_path", lambda path: tmp_path / "i.db")
    out = tmp_path / "A.html"
    words = ["report", "A", "--record", "sqlite:///any", "--out", str(out)]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    schema = json.loads((Path(__file__).resolve().parents[2] / "schemas" / "report.json").read_bytes())
    Draft202012Validator(schema).validate(told)
    assert told["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    assert main(words) == 2
    assert "overwrites nothing" in capsys.readouterr().err
    assert main(["report", "A", "--record", "sqlite:///any", "--out", str(tmp_path / "A.doc")]) == 2
    assert main(["report", "nobody", "--record", "sqlite:///any", "--out", str(tmp_path / "B.html")]) == 1
    assert not (tmp_path / "B.html").exists()
