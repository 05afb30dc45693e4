"""The files a person names: single ones, or folders of them, read as the drop folder reads them."""

import fnmatch
from collections.abc import Iterator, Sequence
from pathlib import Path

from broker_bridge.adapters.logs.adapter.companions import CompanionFolder
from broker_bridge.adapters.logs.adapter.content import plain_name
from broker_bridge.adapters.logs.adapter.folder import Folder
from broker_bridge.adapters.logs.adapter.reading import shown
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.errors import SourceUnavailable, UsageError


def named_files(paths: Sequence[Path], pattern: str = "*") -> Iterator[tuple[Path, bool]]:
    """Every file, those of a folder in the order of their names, and whether its name fits the pattern.

    A compressed file fits by the name it had before. Raises UsageError for what is not there or no file.
    """
    for path in paths:
        if path.is_dir():
            try:
                listing = Folder(path, "*", None).list()
            except SourceUnavailable as error:
                raise UsageError(str(error)) from None
            for name in sorted(found.name for found in listing.files):
                yield path / name, _fits(name, pattern)
        elif path.is_file():
            yield path, _fits(path.name, pattern)
        else:
            raise UsageError(f"{path}: {'is neither file nor folder' if path.exists() else 'is not there'}")


def _fits(name: str, pattern: str) -> bool:
    return fnmatch.fnmatchcase(name, pattern) or fnmatch.fnmatchcase(plain_name(name), pattern)


class Companions:
    """The companion files that lie beside the files a person names."""

    def __init__(self, mapping: Compiled, most: int) -> None:
        self._mapping = mapping
        self._most = most
        self._folders: dict[Path, CompanionFolder] = {}

    def is_one(self, path: Path) -> bool:
        """Whether a file is a companion and no log."""
        lookups = self._mapping.lookups
        return bool(lookups) and lookups.matches(plain_name(shown(path.name)))

    def of(self, path: Path) -> list[CompanionFile]:
        """The companions of a file, as they are now."""
        if not self._mapping.lookups:
            return []
        folder = path.resolve().parent
        if folder not in self._folders:
            files = Folder(folder, "*", None)
            self._folders[folder] = CompanionFolder(self._mapping, files, self._most)
            self._folders[folder].take_out(files.list())
        return self._folders[folder].of(plain_name(shown(path.name)))
