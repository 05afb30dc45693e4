"""Asks the service that reads the record what may be said to a machine. A machine waits: whatever goes wrong is an answer."""

import asyncio
import json
import ssl
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from typing import Final
from urllib.parse import quote, urlsplit

from broker_bridge.adapters.transfer.mapping.reply import Reply, reply_of
from broker_bridge.config import TransferAdapter
from broker_bridge.errors import ConfigError
from broker_bridge.secret import read_secret

_LARGEST: Final = 262_144
_NOT_KNOWN: Final = frozenset({400, 404, 409, 422})


class Service:
    """The role `web` as a supervisor sees it."""

    def __init__(self, config: TransferAdapter) -> None:
        """Raises ConfigError when its token or certificate cannot be used."""
        assert config.answer_url is not None
        parts = urlsplit(config.answer_url)
        self._host, self._port, self._secure = parts.hostname or "", parts.port, parts.scheme == "https"
        self._within_s = config.answer_within_ms / 1000
        self._headers = {"Accept": "application/json"}
        if config.answer_token_file is not None:
            token = read_secret(config.answer_token_file, "answer_token_file")
            self._headers["Authorization"] = f"Bearer {token}"
        self._tls: ssl.SSLContext | None = None
        if self._secure:
            try:
                self._tls = ssl.create_default_context(cafile=config.answer_ca_file)
            except (OSError, ssl.SSLError) as error:
                raise ConfigError(
                    f"answer_ca_file = {config.answer_ca_file}: cannot be used: {error}"
                ) from error

    async def ask(self, barcode: str) -> Reply:
        """What may be said about what a barcode names; always an answer, and always in time."""
        try:
            async with asyncio.timeout(self._within_s):
                return await asyncio.to_thread(self._fetch, barcode)
        except TimeoutError:
            return Reply(f"no answer within {self._within_s * 1000:.0f} ms")
        except (OSError, HTTPException, ValueError) as error:
            return Reply(f"the service did not answer: {error}")

    def _fetch(self, barcode: str) -> Reply:
        if self._tls is not None:
            connection: HTTPConnection = HTTPSConnection(
                self._host, self._port, timeout=self._within_s, context=self._tls
            )
        else:
            connection = HTTPConnection(self._host, self._port, timeout=self._within_s)
        try:
            connection.request(
                "GET", f"/api/v1/board/word?id={quote(barcode, safe='')}", headers=self._headers
            )
            response = connection.getresponse()
            body = response.read(_LARGEST + 1)
        finally:
            connection.close()
        if len(body) > _LARGEST:
            raise ValueError(f"its answer is larger than {_LARGEST} bytes")
        document = json.loads(body)
        if response.status == 200:
            return reply_of(document)
        detail = str(document.get("detail", "")) if isinstance(document, dict) else ""
        if response.status in _NOT_KNOWN:
            return Reply(detail or "not known")
        raise ValueError(f"status {response.status}: {detail}")
