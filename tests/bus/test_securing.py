"""The folder of credentials, and what clients say of certificates they cannot trust."""

import asyncio
import contextlib
import json
import os
import re
import shutil
import ssl
import stat
import subprocess
import tempfile
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from servers import free_port, missing, require, until

from broker_bridge.bus import authority
from broker_bridge.bus.credentials import AUTHORITY, login
from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.securing import secure, server_names
from broker_bridge.cli.main import main
from broker_bridge.config import Settings, load
from broker_bridge.errors import ConfigError
from broker_bridge.secret import read_secret, write_secret

NOW = datetime.now(UTC)


def plant(data: Path, **broker: object) -> Settings:
    adapter = {
        "kind": "files",
        "area": "smt",
        "line": "line-1",
        "folder": data / "a",
        "mapping": data / "m.toml",
    }
    return Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "broker": {"credentials": data / "credentials", **broker},
            "adapters": [{**adapter, "name": "spi-1-files"}],
        }
    )


def contents(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): path.read_text() for path in folder.rglob("*") if path.is_file()}


def test_doing_it_twice_changes_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "credentials"
    first = secure([plant(tmp_path)], folder, now=NOW)
    before = contents(folder)
    second = secure([plant(tmp_path)], folder, now=NOW)
    assert first.changed
    assert second.changed == ()
    assert contents(folder) == before
    assert second.logins == ("adapter.smt.line-1.spi-1-files", "edge.edge", "record.record", "watch")


def test_nobody_else_may_read_what_was_made(tmp_path: Path) -> None:
    folder = tmp_path / "credentials"
    secure([plant(tmp_path)], folder, now=NOW, for_mosquitto=True)
    for path in (folder, *folder.rglob("*")):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


@pytest.mark.parametrize(
    ("part", "same", "other"),
    [
        ("certificate", {"authority.pem", "passwords/watch"}, {"broker.pem", "broker.key"}),
        ("passwords", {"authority.pem", "broker.pem"}, {"passwords/watch", "passwords/edge.edge"}),
        ("authority", {"passwords/watch"}, {"authority.pem", "authority.key", "broker.pem"}),
    ],
)
def test_a_part_is_renewed_and_the_rest_stays(
    tmp_path: Path, part: str, same: set[str], other: set[str]
) -> None:
    folder = tmp_path / "credentials"
    secure([plant(tmp_path)], folder, now=NOW)
    before = contents(folder)
    secure([plant(tmp_path)], folder, now=NOW, renew=[part])  # type: ignore[list-item]
    after = contents(folder)
    assert {name for name in same | other if before[name] == after[name]} == same


def test_a_certificate_is_renewed_before_it_ends_and_when_names_change(tmp_path: Path) -> None:
    folder = tmp_path / "credentials"
    first = secure([plant(tmp_path)], folder, now=NOW)
    assert secure([plant(tmp_path)], folder, now=first.ends - timedelta(days=31)).ends == first.ends
    later = secure([plant(tmp_path)], folder, now=first.ends - timedelta(days=29))
    assert later.ends > first.ends
    named = secure([plant(tmp_path, names=["mq.harbour.example", "10.20.0.5"])], folder, now=NOW)
    held = authority.read_certificate((folder / "broker.pem").read_text())
    assert set(authority.names_of(held)) == set(named.names) >= {"mq.harbour.example", "10.20.0.5"}


def test_a_login_that_is_in_no_configuration_any_more_is_removed(tmp_path: Path) -> None:
    folder = tmp_path / "credentials"
    secure([plant(tmp_path, readers=["mes"])], folder, now=NOW)
    done = secure([plant(tmp_path)], folder, now=NOW)
    assert not (folder / "passwords" / "reader.mes").exists()
    assert any("reader.mes" in text for text in done.changed)
    assert "reader.mes" not in (folder / "access.json").read_text()


def test_without_the_authority_s_key_all_stays_but_nothing_is_renewed(tmp_path: Path) -> None:
    folder = tmp_path / "credentials"
    secure([plant(tmp_path)], folder, now=NOW)
    (folder / "authority.key").unlink()
    assert secure([plant(tmp_path)], folder, now=NOW).changed == ()
    with pytest.raises(ConfigError, match=r"authority\.key is not there"):
        secure([plant(tmp_path)], folder, now=NOW, renew=["certificate"])


def test_openssl_accepts_the_certificate_for_its_names_only(tmp_path: Path) -> None:
    """Against an outside judge: OpenSSL's own verification."""
    openssl = require("openssl")
    folder = tmp_path / "credentials"
    secure([plant(tmp_path, names=["mq.harbour.example"])], folder, now=NOW)

    def verify(*words: str) -> int:
        return subprocess.run(
            [openssl, "verify", "-x509_strict", "-purpose", "sslserver", "-CAfile", str(folder / AUTHORITY), *words,
             str(folder / "broker.pem")], capture_output=True, timeout=20,
        ).returncode  # fmt: skip

    assert verify("-verify_hostname", "mq.harbour.example") == 0
    assert verify("-verify_ip", "127.0.0.1") == 0
    assert verify("-verify_hostname", "elsewhere.example") != 0
    assert verify("-verify_ip", "10.0.0.1") != 0


def test_the_names_of_an_open_broker_are_the_host_s(tmp_path: Path) -> None:
    names = server_names(plant(tmp_path, host="0.0.0.0", names=["mq"]))
    assert "0.0.0.0" not in names
    assert {"localhost", "127.0.0.1", "mq"} < set(names)


@pytest.mark.parametrize("mode", [0o604, 0o644, 0o602, 0o666])
def test_a_secret_that_everybody_may_use_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "secret"
    path.write_text("canary-3f9a\n")
    path.chmod(mode)
    with pytest.raises(ConfigError, match="chmod 600") as refused:
        read_secret(path, "broker.password_file")
    assert "canary" not in str(refused.value)


@pytest.mark.parametrize(
    "raw", [b"", b"\n", b"canary-3f9a\ncanary\n", b"\xff canary-3f9a", b"canary-3f9a" * 500]
)
def test_what_is_no_secret_is_refused_and_not_shown(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "secret"
    path.write_bytes(raw)
    path.chmod(0o600)
    with pytest.raises(ConfigError) as refused:
        read_secret(path, "broker.password_file")
    assert "canary" not in str(refused.value)
    assert refused.value.__cause__ is None


def test_a_secret_is_private_even_where_an_old_file_was_not(tmp_path: Path) -> None:
    path = tmp_path / "secret"
    path.with_name("secret.new").write_text("old")
    write_secret(path, "x")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert read_secret(path, "k") == "x"


# -- what clients say


@contextlib.asynccontextmanager
async def listening(made: authority.Signed, folder: Path) -> AsyncIterator[int]:
    """A server with this certificate that never gets as far as MQTT."""
    folder.mkdir(exist_ok=True)
    (folder / "c").write_text(made.certificate)
    (folder / "k").write_text(made.key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "c", folder / "k")
    server = await asyncio.start_server(lambda reader, writer: writer.close(), "127.0.0.1", 0, ssl=context)
    async with server:
        yield server.sockets[0].getsockname()[1]


async def said(port: int, ca_file: Path | None, what: str) -> str:
    async with Client(
        host="127.0.0.1", port=port, client_id="x", ca_file=ca_file, back_off=(0.01, 0.05)
    ) as one:
        await until(lambda: what in one.trouble, what)
        assert not one.connected
        return one.trouble


@pytest.mark.parametrize(
    ("case", "what"),
    [
        ("authority", "not signed by the authority we know"),
        ("name", "is not for '127.0.0.1': add that to broker.names"),
        ("expired", "has expired: run `broker-bridge secure CONFIG --renew`"),
    ],
)
def test_a_certificate_that_cannot_be_trusted_is_told_in_one_sentence(
    tmp_path: Path, case: str, what: str
) -> None:
    ours, stranger = (authority.make_authority(name, NOW - timedelta(days=9)) for name in ("ours", "theirs"))
    made = authority.make_server(
        stranger if case == "authority" else ours,
        ["elsewhere.example"] if case == "name" else ["127.0.0.1"],
        NOW - timedelta(days=2 if case == "expired" else 0),
        1,
    )
    (tmp_path / AUTHORITY).write_text(ours.certificate)

    async def run() -> None:
        async with listening(made, tmp_path / "server") as port:
            trouble = await said(port, tmp_path / AUTHORITY, what)
            assert "\n" not in trouble

    asyncio.run(run())


def test_a_server_without_tls_is_told(tmp_path: Path) -> None:
    (tmp_path / AUTHORITY).write_text(authority.make_authority("ours", NOW).certificate)

    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"hello, no TLS")
        await writer.drain()
        writer.close()

    async def run() -> None:
        server = await asyncio.start_server(greet, "127.0.0.1", 0)
        async with server:
            await said(server.sockets[0].getsockname()[1], tmp_path / AUTHORITY, "speaks no TLS")

    asyncio.run(run())


def test_passwords_differ_and_are_not_in_what_is_told(tmp_path: Path) -> None:
    settings = plant(tmp_path)
    folder = tmp_path / "credentials"
    done = secure([settings], folder, now=NOW)
    passwords = {login(settings.broker, name)[1] for name in done.logins}
    assert len(passwords) == len(done.logins)
    told = repr(done) + json.dumps(done._asdict(), default=str)
    assert not any(password in told for password in passwords if password)


@pytest.fixture
def passable() -> Iterator[Path]:
    """A folder that every user of this machine may pass through, unlike a test's own."""
    folder = Path(tempfile.mkdtemp(prefix="harbour works "))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def test_mosquitto_as_its_own_user_reads_what_it_needs_after_the_commands_that_are_told(
    passable: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The peer: Debian's broker, which gives up root before it reads its passwords."""
    program = require("mosquitto")
    if os.geteuid() != 0:
        missing("only root can let another user read something")
    config = passable / "plant.toml"
    config.write_text(
        f'data = "data"\n[plant]\nsite = "harbour-works"\n[broker]\nport = {free_port()}\ncredentials = "credentials"\n'
    )
    assert main(["secure", str(config), "--broker", "mosquitto"]) == 0
    commands = re.findall(r"^type +(.*)$", capsys.readouterr().out, re.MULTILINE)
    folder = load(config).broker.credentials
    assert folder is not None
    conf, store = folder / "mosquitto" / "mosquitto.conf", passable / "store"
    conf.write_text(conf.read_text().replace("/var/lib/mosquitto", str(store)))
    store.mkdir()
    shutil.chown(store, "mosquitto")

    def started() -> tuple[bool, bytes]:
        with subprocess.Popen([program, "-c", str(conf)], stderr=subprocess.PIPE) as process:
            assert process.stderr is not None
            said = b""
            while not said.endswith(b" running\n") and (line := process.stderr.readline()):
                said += line
            runs = process.poll() is None and said.endswith(b" running\n")
            while process.poll() is None:  # a signal that comes just as it begins to run is lost on it
                process.terminate()
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(0.2)
        return runs, said

    runs, said = started()
    assert not runs
    assert b"Unable to open pwfile" in said
    for command in commands:
        subprocess.run(["sh", "-c", command], check=True, timeout=20)
    runs, said = started()
    assert runs, said
    assert b"Error" not in said
    for secret in ("passwords", "authority.key"):
        assert (folder / secret).stat().st_mode & 0o077 == 0
    # What others do with the folder later does not shut the broker out again.
    assert main(["secure", str(config)]) == 0
    assert started()[0]
