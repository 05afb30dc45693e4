"""Messages of IPC-2591 (CFX) to statements of the schema: pure, and never an exception.

    Mapper(config).read(envelope, taken, known)     what a message says, given what its transaction has told before
    Mapper(config).rejected(...)                    bytes that are no message, or of no machine we know

naming     whom identifiers and units name
known      what a transaction has told of its boards
telling    one message on its way to statements: its time, place, boards, raw bytes
values     measurements, process data and parameters
table      which message is told by whom; what is a sign of life; what is kept as it is
boards, work, material, inspection, rework, process, station: the families

Rules for whoever changes this: what the wire does not say stays absent; a field that is not told stays in the raw bytes
and in the generated table (deploy/CFX.md); a change of meaning raises REVISION.
"""

from broker_bridge.adapters.cfx.mapping.known import Known
from broker_bridge.adapters.cfx.mapping.mapper import Mapper, Reading
from broker_bridge.adapters.cfx.mapping.telling import INLINE_BYTES, REVISION

__all__ = ["INLINE_BYTES", "REVISION", "Known", "Mapper", "Reading"]
