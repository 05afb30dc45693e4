"""XML documents, with lxml as the reference reader."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from pydantic import ValidationError

from broker_bridge.adapters.logs.protocol.readers import open_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Signal
from broker_bridge.adapters.logs.protocol.xml_reader import Xml

Found = list[NativeRecord | Refused]
PANEL = [
    {"kind": "panel", "path": "/Panel"},
    {"kind": "board", "path": "/Panel/Boards/Board"},
    {"kind": "call", "path": "/Panel/Boards/Board/Call"},
]
TEXT = """<?xml version="1.0" encoding="UTF-8"?>
<!-- made by hand -->
<Panel id="P1">
  <Side>top</Side>
  <Boards>
    <Board pos="1"><Result>OK</Result></Board>
    <Board pos="2"><Result>NG</Result>
      <Call at="R1"/><Call at="C&amp;2">shifted &gt; ü</Call>
    </Board>
  </Boards>
  <Lot>A</Lot><Lot>B</Lot>
  <Program rev="3"><Name>X</Name></Program>
</Panel>
"""


def xml(records: list[dict[str, Any]], **stated: Any) -> Xml:
    return Xml.model_validate({"kind": "xml", "records": records} | stated)


def read(stated: Xml, data: bytes, cut: int = 10**9) -> tuple[Found, bool]:
    reader = open_reader(stated)
    found: Found = []
    for at in range(0, len(data), cut):
        reader.receive_data(data[at : at + cut])
        while not isinstance(item := reader.next_record(), Signal):
            found.append(item)
    reader.receive_data(b"")
    while not isinstance(item := reader.next_record(), Signal):
        found.append(item)
    return found, reader.complete


def test_elements_at_paths_are_records_with_their_bytes() -> None:
    data = TEXT.encode()
    found, complete = read(xml(PANEL), data, cut=7)
    assert complete
    assert [(item.kind, item.line) for item in found] == [
        ("panel", 3), ("board", 6), ("board", 7), ("call", 8), ("call", 8),
    ]  # fmt: skip
    for item in found:
        assert data[item.position : item.end] == item.raw
        assert etree.fromstring(item.raw) is not None
    panel, _, second, first_call, call = (item for item in found if isinstance(item, NativeRecord))
    assert panel.fields == {
        "@id": "P1", "Side": "top", "Lot": ["A", "B"],
        "Program": {"@rev": "3", "Name": "X"},
    }  # fmt: skip
    assert second.fields["Result"] == "NG"
    assert first_call.fields["@at"] == "R1"
    assert first_call.raw == b'<Call at="R1"/>'
    assert (call.fields["@at"], call.fields["#text"]) == ("C&2", "shifted > ü")
    assert call.fields["^"] is second.fields
    assert second.fields["^"] is panel.fields


def test_namespaces_count_only_where_a_prefix_is_stated() -> None:
    data = b'<a:P xmlns:a="urn:x" xmlns:b="urn:y"><a:B/><b:B b:n="1"/></a:P>'
    assert len(read(xml([{"kind": "b", "path": "/P/B"}]), data)[0]) == 2
    stated = xml([{"kind": "b", "path": "/P/y:B"}], namespaces={"y": "urn:y"})
    ((record,), _) = read(stated, data)
    assert isinstance(record, NativeRecord)
    assert record.fields == {"@n": "1"}
    with pytest.raises(ValidationError, match="prefix 'y'"):
        xml([{"kind": "b", "path": "/P/y:B"}])


def test_kinds_at_one_path_are_told_apart_by_attributes() -> None:
    stated = xml(
        [
            {"kind": "s", "path": "/L/E", "where": {"@t": "S"}},
            {"kind": "e", "path": "/L/E", "where": {"@t": "E"}},
        ]
    )
    found, _ = read(stated, b'<L><E t="E"/><E t="S"/><E t="x"/></L>')
    assert [item.kind for item in found] == ["e", "s"]


def test_a_greater_than_sign_in_an_attribute_ends_no_element() -> None:
    data = b'<L><E a="1>2"/> <E a="/>"></E></L>'
    found, _ = read(xml([{"kind": "e", "path": "/L/E"}]), data)
    assert [item.raw for item in found] == [b'<E a="1>2"/>', b'<E a="/>"></E>']


def test_documents_may_follow_each_other() -> None:
    one = b'<?xml version="1.0"?>\n<L>\n<E a="1"/></L>'
    data = one + b"\n\n" + one.replace(b'1"/', b'2"/') + b"<L/>\n"
    found, complete = read(xml([{"kind": "l", "path": "/L"}, {"kind": "e", "path": "/L/E"}]), data)
    assert complete
    assert [(item.kind, item.line) for item in found] == [("l", 2), ("e", 3), ("l", 6), ("e", 7), ("l", 7)]
    assert all(data[item.position : item.end] == item.raw for item in found)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "iso-8859-1", "windows-1252"])
def test_encodings_are_those_the_document_declares(encoding: str) -> None:
    data = f'<?xml version="1.0" encoding="{encoding}"?><L><E a="é"/><E>ü</E></L>'.encode(encoding)
    found, _ = read(xml([{"kind": "e", "path": "/L/E"}]), data)
    assert [dict(item.fields) for item in found if isinstance(item, NativeRecord)] == [
        {"@a": "é"},
        {"#text": "ü"},
    ]
    assert all(data[item.position : item.end] == item.raw for item in found)


def test_an_encoding_can_be_stated_where_the_document_lies() -> None:
    data = b'<?xml version="1.0" encoding="utf-8"?><E a="\xe9"/>'
    stated = [{"kind": "e", "path": "/E"}]
    assert isinstance(read(xml(stated), data)[0][0], Refused)
    ((record,), _) = read(xml(stated, encoding="iso-8859-1"), data)
    assert isinstance(record, NativeRecord)
    assert record.fields == {"@a": "é"}


@pytest.mark.parametrize(
    "data",
    [
        b'<!DOCTYPE L [<!ENTITY x SYSTEM "file:///etc/passwd">]><L><E>&x;</E></L>',
        b'<!DOCTYPE L [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]><L><E>&b;</E></L>',
        b"<L><E>&undeclared;</E></L>",
        b"<a>" * 300 + b"</a>" * 300,
        b'<L><E a="1" a="2"/></L>',
        b"<L><E></L>",
        b"no xml",
    ],
)
def test_what_is_dangerous_or_broken_is_refused(data: bytes) -> None:
    (found, _) = read(xml([{"kind": "e", "path": "/L/E"}]), data)
    assert len(found) == 1
    assert isinstance(found[0], Refused)
    assert found[0].size == len(data)


def test_records_before_a_fault_are_kept_and_the_rest_is_refused() -> None:
    data = b"<L>\n<E>1</E>\n<E>2</E>\n<E><</E>\n<E>4</E>\n</L>"
    found, complete = read(xml([{"kind": "e", "path": "/L/E"}]), data)
    assert [item.kind for item in found] == ["e", "e", None]
    refused = found[-1]
    assert isinstance(refused, Refused)
    assert complete
    assert (refused.position, refused.end) == (found[1].end, len(data))
    assert (refused.line, refused.place) == (3, "line 4, character 5")


@pytest.mark.parametrize("cut", [1, 10, 45, 150, len(TEXT.encode()) - 3])
def test_hazard_11_a_document_that_is_cut_off_is_incomplete(cut: int) -> None:
    found, complete = read(xml(PANEL), TEXT.encode()[:cut])
    assert not complete
    assert all(isinstance(item, Refused) for item in found)


def test_a_document_beyond_the_limit_is_refused() -> None:
    data = b"<L>" + b"<E/>" * 10_000 + b"</L>"
    ((refused,), _) = read(xml([{"kind": "e", "path": "/L/E"}], max_document_bytes=1000), data, cut=100)
    assert isinstance(refused, Refused)
    assert (refused.code, refused.size) == ("oversize", len(data))


names = st.sampled_from(["E", "F", "L"])
texts = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\ufffe\uffff"),
    max_size=5,
)
trees = st.recursive(
    st.builds(lambda name, text: (name, text, {}, []), names, texts),
    lambda inner: st.tuples(
        names, texts, st.dictionaries(names, texts, max_size=2), st.lists(inner, max_size=3)
    ),
    max_leaves=8,
)


def element(tree: Any) -> Any:
    name, text, attributes, children = tree
    made = etree.Element(name, attributes)
    made.text = text
    made.extend([element(child) for child in children])
    return made


@given(trees, st.sampled_from(["utf-8", "utf-16", "ascii"]), st.integers(1, 40))
def test_every_element_that_lxml_finds_is_found(tree: Any, encoding: str, cut: int) -> None:
    root = etree.Element("R")
    root.append(element(tree))
    data = etree.tostring(root, encoding=encoding, xml_declaration=True)
    stated = xml([{"kind": "e", "path": "/R/E"}, {"kind": "f", "path": "/R/E/F"}])
    found, complete = read(stated, data, cut)
    assert complete
    expected = [*root.findall("E"), *root.findall("E/F")]
    order = {found: place for place, found in enumerate(root.iter())}
    expected.sort(key=lambda one: order[one])
    records = [item for item in found if isinstance(item, NativeRecord)]
    assert [record.kind for record in records] == [one.tag.lower() for one in expected]
    for record, one in zip(records, expected, strict=True):
        assert {key: value for key, value in record.fields.items() if key.startswith("@")} == {
            "@" + key: value for key, value in one.attrib.items()
        }
        assert data[record.position : record.end] == record.raw


@given(
    st.binary(max_size=80)
    | st.lists(
        st.sampled_from([b"<E>", b"</E>", b"<L>", b"</L>", b"&", b"<!--", b"-->", b" x"]), max_size=12
    ).map(b"".join)
)
def test_any_bytes_give_records_or_refusals(data: bytes) -> None:
    stated = xml([{"kind": "e", "path": "/L/E"}])
    whole = read(stated, data)
    assert read(stated, data, 3) == whole
    position = 0
    for item in whole[0]:
        assert item.position >= position
        position = item.end
