"""Messages of IPC-HERMES-9852 to statements of the schema: pure, and never an exception.

    Mapper(config, machine).statements(received, taken)     what a message says; () where it says nothing about boards
    Mapper(config, machine).rejected(raw, reason, taken)    bytes that are no message

Rules for whoever changes this: what the wire does not say stays absent, what cannot be mapped becomes a
SourceRejected with its raw bytes, and a change of meaning raises REVISION.
"""

from broker_bridge.adapters.transfer.mapping.mapper import INLINE_BYTES, REVISION, Mapper

__all__ = ["INLINE_BYTES", "REVISION", "Mapper"]
