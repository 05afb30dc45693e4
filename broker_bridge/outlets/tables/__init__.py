"""The record as Parquet and CSV files by day, for analysis with other tools."""

from broker_bridge.outlets.tables.outlet import Tables
from broker_bridge.outlets.tables.writer import Writer

__all__ = ["Tables", "Writer"]
