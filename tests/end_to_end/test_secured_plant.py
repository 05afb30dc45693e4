"""A whole plant with credentials: events arrive over TLS, each login does its part, and no secret is ever shown."""

import asyncio
import contextlib
import io
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from chain import Chain, mapping_text, rows
from servers import DEADLINE_S, free_port, until

from broker_bridge.cli.main import main
from broker_bridge.edge.archive import Archive

ROOT = Path(__file__).parents[2]


def secured(tmp_path: Path, more: str = "", edge: str = 'name = "edge-1"') -> Chain:
    chain = Chain(tmp_path, f'port = {free_port()}\ncredentials = "credentials"\n{more}', edge)
    assert main(["secure", str(chain.config)]) == 0
    return chain


@contextlib.contextmanager
def running(config: Path, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`broker-bridge run` as a process of its own."""
    with log.open("ab") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "broker_bridge", "run", str(config), "--verbose"],
            cwd=ROOT, stdout=file, stderr=file,
        )  # fmt: skip
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(DEADLINE_S)


def said(*words: str) -> tuple[int, str]:
    """What a command answers, on both streams."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = main(words)
    return code, out.getvalue()


def test_a_secured_plant_records_and_shows_no_secret(tmp_path: Path) -> None:
    """Every command runs; every output, log and file it leaves is searched for every password and key."""
    chain = secured(tmp_path)
    folder = tmp_path / "data" / "credentials"
    secrets = {path.read_text().strip() for path in (folder / "passwords").iterdir()}
    secrets |= {
        line
        for name in ("broker.key", "authority.key")
        for line in (folder / name).read_text().splitlines()[1:-1]
    }
    assert len(secrets) > 6
    config, outputs = str(chain.config), []
    with running(chain.config, tmp_path / "run.log"):
        chain.put("a.csv", rows(1, 5) + b"HW-9;P1;no time;OK\n")
        asyncio.run(until(lambda: chain.count() == 6, "recorded", 40))
        record = f"sqlite:///{chain.record}"
        for words in (
            ("check", config),
            ("check", config, "--json"),
            ("watch", config, "--once"),
            ("watch", config, "--once", "--json"),
            ("board", "HW-000001", "--record", record),
            ("quarantine", "list", "--record", record),
            ("verify", "--record", record),
            ("backup", "--record", record, str(tmp_path / "copy.db")),
            ("secure", config),
            ("secure", config, "--json"),
            ("secure", config, "--broker", "mosquitto"),
            ("persons", "list", config),
        ):
            code, text = said(*words)
            assert code in (0, 1), (words, text)
            outputs.append(text)
        assert "is not in the record" not in "".join(outputs)
    kept = [
        path
        for path in tmp_path.rglob("*")
        if path.is_file() and folder not in path.parents and path.name != "broker.conf"
    ]
    assert {"run.log", "broker.log", "record.db", "outbox.db"} <= {path.name for path in kept}
    for secret in secrets:
        assert not [text for text in outputs if secret in text]
        assert not [path for path in kept if secret.encode() in path.read_bytes()]
    # The broker's own configuration holds them, for its eyes only.
    assert (tmp_path / "data" / "broker" / "broker.conf").stat().st_mode & 0o077 == 0


def test_a_canary_in_a_wrong_configuration_is_not_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    canary = "canary-5d1e"
    monkeypatch.setenv("CANARY", canary)
    secret = tmp_path / "secret"
    secret.write_text(f"{canary}\n")
    for broker in (
        f'username = "u"\npassword = "{canary}"',
        f'username = "u"\npassphrase = "{canary}"',
        f'logins = {{ watch = {{ username = "u", password = "{canary}" }} }}',
        'username = "u"\npassword_file = "secret"',  # its mode is refused
        'username = "u"\npassword_env = "CANARY_IS_NOT_SET"',
        f'kind = "external"\nport = {free_port()}\nusername = "u"\npassword_env = "CANARY"',
    ):
        config = str(Chain(tmp_path, broker).config)
        for words in (
            ("check", config),
            ("check", config, "--json"),
            ("run", config),
            ("watch", config, "--once"),
        ):
            code, text = said(*words)
            assert code in (1, 3, 4), (words, text)
            assert canary not in text


def test_a_changed_password_is_told_by_check_and_run(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    chain = secured(tmp_path)
    passwords = tmp_path / "data" / "credentials" / "passwords"

    async def life() -> None:
        async with chain.running("broker"):
            await until((tmp_path / "data" / "broker" / "broker.json").exists, "the broker")
            for login in ("watch", "record.record"):
                (passwords / login).write_text("another\n")
            code, text = await asyncio.to_thread(said, "check", str(chain.config))
            assert code == 4
            assert "as 'watch'" in text
            assert "does not know this login or its password" in text
            async with chain.running("recorder"):
                await until(lambda: "as 'record.record'" in caplog.text, "told")

    asyncio.run(life())


def test_a_missing_password_says_which_file_to_copy(tmp_path: Path) -> None:
    chain = secured(tmp_path)
    (tmp_path / "data" / "credentials" / "passwords" / "edge.edge-1").unlink()
    code, text = said("run", str(chain.config), "--roles", "edge")
    assert code == 3
    assert "passwords/edge.edge-1" in text
    assert "copy this file here" in text


def test_names_of_persons_go_no_further_than_the_edge(tmp_path: Path) -> None:
    chain = secured(tmp_path)
    name = "Jane Canary-7f3a"
    chain.mapping.write_text(
        mapping_text(columns='"Board", "Program", "Start", "Result", "Checker"').replace(
            'method = "optical"', 'method = "optical"\noperator = "$board.checker"'
        ).replace('program = "Program"', 'program = "Program"\nchecker = "Checker"')
    )  # fmt: skip
    header = b"Board;Program;Start;Result;Checker\n"

    async def life() -> None:
        async with chain.running():
            good, bad = (
                f"HW-1;P1;2026-03-02 06:00:0{n};{word};{name}\n" for n, word in enumerate(("OK", "?"))
            )
            chain.put("a.csv", header + good.encode() + bad.encode())
            await until(lambda: chain.count() == 2, "recorded", 30)

    asyncio.run(life())
    (event,) = chain.of("inspection.completed")
    assert event["data"]["operator"].startswith("p-")
    found = {
        path.relative_to(tmp_path / "data").parts[0]
        for path in (tmp_path / "data").rglob("*")
        if path.is_file() and b"Canary" in path.read_bytes()
    }
    assert found <= {"persons"}  # the archive holds it too, compressed
    archive = tmp_path / "data" / "archive"
    (kept,) = archive.rglob("*.zst")
    raw = Archive(archive).get(kept.stem)
    assert raw is not None
    assert name.encode() in raw
    assert archive.stat().st_mode & 0o077 == 0
