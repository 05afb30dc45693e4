"""Files of master data to declarations: pure."""

from broker_bridge.adapters.declarations.mapping.declared import Declared, statement_of
from broker_bridge.adapters.declarations.mapping.reading import read

__all__ = ["Declared", "read", "statement_of"]
