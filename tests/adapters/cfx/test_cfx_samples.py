"""The published examples of IPC-2591, read without loss.

Source: doc comments of the standards body's own open library (Apache-2.0), in ../shared/data/cfx-samples; read, never
copied. They are message bodies, so each is put into an envelope.
"""

import base64
import hashlib
import sys
from pathlib import Path

import pytest
from conftest import SHARED

from broker_bridge.adapters.cfx.mapping import Known, Mapper
from broker_bridge.adapters.cfx.mapping.table import SIGNS, STATING
from broker_bridge.adapters.cfx.protocol.envelope import Broken, Envelope, read

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "tools"))
import export_cfx

FOLDER = SHARED / "cfx-samples"
FILES = sorted(path for path in FOLDER.glob("*__*") if path.is_file()) if FOLDER.is_dir() else []
MALFORMED = [path for path in FILES if path.name.endswith(".malformed.txt")]
VALID = [path for path in FILES if path.suffix == ".json"]
STRUCTURES = {
    "CFX.Structures.Tool": ("CFX.Production.ToolsLoaded", b'{"Tools": [%s]}'),
    "CFX.Structures.UnitInfo": ("CFX.Production.GetUnitInfoResponse", b'{"Units": [%s]}'),
    "CFX.Structures.VacuumDeposition.CoatingProcessReading": (
        "CFX.ResourcePerformance.ProcessDataRecorded", b'{"ProcessData": {"Readings": [%s]}}',
    ),
    "CFX.Structures.FiducialInfo": ("CFX.Production.GetUnitInfoResponse", b'{"Units": [{"Fiducials": [%s]}]}'),
}  # fmt: skip
"""Structures stand inside messages."""

pytestmark = pytest.mark.shared("cfx-samples")


def enveloped(path: Path) -> bytes:
    name = export_cfx.sample_name(path)
    body = path.read_bytes().removeprefix(b"\xef\xbb\xbf")
    if name in STRUCTURES:
        name, form = STRUCTURES[name]
        body = form % body
    return export_cfx.enveloped(name, body)


def test_all_of_them_are_there() -> None:
    assert len(FILES) == 152
    assert len(VALID) == 145
    assert len(MALFORMED) == 7


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_a_valid_one_is_told_or_kept_and_nothing_is_lost(path: Path) -> None:
    if export_cfx.sample_name(path) == "CFX.CFXEnvelope":
        (found,) = read(path.read_bytes())
        assert isinstance(found, Envelope)
        assert found.name == "CFX.EndpointConnected"
        return
    (message,) = read(enveloped(path))
    assert isinstance(message, Envelope)
    reading = Mapper(export_cfx.CONFIG).read(message, export_cfx.TAKEN, Known())
    kinds = {statement.data.TYPE for statement in reading.statements}
    assert "source.rejected" not in kinds, reading.statements[0].data
    if message.name in SIGNS:
        assert not kinds
        return
    assert kinds
    assert ("source.kept" in kinds) == (message.name not in STATING)
    for statement in reading.statements:
        raw = statement.data.origin.raw
        assert raw is not None
        assert raw.hash == hashlib.sha256(message.raw).hexdigest()
        if raw.inline is not None:
            assert base64.b64decode(raw.inline) == message.raw
        else:
            assert raw.archived == raw.hash


@pytest.mark.parametrize("path", MALFORMED, ids=lambda path: path.stem)
def test_a_malformed_one_is_rejected_and_says_where(path: Path) -> None:
    (found,) = read(enveloped(path))
    assert isinstance(found, Broken)
    assert found.code == "json"
    assert "line " in found.place
    said = Mapper(export_cfx.CONFIG).broken(found, export_cfx.TAKEN)
    assert said.data.origin.raw is not None
    assert said.data.origin.raw.archived == hashlib.sha256(found.raw).hexdigest()


def test_no_name_of_a_person_leaves_the_edge() -> None:
    """The examples' operator is a Joseph Smith; only his badge is in an event, and the edge keeps a pseudonym of it."""
    mapper = Mapper(export_cfx.CONFIG)
    met = 0
    for path in VALID:
        (message,) = read(enveloped(path))
        assert isinstance(message, Envelope)
        if b"Smith" not in message.raw:
            continue
        met += 1
        for statement in mapper.read(message, export_cfx.TAKEN, Known()).statements:
            told = statement.data.model_copy(update={"operator": None}).model_dump_json()
            assert "Smith" not in told
            assert "joseph" not in told.casefold()
            assert "BADGE489499" not in told
            assert statement.data.origin.raw is not None
            assert statement.data.origin.raw.inline is None
    assert met > 5


def test_the_table_of_fields_is_current() -> None:
    committed = export_cfx.TABLE.read_text(encoding="utf-8")
    assert committed == export_cfx.page(FOLDER), "run tools/export_cfx.py and look at what changed"
