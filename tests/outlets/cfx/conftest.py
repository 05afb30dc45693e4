"""One RabbitMQ for all tests of this folder; it also listens for TLS, with a certificate of our own authority."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rabbit import Rabbit
from servers import missing

from broker_bridge.bus.authority import Signed, make_authority, make_server


@pytest.fixture(scope="session")
def authorities(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Files: the `known` authority, another one, and the `certificate` and `key` of the first for localhost alone."""
    folder = tmp_path_factory.mktemp("authorities")
    now = datetime.now(UTC)

    def written(name: str, text: str) -> Path:
        path = folder / name
        path.write_text(text)
        path.chmod(0o600)
        return path

    known: Signed = make_authority("harbour-works", now)
    server = make_server(known, ["localhost"], now)
    return {
        "known": written("known.pem", known.certificate),
        "other": written("other.pem", make_authority("elsewhere", now).certificate),
        "certificate": written("certificate.pem", server.certificate),
        "key": written("certificate.key", server.key),
    }


@pytest.fixture(scope="session")
def rabbit(tmp_path_factory: pytest.TempPathFactory, authorities: dict[str, Path]) -> Iterator[Rabbit]:
    """A running node."""
    try:
        import proton
    except ImportError:
        missing("python-qpid-proton is not installed: pip install 'broker-bridge[cfx]'")
    assert proton.__name__ == "proton"
    files = (authorities["known"], authorities["certificate"], authorities["key"])
    node = Rabbit(tmp_path_factory.mktemp("rabbit"), files)
    try:
        node.start()
        yield node
    finally:
        node.close()
