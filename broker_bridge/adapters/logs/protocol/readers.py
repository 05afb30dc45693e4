"""The one table of readers: settings -> reader."""

from collections.abc import Callable
from typing import Annotated, Any, Final

from pydantic import Field

from broker_bridge.adapters.logs.protocol.delimited import DelimitedReader
from broker_bridge.adapters.logs.protocol.delimited_settings import Delimited
from broker_bridge.adapters.logs.protocol.record import Reader

AnyReader = Annotated[Delimited, Field(discriminator="kind")]
"""The `[reader]` section of a mapping file."""

READERS: Final[dict[type[Any], Callable[[Any], Reader]]] = {Delimited: DelimitedReader}


def can_be_incomplete(settings: AnyReader) -> bool:
    """Whether content can be seen to lack its end: a stated trailer, an open document."""
    return settings.trailer is not None


def open_reader(settings: AnyReader) -> Reader:
    """A fresh reader for one file."""
    return READERS[type(settings)](settings)
