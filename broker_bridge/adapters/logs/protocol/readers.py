"""The one table of readers: settings -> reader."""

from collections.abc import Callable
from typing import Annotated, Any, Final

from pydantic import Field

from broker_bridge.adapters.logs.protocol.blocks import Blocks, BlocksReader
from broker_bridge.adapters.logs.protocol.delimited import DelimitedReader
from broker_bridge.adapters.logs.protocol.delimited_settings import Delimited
from broker_bridge.adapters.logs.protocol.fixed_width import FixedWidth, FixedWidthReader
from broker_bridge.adapters.logs.protocol.free_text import FreeText, FreeTextReader
from broker_bridge.adapters.logs.protocol.ini import Ini, IniReader
from broker_bridge.adapters.logs.protocol.json_reader import (
    JsonDocument,
    JsonDocumentReader,
    JsonLines,
    JsonLinesReader,
)
from broker_bridge.adapters.logs.protocol.key_value import KeyValue, KeyValueReader
from broker_bridge.adapters.logs.protocol.record import Reader
from broker_bridge.adapters.logs.protocol.xml_reader import Xml, XmlReader

AnyReader = Annotated[
    Delimited | JsonDocument | JsonLines | Xml | KeyValue | Ini | FixedWidth | FreeText | Blocks,
    Field(discriminator="kind"),
]
"""The `[reader]` section of a mapping file."""

READERS: Final[dict[type[Any], Callable[[Any], Reader]]] = {
    Delimited: DelimitedReader,
    JsonDocument: JsonDocumentReader,
    JsonLines: JsonLinesReader,
    Xml: XmlReader,
    KeyValue: KeyValueReader,
    Ini: IniReader,
    FixedWidth: FixedWidthReader,
    FreeText: FreeTextReader,
    Blocks: BlocksReader,
}


def open_reader(settings: AnyReader) -> Reader:
    """A fresh reader for one file."""
    return READERS[type(settings)](settings)
