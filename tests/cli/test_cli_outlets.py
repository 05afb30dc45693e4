"""`outlets` and what `check` says of them, on a position as a courier leaves it."""

import asyncio
import fcntl
import json
from pathlib import Path

import pytest
from contracts.arrivals import run_of
from jsonschema import Draft202012Validator

from broker_bridge.bootstrap import run_roles
from broker_bridge.cli.main import main
from broker_bridge.config import Settings, TablesOutlet, load
from broker_bridge.errors import NotFound
from broker_bridge.health.outlets import outlets, told
from broker_bridge.health.starting import hindrances
from broker_bridge.outlets.base import Refused
from broker_bridge.outlets.cursor import Cursor, Standing, standing
from broker_bridge.outlets.lag import Lag
from broker_bridge.schemas.files import FILES
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

PLANT = """
[plant]
site = "harbour"
[[outlets]]
kind = "webhook"
name = "mes"
url = "http://127.0.0.1:9/"
secret_file = "secret"
"""


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    (tmp_path / "plant.toml").write_text(PLANT)
    (tmp_path / "secret").write_text("whsec_aGFyYm91ciB3b3JrcywgYSBrZXkgb2YgMzIgYnl0ZXM=")
    (tmp_path / "secret").chmod(0o600)

    async def make() -> None:
        store = await SqliteStore.open(tmp_path / "record.db", "record")
        for first in (1, 11, 21):
            await store.commit(run_of(first, first + 9))
        await store.close()

    asyncio.run(make())
    return load(tmp_path / "plant.toml")


def stopped_at(settings: Settings, number: int, letters: int = 0) -> None:
    """Leave a position behind."""

    async def leave() -> None:
        reader = SqliteReader(settings.record.path)
        cursor = await Cursor.open(settings.position(settings.outlets[0]))
        await cursor.meet(reader, at_end=False)
        facts = reader.after(0, letters)
        refused = [(Refused(f.number, "422", "no such product"), f.source, f.id) for f in facts]
        await cursor.advance(
            number, refused=refused, withheld=2, why_withheld="it is about a part marked 'x'"
        )
        await cursor.told("running")
        await cursor.close()
        reader.close()

    asyncio.run(leave())


def test_an_outlet_that_cannot_start_is_told_before_anything_runs(settings: Settings) -> None:
    (settings.data / "secret").chmod(0o644)
    (found,) = hindrances(settings, ["outlets"])
    assert (found.subject, found.level) == ("outlet mes", "problem")
    assert "chmod 600" in found.text
    (settings.data / "secret").unlink()
    (found,) = hindrances(settings, ["outlets"])
    assert "secret_file" in found.text
    assert list(hindrances(settings, ["edge"])) == []


def test_what_was_never_started_is_told(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(settings.data / "plant.toml")
    assert main(["outlets", "list", config]) == 0
    assert "mes     webhook  -         30" in capsys.readouterr().out
    assert main(["outlets", "list", config, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(FILES["outlets.json"]()).validate(document)
    assert (document["outlets"][0]["condition"], "number" in document["outlets"][0]) == ("new", False)
    assert [f.level for f in outlets(settings)] == ["notice"]
    assert main(["outlets", "letters", config, "mes"]) == 4
    assert main(["outlets", "retry", config, "mes", "--all"]) == 4


def test_lag_and_dead_letters_are_told_and_can_be_sent_again(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    stopped_at(settings, 12, letters=2)
    config = str(settings.data / "plant.toml")
    assert main(["outlets", "list", config, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(FILES["outlets.json"]()).validate(document)
    (listed,) = document["outlets"]
    assert (listed["number"], listed["behind"], listed["dead_letters"], listed["withheld"]) == (12, 18, 2, 2)
    assert listed["oldest_s"] >= 0
    (finding,) = outlets(settings)
    assert finding.level == "problem"
    for words in ("18 behind", "2 dead letters", "2 withheld", "does not run"):
        assert words in finding.text
    assert main(["outlets", "letters", config, "mes"]) == 1
    assert "422, 1 times: no such product" in capsys.readouterr().out
    assert main(["outlets", "retry", config, "mes"]) == 2
    assert main(["outlets", "retry", config, "mes", "7"]) == 1
    assert main(["outlets", "retry", config, "mes", "2"]) == 0
    capsys.readouterr()
    main(["outlets", "letters", config, "mes", "--json"])
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(FILES["dead-letters.json"]()).validate(document)
    assert [letter["wanted"] for letter in document["letters"]] == [False, True]


def test_an_outlet_that_gathers_is_late_only_after_that(settings: Settings) -> None:
    settings.position(settings.outlets[0]).parent.mkdir()
    table = TablesOutlet(kind="tables", name="mes", folder=settings.data / "tables", every_s=600)
    there = Standing("record", 1, 12, 0, None, "running", "", 0, None)
    for oldest_s, level in ((500.0, "fine"), (1000.0, "problem")):
        with (settings.position(table)).with_name("mes.db.lock").open("a") as held:
            fcntl.flock(held, fcntl.LOCK_EX)  # as if it ran
            finding = told(settings, Lag(table, there, 0, 18, oldest_s))
        assert finding.level == level, finding
        assert "gathers for 600 s" in finding.text


def test_a_replay_is_asked_for_by_commit_or_event(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    stopped_at(settings, 25)
    config = str(settings.data / "plant.toml")
    path = settings.position(settings.outlets[0])
    assert main(["outlets", "replay", config, "mes", "--behind-commit", "2"]) == 0
    assert standing(path).replay == 20
    assert main(["outlets", "replay", config, "mes", "--behind-event", "5"]) == 0
    assert standing(path).replay == 5
    assert main(["outlets", "replay", config, "mes", "--behind-commit", "9"]) == 1
    assert main(["outlets", "replay", config, "mes", "--behind-event", "26"]) == 1
    assert main(["outlets", "replay", config, "nobody", "--behind-event", "2"]) == 2
    assert "it has: mes" in capsys.readouterr().err


def test_the_role_runs_what_is_configured_and_waits_for_the_receiver(settings: Settings) -> None:
    """Nobody listens on port 9: it waits, and says so where `check` looks."""

    async def play() -> None:
        started: list[str] = []
        running = asyncio.create_task(run_roles(settings, ["outlets"], started.append))
        path = settings.position(settings.outlets[0])
        for _ in range(1000):
            await asyncio.sleep(0.01)
            try:
                if standing(path).condition == "waiting":
                    break
            except NotFound:
                continue
        (finding,) = await asyncio.to_thread(lambda: list(outlets(settings)))
        running.cancel()
        await asyncio.wait([running])
        assert started == ["outlets"]
        assert finding.level == "notice"
        assert "30 behind" in finding.text
        assert "waiting: http://127.0.0.1:9/: no answer" in finding.text

    asyncio.run(play())
