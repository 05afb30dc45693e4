"""The supervisor of IPC-HERMES-9852's vertical channel: the only room of this source with sockets.

supervisory   all machines of one adapter, each reconnected for ever
session       one connection: handshake, signs of life, messages, its end
keeper        one queue, one writer into the outbox
ledger        pure: what is proven heard, which gap is open
answers       pure: what a machine says about itself, in words
asking        asks the service that reads the record what may be said to a machine
roster        how every machine is, for `check`
"""

from broker_bridge.adapters.transfer.adapter.supervisory import SupervisorAdapter

__all__ = ["SupervisorAdapter"]
