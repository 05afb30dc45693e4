"""Names of persons become pseudonyms before anything is kept; the way back is apart and can be taken."""

import asyncio
import json
import stat
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from logs_reading import OUTCOMES, rows
from pydantic import TypeAdapter

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.cli.main import main
from broker_bridge.db import lock
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import KIND, Outbox
from broker_bridge.edge.persons import FIELDS, Persons
from broker_bridge.errors import NotFound
from broker_bridge.events.base import Origin
from broker_bridge.events.station import StationAlarmRaised
from broker_bridge.events.union import DATA_TYPES
from broker_bridge.schemas.docstrings import field_docstrings

NAME = "Jane Canary-7f3a"
NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
SOURCE = "/harbour-works/smt/line-1/review-1"


def test_every_field_of_the_schema_that_names_a_person_is_known() -> None:
    found = {
        field
        for model in DATA_TYPES.values()
        for field, text in field_docstrings(model).items()
        if "pseudonym" in text.lower()
    }
    assert found == set(FIELDS)


def test_the_same_person_has_one_pseudonym_whatever_the_spelling(tmp_path: Path) -> None:
    persons = Persons(tmp_path / "persons")
    made = persons.pseudonym(NAME)
    assert persons.pseudonym(NAME.upper()) == persons.pseudonym(f" {NAME} ") == made
    assert persons.pseudonym("Someone Else") != made
    assert Persons(tmp_path / "persons").pseudonym(NAME) == made  # after a restart as well
    assert Persons(tmp_path / "other").pseudonym(NAME) != made  # another plant, another key
    assert persons.pseudonym(made) == made
    assert persons.table() == {made: NAME, persons.pseudonym("Someone Else"): "Someone Else"}


def test_hmac_as_the_reference_computes_it(tmp_path: Path) -> None:
    """Against OpenSSL: the first 80 bits of HMAC-SHA256 (RFC 2104), in base 32 (RFC 4648)."""
    import base64

    from servers import require

    persons = Persons(tmp_path / "persons")
    made = persons.pseudonym("jane")
    key = (tmp_path / "persons" / "key").read_text().strip()
    done = subprocess.run(
        [require("openssl"), "dgst", "-sha256", "-hmac", key, "-binary"],
        input=b"jane",
        capture_output=True,
        timeout=20,
    )
    assert made == "p-" + base64.b32encode(done.stdout[:10]).decode().lower()


def test_key_and_table_are_private(tmp_path: Path) -> None:
    Persons(tmp_path / "persons").pseudonym(NAME)
    assert stat.S_IMODE((tmp_path / "persons").stat().st_mode) == 0o700
    for path in (tmp_path / "persons").iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def test_a_person_who_was_forgotten_stays_so(tmp_path: Path) -> None:
    running = Persons(tmp_path / "persons")
    made, other = running.pseudonym(NAME), running.pseudonym("Someone Else")
    Persons(tmp_path / "persons").forget(made)
    for persons in (running, Persons(tmp_path / "persons")):
        assert persons.pseudonym(NAME) == made  # the events stay those they were
        assert persons.table() == {made: None, other: "Someone Else"}
    assert all(NAME not in path.read_text() for path in (tmp_path / "persons").iterdir())
    with pytest.raises(NotFound):
        running.forget(made)


def test_forgetting_all_takes_the_key(tmp_path: Path) -> None:
    persons = Persons(tmp_path / "persons")
    made = persons.pseudonym(NAME)
    assert persons.forget_all() == 1
    assert persons.table() == {}
    assert persons.pseudonym(NAME) != made


def test_a_table_cut_short_by_a_kill_is_read(tmp_path: Path) -> None:
    persons = Persons(tmp_path / "persons")
    made = persons.pseudonym(NAME)
    with (tmp_path / "persons" / "names.jsonl").open("a") as file:
        file.write('{"pseudonym": "p-x", "na')
    assert Persons(tmp_path / "persons").table() == {made: NAME}


def test_nothing_that_is_kept_or_sent_holds_the_name(tmp_path: Path) -> None:
    """Every file the edge writes, but for the table, is searched for the name."""

    async def story() -> bytes:
        persons = Persons(tmp_path / "persons")
        outbox = await Outbox.open(
            tmp_path / "outbox.db", archive=Archive(tmp_path / "raw"), ceiling_bytes=10**9, persons=persons
        )
        try:
            writer = await outbox.writer(SOURCE)
            data = StationAlarmRaised(
                operator=NAME, code="e1", origin=Origin(adapter="review-1", time_means="sent")
            )
            await writer.take([Taking("g", 1, 1, (Statement(data, NOW),))])
            return (await outbox.held(SOURCE, 1, 1, 1))[0].body
        finally:
            await outbox.close()

    event = json.loads(asyncio.run(story()))
    assert event["data"]["operator"].startswith("p-")
    found = [path.name for path in tmp_path.rglob("*") if path.is_file() and b"Canary" in path.read_bytes()]
    assert found == ["names.jsonl"]


def test_raw_bytes_of_a_mapping_that_names_persons_stay_in_the_archive(tmp_path: Path) -> None:
    text = rows(columns='"Checker"', fields='op = "Checker"', extra='operator = "$row.op"')
    for mapping, told in ((text, False), (text.replace('operator = "$row.op"', ""), True)):
        compiled = compile_mapping(mapping, "m.toml")
        content = f"2026-03-02 08:00:00;HW-1;NO SUCH RESULT;{NAME}\n".encode()
        (taking,) = list(read_bytes(compiled, content, "f.csv", adapter="a", modified=NOW))
        data = taking.statements[0].data
        assert data.TYPE == "source.rejected"
        raw = TypeAdapter(dict).validate_python(data.origin.model_dump()["raw"])
        assert (raw["inline"] is not None) is told
        assert raw["archived"] is not None
        assert ("withheld" in data.origin.flags) is not told
        assert NAME not in str(data)
        assert "NO SUCH RESULT" in data.reason  # what is wrong is told all the same


def test_a_name_that_cannot_be_used_is_not_told_either(tmp_path: Path) -> None:
    text = rows(
        columns='"Checker"',
        fields='op = { column = "Checker", table = "people" }',
        extra='operator = "$row.op"',
        more=OUTCOMES + '[tables.people]\nvalues = { A = "a" }\notherwise = "reject"\n',
    )
    content = f"2026-03-02 08:00:00;HW-1;OK;{NAME}\n".encode()
    (taking,) = list(read_bytes(compile_mapping(text, "m.toml"), content, "f.csv", adapter="a", modified=NOW))
    assert taking.statements[0].data.TYPE == "source.rejected"
    assert "Canary" not in str(taking)


# -- the command

CONFIG = """
[plant]
site = "harbour-works"
"""


def test_the_command_lists_shows_and_forgets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "plant.toml"
    config.write_text(CONFIG)
    made = Persons(tmp_path / "persons").pseudonym(NAME)
    assert main(["persons", "list", str(config), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {made: NAME}
    assert main(["persons", "show", str(config), made]) == 0
    assert NAME in capsys.readouterr().out
    assert main(["persons", "show", str(config), "p-unknown"]) == 1
    assert main(["persons", "forget", str(config), made]) == 0
    assert main(["persons", "show", str(config), made]) == 0
    assert "forgotten" in capsys.readouterr().out
    assert main(["persons", "forget", str(config)]) == 2
    assert main(["persons", "forget", str(config), "--all"]) == 0
    assert not (tmp_path / "persons" / "key").exists()


def test_the_key_is_not_taken_from_a_running_edge(tmp_path: Path) -> None:
    config = tmp_path / "plant.toml"
    config.write_text(CONFIG)
    held = lock(tmp_path / "outbox.db", KIND)
    try:
        command = [sys.executable, "-m", "broker_bridge", "persons", "forget", str(config), "--all"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert (done.returncode, "an edge runs" in done.stderr) == (3, True)
    finally:
        held.close()
