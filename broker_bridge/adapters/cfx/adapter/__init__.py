"""The shell of the CFX adapter.

reactor   the one importer of proton: a container in a thread of its own
trust     why TLS to a broker failed, in words
inbox     messages out of a broker's queue, or from machines that connect to us; accepted when they are safe
ledger    pure: which messages were taken, which transactions wait for the names of their boards
remembered  pure: what of them is kept beside the outbox
retry     rejected messages, read again when a person asks
machines  who is there, for the report
cfx       the adapter
"""

from broker_bridge.adapters.cfx.adapter.cfx import CfxMachines

__all__ = ["CfxMachines"]
