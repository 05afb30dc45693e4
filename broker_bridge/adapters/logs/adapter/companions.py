"""The companion files in a drop folder, as they are now or as they were when a log was read with them."""

from broker_bridge.adapters.base import SourceWriter
from broker_bridge.adapters.logs.adapter.content import Unreadable, decompressed, plain_name
from broker_bridge.adapters.logs.adapter.folder import Changed, Folder, Found, Listing, Locked, Signature
from broker_bridge.adapters.logs.adapter.ledger import FileState
from broker_bridge.adapters.logs.adapter.reading import Reading, shown
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.adapters.logs.protocol.record import digest_of


class CompanionFolder:
    """Finds and reads companions; keeps those that have not changed."""

    def __init__(self, mapping: Compiled, folder: Folder, most: int) -> None:
        self._lookups = mapping.lookups
        self._folder = folder
        self._most = most
        self._found: dict[str, Found] = {}
        self._read: dict[str, tuple[Signature, CompanionFile]] = {}

    def take_out(self, listing: Listing) -> bool:
        """Take the companions out of what lies in the folder: they are no logs and are never moved or deleted.

        Returns whether they are others than before, so that what waits for one is looked at again.
        """
        if not self._lookups:
            return False
        before = self._found
        everything = (*listing.files, *listing.unmatched)
        found = [one for one in everything if self._lookups.matches(plain_name(shown(one.name)))]
        self._found = {one.name: one for one in found}
        listing.files = [one for one in listing.files if one.name not in self._found]
        listing.others = listing.others - self._found.keys()
        self._read = {name: kept for name, kept in self._read.items() if name in self._found}
        return self._found != before

    def of(self, log: str) -> list[CompanionFile]:
        """The companions of a log as they are now; one that cannot be read now is missing. Blocks."""
        files = []
        for found in self._found.values():
            name = plain_name(shown(found.name))
            if not self._lookups.belongs(name, log):
                continue
            kept = self._read.get(found.name)
            if kept is None or kept[0] != found.signature:
                try:
                    content = decompressed(self._folder.read(found, self._most), self._most)
                except (Changed, Locked, Unreadable):
                    continue
                file = CompanionFile(name, digest_of(content), found.signature.modified, content)
                kept = self._read[found.name] = (found.signature, file)
            files.append(kept[1])
        return files


async def pinned(state: FileState, writer: SourceWriter) -> list[CompanionFile]:
    """The companions with which a file was read, from the archive; those that are no longer there are missing."""
    files = []
    for name, digest, modified in state.companions:
        content = await writer.archived(digest)
        if content is not None:
            files.append(CompanionFile(name, digest, FileState.time(modified), content))
    return files


def told(reading: Reading) -> tuple[tuple[str, str, str], ...]:
    """The companions of a reading as the read state keeps them."""
    return tuple((file.name, file.digest, file.modified.isoformat()) for file in reading.companions)
