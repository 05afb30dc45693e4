"""Events as messages of IPC-2591 (CFX), by AMQP 1.0.

boards, work, material, inspection, station   pure: an event to messages, by family
units      pure: boards and places as CFX names them
messages   pure: the table of them
handles    pure: in whose name a message is sent
publisher  a sender in proton's thread, with proof of what was routed nowhere
outlet     the outlet
"""

from broker_bridge.outlets.cfx.outlet import CfxPlant

__all__ = ["CfxPlant"]
