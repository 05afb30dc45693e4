"""All findings about a configured plant, in the order in which data flows."""

import asyncio
from collections.abc import Callable

from broker_bridge.config import Settings
from broker_bridge.health.bus import bus
from broker_bridge.health.credentials import credentials
from broker_bridge.health.files import adapters, disks
from broker_bridge.health.finding import Finding
from broker_bridge.health.growth import growth
from broker_bridge.health.outlets import outlets
from broker_bridge.health.starting import hindrances
from broker_bridge.health.stock import index, outbox, record


def checkup(settings: Settings, *, offline: bool, progress: Callable[[str], None]) -> list[Finding]:
    """Look at everything once. `progress` is told what is looked at, and "" at the end."""
    findings: list[Finding] = []
    progress("adapters ...")
    findings += adapters(settings)
    progress("disks ...")
    findings += disks(settings)
    progress("credentials ...")
    findings += credentials(settings)
    progress("outbox ...")
    findings += outbox(settings)
    if not offline:
        progress("broker ...")
        findings += asyncio.run(bus(settings))
    progress("record ...")
    findings += record(settings)
    findings += index(settings)
    findings += hindrances(settings, settings.roles)
    findings += outlets(settings)
    progress("forecast ...")
    findings += growth(settings)
    progress("")
    return findings
