"""What readers that go line by line have in common."""

from collections import deque

from broker_bridge.adapters.logs.protocol.lines import Line, Lines
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Signal
from broker_bridge.adapters.logs.protocol.settings import TextSettings


class LineReader:
    """Cuts lines and hands them to `line`; what that puts into `ready` is given in order."""

    def __init__(self, settings: TextSettings) -> None:
        self.lines = Lines(settings.encoding, settings.line_end, settings.max_record_bytes)
        self.ready: deque[NativeRecord | Refused] = deque()
        self.complete = True
        self._finished = False

    def receive_data(self, data: bytes) -> None:
        """Take more bytes; b"" ends the content."""
        self.lines.receive_data(data)

    def next_record(self) -> NativeRecord | Refused | Signal:
        """The next record or refusal, in order."""
        while not self.ready:
            item = self.lines.next_line()
            if isinstance(item, Line):
                self.line(item)
            elif isinstance(item, Refused):
                self.unreadable(item)
            elif item is Signal.NEED_DATA or self._finished:
                return item
            else:
                self._finished = True
                self.end()
        return self.ready.popleft()

    def line(self, line: Line) -> None:
        """Take one line."""
        raise NotImplementedError

    def unreadable(self, refused: Refused) -> None:
        """Take a line that cannot be read."""
        self.ready.append(refused)

    def end(self) -> None:
        """The content has ended: give what is still open."""

    def refuse(self, line: Line, code: str, reason: str, kind: str | None = None) -> None:
        """Refuse one line."""
        self.ready.append(
            Refused(
                line.position, line.end, line.number, reason, code, line.raw, value=line.text[:120], kind=kind
            )
        )

    def record(
        self, kind: str, line: Line, fields: dict[str, str | None], columns: tuple[str, ...] = ()
    ) -> NativeRecord:
        """The record of one line."""
        flags = () if line.terminated else ("unterminated",)
        return NativeRecord(kind, line.position, line.end, line.number, line.raw, {**fields}, columns, flags)
