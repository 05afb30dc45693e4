"""Events by HTTP, signed as Standard Webhooks 1.0 says."""

from broker_bridge.outlets.webhook.outlet import Webhook

__all__ = ["Webhook"]
