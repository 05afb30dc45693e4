"""The dialects: how each machine class writes what it has to say. Each module's docstring is its specification."""

from broker_bridge.simulate.writers.aoi import AoiWriter
from broker_bridge.simulate.writers.electrical_test import ElectricalTestWriter
from broker_bridge.simulate.writers.jet import JetWriter
from broker_bridge.simulate.writers.loader import LoaderWriter
from broker_bridge.simulate.writers.oven import OvenWriter
from broker_bridge.simulate.writers.placement import PlacementWriter
from broker_bridge.simulate.writers.printer import PrinterWriter
from broker_bridge.simulate.writers.review import ReviewWriter
from broker_bridge.simulate.writers.spi import SpiWriter
from broker_bridge.simulate.writers.writer import Clocks, Writer, Written

WRITERS: dict[str, type[Writer]] = {
    "LOAD": LoaderWriter,
    "PRINT": PrinterWriter,
    "SPI": SpiWriter,
    "JET": JetWriter,
    "PLACE1": PlacementWriter,
    "PLACE2": PlacementWriter,
    "OVEN": OvenWriter,
    "AOI": AoiWriter,
    "REVIEW": ReviewWriter,
    "TEST": ElectricalTestWriter,
}
"""The dialect of each station."""

__all__ = ["WRITERS", "Clocks", "Writer", "Written"]
