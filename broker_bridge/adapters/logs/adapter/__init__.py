"""The only part that touches files: mapping files, drop folders, archived bytes."""

from broker_bridge.adapters.logs.adapter.folder_adapter import FolderAdapter

__all__ = ["FolderAdapter"]
