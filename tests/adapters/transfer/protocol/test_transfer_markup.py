"""XML in and out, against lxml as an independent reader and writer."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from transfer_strategies import texts

from broker_bridge.adapters.transfer.protocol.markup import (
    MAX_ATTRIBUTES,
    MAX_DEPTH,
    Element,
    parse,
    render,
)
from broker_bridge.errors import RemoteProtocolError

NAMES = st.sampled_from(["Hermes", "SB", "Pos", "_x", "Größe", "a-b.c"])
TREES = st.recursive(
    st.builds(Element, NAMES, st.dictionaries(NAMES, texts, max_size=4)),
    lambda inner: st.builds(
        Element, NAMES, st.dictionaries(NAMES, texts, max_size=4), st.lists(inner, max_size=3)
    ),
    max_leaves=8,
)


def _lxml(element: Element) -> "etree._Element":
    made = etree.Element(element.name, element.attributes)
    made.extend([_lxml(child) for child in element.children])
    return made


def _tree(made: "etree._Element") -> Element:
    return Element(str(made.tag), {str(k): str(v) for k, v in made.items()}, [_tree(child) for child in made])


@settings(max_examples=100)
@given(TREES)
def test_lxml_reads_what_we_write_and_we_read_what_lxml_writes(tree: Element) -> None:
    parser = etree.XMLParser(resolve_entities=False, no_network=True)
    assert _tree(etree.fromstring(render(tree), parser)) == tree
    assert parse(etree.tostring(_lxml(tree), encoding="utf-8", xml_declaration=False)) == tree
    assert parse(render(tree)) == tree


def test_text_is_kept_without_blanks_and_never_taken_for_an_element() -> None:
    assert parse(b"<a>\n x <b/> y<![CDATA[<c/>]]></a>") == Element("a", {}, [Element("b")], "xy<c/>")


def test_single_quotes_and_a_bare_greater_sign_are_legal_in_an_attribute() -> None:
    assert parse(b"<a b='P&lt;1>\"&amp;'/>").attributes == {"b": 'P<1>"&'}


@pytest.mark.parametrize(
    ("raw", "what"),
    [
        (b"<!DOCTYPE a><a/>", "DOCTYPE"),
        (b"<!DOCTYPE a [<!ENTITY e 'boom'>]><a b='&e;'/>", "DOCTYPE"),
        (b"<!DOCTYPE a SYSTEM 'file:///etc/passwd'><a/>", "DOCTYPE"),
        (b"<a><!DOCTYPE b></a>", "not well-formed"),
        (b"<a b='&e;'/>", "undefined entity"),
        (b"<a b='1' b='2'/>", "duplicate attribute"),
        (b"<a>", "no element found"),
        (b"", "no element found"),
        (b"<a></b>", "mismatched tag"),
        (b"<a/><b/>", "junk after document element"),
        (b"<a b='\x01'/>", "not well-formed"),
        (b"<a b='\xff'/>", "not UTF-8: byte 0xff at offset 6"),
        (b"<a b='\xc0\xaf'/>", "not UTF-8"),
        (b"<a b='\xed\xa0\x80'/>", "not UTF-8"),
        ("<a b='ä'/>".encode("latin-1"), "not UTF-8"),
        ("<a/>".encode("utf-16"), "not UTF-8"),
        (b"<a>" * (MAX_DEPTH + 1) + b"</a>" * (MAX_DEPTH + 1), "nested deeper than 16"),
        (b"<a " + b" ".join(b"a%d='1'" % n for n in range(MAX_ATTRIBUTES + 1)) + b"/>", "129 attributes"),
    ],
)
def test_refused_with_reason_and_bytes(raw: bytes, what: str) -> None:
    with pytest.raises(RemoteProtocolError, match=what) as caught:
        parse(raw)
    assert caught.value.raw == raw


def test_limits_themselves_are_allowed() -> None:
    deep = b"<a>" * MAX_DEPTH + b"</a>" * MAX_DEPTH
    assert parse(deep).name == "a"
    wide = b"<a " + b" ".join(b"a%d='1'" % n for n in range(MAX_ATTRIBUTES)) + b"/>"
    assert len(parse(wide).attributes) == MAX_ATTRIBUTES


def test_a_declared_encoding_does_not_count() -> None:
    raw = '<?xml version="1.0" encoding="iso-8859-1"?><a b="ä"/>'.encode()
    assert parse(raw).attributes == {"b": "ä"}


@settings(max_examples=200)
@given(st.binary(max_size=60))
def test_any_bytes_are_a_tree_or_an_error_with_the_bytes(raw: bytes) -> None:
    try:
        parse(raw)
    except RemoteProtocolError as refused:
        said = refused.raw
    else:
        said = raw
    assert said == raw
