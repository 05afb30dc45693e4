"""A report as one HTML file that needs nothing else: no script, no request, no text that becomes markup.

The tree is built, never written as text, so that nothing a machine wrote can end up as anything but text.
"""

import base64
import hashlib
import unicodedata
from collections.abc import Iterable
from importlib.resources import files
from itertools import groupby
from typing import Any, Final, Literal

from lxml import etree
from lxml.html import builder as E

from broker_bridge.report.content import Event, Report, what_for
from broker_bridge.words.board import Paragraph, Section
from broker_bridge.words.telling import safe

Paper = Literal["a4", "letter"]
PAPERS: Final[tuple[Paper, ...]] = ("a4", "letter")

Element = Any
"""An element of lxml, which comes without types."""

_STYLE: Final = files("broker_bridge.report").joinpath("report.css").read_text(encoding="utf-8")


def style(paper: Paper) -> str:
    """The style sheet for a paper size."""
    return f"@page {{ size: {'A4' if paper == 'a4' else 'letter'} }}\n{_STYLE}"


def policy(paper: Paper) -> str:
    """The content security policy that the page carries and is to be served with: its own style sheet, nothing else."""
    hashed = base64.b64encode(hashlib.sha256(style(paper).encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{hashed}'; base-uri 'none'; form-action 'none'"


def page(report: Report, paper: Paper = "a4") -> bytes:
    """The whole file, UTF-8."""
    head = E.HEAD(
        E.META(charset="utf-8"),
        E.META({"http-equiv": "Content-Security-Policy", "content": policy(paper)}),
        E.META(name="viewport", content="width=device-width, initial-scale=1"),
        E.META(name="referrer", content="no-referrer"),
        E.TITLE(f"{safe(report.title)}: report as of commit {report.as_of.commit}"),
        E.STYLE(style(paper)),
    )
    as_of = report.as_of
    made = f" ({report.committed[:19].replace('T', ' ')} UTC)" if report.committed else ""
    body = E.BODY(
        E.HEADER(
            _p("Report from the record ", f"{as_of.record}, as of commit {as_of.commit}{made}", cls="origin"),
            _h("h1", report.title),
        ),
        E.SECTION(
            {"class": "cautions", "aria-label": "Cautions"},
            E.H2("Read this first"),
            E.UL(*[_within(E.LI(), text) for text in report.cautions]),
        ),
        _section(report.sections[0]),
        E.SECTION(E.H2("In brief"), _brief(report)),
        *[_section(section) for section in report.sections[1:]],
        E.SECTION(
            {"class": "events"},
            E.H2(f"The events this stands on: {len(report.events)}"),
            _events(report.events),
            _p(what_for(report), cls="hash"),
        ),
    )
    document = E.HTML({"lang": "en"}, head, body)
    told: bytes = etree.tostring(document, method="html", encoding="utf-8", doctype="<!DOCTYPE html>")
    return told + b"\n"


def _section(section: Section) -> Element:
    found = E.SECTION()
    if section.title:
        found.append(_h("h2", section.title))
    found.extend(_paragraph(paragraph) for paragraph in section.paragraphs)
    return found


def _paragraph(paragraph: Paragraph) -> Element:
    classes = [f"depth-{paragraph.depth}"]
    if paragraph.doubt:
        classes.append("doubt")
    if paragraph.mark == "!":
        classes.append("held")
    if not paragraph.mark:
        return _p(paragraph.text, cls=" ".join(classes))
    found = E.P(
        {"class": " ".join([*classes, "marked"])}, E.SPAN({"class": "mark"}, safe(paragraph.mark)), " "
    )
    return _within(found, paragraph.text)


def _brief(report: Report) -> Element:
    rows = [
        E.TR(
            E.TD({"class": "number"}, str(one.number)),
            E.TH({"scope": "row"}, one.what),
            _within(E.TD(), one.note),
        )
        for one in report.brief
    ]
    return E.TABLE({"class": "brief"}, E.TBODY(*rows))


def _events(events: Iterable[Event]) -> Element:
    heads = ("Number", "What", "Station", "When it happened", "Taken in", "For")
    head = E.THEAD(
        E.TR(*[E.TH({"scope": "col"}, text) for text in heads]),
        E.TR(
            E.TH({"colspan": "6"}, "its source and id, its hash, the hash of its raw record; times are UTC")
        ),
    )
    return E.TABLE({"class": "events"}, head, *[_event(event) for event in events])


def _event(event: Event) -> Element:
    cells = (
        event.type,
        event.station or "not stated",
        _time(event.time),
        _time(event.recorded),
        " ".join(event.supports),
    )
    raw = f"raw {event.raw_hash}" if event.raw_hash else "no raw record: the bridge or a person says it"
    return E.TBODY(
        E.TR(E.TD({"class": "number"}, str(event.number)), *[_within(E.TD(), cell) for cell in cells]),
        E.TR(
            _within(
                E.TD({"class": "proof", "colspan": "6"}),
                f"{event.source} {event.id}",
                E.BR(),
                f"event {event.hash} {raw}",
            )
        ),
    )


def _time(text: str) -> str:
    return text.removesuffix("Z").replace("T", " ")[:23]


def _h(tag: Literal["h1", "h2"], text: str) -> Element:
    return _within(E.H1() if tag == "h1" else E.H2(), text)


def _p(*texts: str, cls: str) -> Element:
    return _within(E.P({"class": cls}), *texts)


def _within(parent: Element, *parts: "str | Element") -> Element:
    """Append texts and elements. What is written from right to left is kept from turning the words around it."""
    for part in parts:
        if not isinstance(part, str):
            parent.append(part)
            continue
        for turned, run in groupby(safe(part), _turned):
            text = "".join(run)
            if turned:
                parent.append(E.BDI(text))
            elif len(parent):
                parent[-1].tail = (parent[-1].tail or "") + text
            else:
                parent.text = (parent.text or "") + text
    return parent


def _turned(character: str) -> bool:
    return unicodedata.bidirectional(character) in ("R", "AL", "AN")
