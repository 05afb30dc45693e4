"""Any machine's log or result file, by a mapping file and no code.

protocol/   readers: bytes -> native records (module readers is the table)
mapping/    the mapping file: native records -> statements of the event schema
adapter/    drop folders, archived bytes: the only part that touches files
samples/    mapping files with result files of the invented plant, and what they become
"""

from broker_bridge.adapters.logs.adapter.reading import Reading, load_mapping, read_bytes

__all__ = ["Reading", "load_mapping", "read_bytes"]
