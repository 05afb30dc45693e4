"""Quoted fields, against RFC 4180 and against Python's csv module as the reference reader."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.adapters.logs.protocol.delimited import DelimitedReader
from broker_bridge.adapters.logs.protocol.delimited_settings import Delimited
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Signal


def reader(width: int, **settings: object) -> DelimitedReader:
    columns = [f"c{number}" for number in range(width)]
    stated = {"kind": "delimited", "encoding": "utf-8", "records": [{"kind": "row", "columns": columns}]}
    return DelimitedReader(Delimited.model_validate(stated | settings))


def read(source: DelimitedReader, data: bytes, cut: int = 10**9) -> list[NativeRecord | Refused]:
    found: list[NativeRecord | Refused] = []
    for at in range(0, len(data), cut):
        source.receive_data(data[at : at + cut])
        while not isinstance(item := source.next_record(), Signal):
            found.append(item)
    source.receive_data(b"")
    while not isinstance(item := source.next_record(), Signal):
        found.append(item)
    return found


def rows(found: list[NativeRecord | Refused]) -> list[list[object]]:
    return [list(item.fields.values()) if isinstance(item, NativeRecord) else [item.code] for item in found]


RFC_4180 = [  # section 2, "Definition of the CSV Format", examples of rules 1, 2, 5, 6 and 7
    (b"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    (b"aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    (b'"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    (b'"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    (b'"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]]),
]


@pytest.mark.parametrize(("data", "expected"), RFC_4180)
@pytest.mark.parametrize("cut", [1, 2, 1000])
def test_the_examples_of_rfc_4180(data: bytes, expected: list[list[str]], cut: int) -> None:
    assert rows(read(reader(3), data, cut)) == expected


def test_the_header_example_of_rfc_4180() -> None:
    data = b"field_name,field_name2,field_name3\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n"
    source = reader(3, records=[{"kind": "row", "header": True}])
    found = read(source, data)
    assert [dict(item.fields) for item in found if isinstance(item, NativeRecord)] == [
        {"field_name": "aaa", "field_name2": "bbb", "field_name3": "ccc"},
        {"field_name": "zzz", "field_name2": "yyy", "field_name3": "xxx"},
    ]


def test_hazard_25_a_quoted_line_end_does_not_end_the_record() -> None:
    data = b'1,"two\nlines",3\n4,5,6\n'
    for cut in (1, 5, 8, 100):
        (first, second) = read(reader(3), data, cut)
        assert first.raw == b'1,"two\nlines",3\n'
        assert (second.position, second.line) == (16, 3)


def test_a_quote_that_is_never_closed_sets_aside_its_line_only() -> None:
    data = b'1,"2,3\n4,5,6\n7,8,9\n'
    found = read(reader(3), data)
    assert rows(found) == [["quoting"], ["4", "5", "6"], ["7", "8", "9"]]
    (refused, *_) = found
    assert isinstance(refused, Refused)
    assert refused.raw == b'1,"2,3\n'
    assert 'quote = ""' in refused.reason
    assert rows(read(reader(3, quote=""), data)) == [["1", '"2', "3"], ["4", "5", "6"], ["7", "8", "9"]]


def test_a_quote_open_beyond_the_limit_is_given_up() -> None:
    data = b'1,"2,3\n' + b"4,5,6\n" * 50
    found = read(reader(3, max_record_bytes=64), data)
    assert rows(found) == [["quoting"]] + [["4", "5", "6"]] * 50


def test_text_behind_a_closing_quote_is_refused() -> None:
    assert rows(read(reader(2), b'"a"b,c\nd,e\n')) == [["quoting"], ["d", "e"]]


def test_blanks_as_delimiter() -> None:
    assert rows(read(reader(3, delimiter="blanks"), b'a  b\t c\nd "e f" g\n')) == [
        ["a", "b", "c"],
        ["d", "e f", "g"],
    ]


cells = st.text(st.sampled_from('ab,;"\r\n \u2028'), max_size=6)


@given(
    st.lists(st.lists(cells, min_size=3, max_size=3), max_size=6), st.sampled_from(",;"), st.integers(1, 9)
)
def test_what_csv_writes_is_read_as_csv_reads_it(table: list[list[str]], delimiter: str, cut: int) -> None:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator="\r\n").writerows(table)
    data = text.getvalue().encode()
    expected = list(csv.reader(io.StringIO(text.getvalue(), newline=""), delimiter=delimiter))
    # A row that is nothing but blanks is a blank line to us, by design.
    assert rows(read(reader(3, delimiter=delimiter), data, cut)) == expected


@given(st.text(st.sampled_from('a,"\n'), max_size=40))
def test_rows_of_any_text_are_those_of_csv_as_long_as_it_accepts_them(text: str) -> None:
    """Up to the first row that strict csv refuses, both see the same rows."""
    found = read(reader(2000, short_rows="absent"), text.encode())
    expected = []
    try:
        for row in csv.reader(io.StringIO(text, newline=""), strict=True):
            if row:
                expected.append(row)
    except csv.Error:
        pass
    assert rows(found)[: len(expected)] == expected


@given(
    st.lists(st.sampled_from(['"', ",", "a", "\n", "\r\n", "\x00", "é"]), max_size=40).map("".join),
    st.integers(1, 7),
)
def test_any_cut_gives_the_same_records(text: str, cut: int) -> None:
    data = text.encode()
    whole = read(reader(2, max_record_bytes=64), data)
    assert read(reader(2, max_record_bytes=64), data, cut) == whole
    for item in whole:
        assert data[item.position : item.end] == item.raw
