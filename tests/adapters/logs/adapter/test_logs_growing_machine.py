"""Whatever a machine does to its logs and wherever the edge dies: the events are the records that were written.

None twice; none lost, unless it was written inside a gap that is stated. Two equal lines are two records.
"""

import contextlib
import gzip
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from fakes import MemorySourceWriter
from growing_logs import LINE, Logs
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from broker_bridge.adapters.base import Taking

NOW = "app.log"
FIRST = LINE.format("START").encode()
"""Every log begins with the same line: its first bytes say nothing about which one it is."""


class Killed(BaseException):
    """The process is gone."""


class MortalWriter(MemorySourceWriter):
    """Dies at a call of `take` or `archive`, before or after it has kept what it was given."""

    def __init__(self) -> None:
        super().__init__()
        self.calls_left: int | None = None
        self.keeps_it = False

    def _dies(self) -> bool:
        if self.calls_left is None:
            return False
        self.calls_left -= 1
        return self.calls_left < 0

    async def take(
        self,
        takings: Sequence[Taking],
        state: Mapping[str, bytes | None] | None = None,
        *,
        reserved: bool = False,
    ) -> int:
        dies = self._dies()
        if dies and not self.keeps_it:
            raise Killed
        kept = await super().take(takings, state, reserved=reserved)
        if dies:
            raise Killed
        return kept


class Machine(RuleBasedStateMachine):
    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.logs = Logs(self.folder)
        self.writer = self.logs.writer = MortalWriter()
        self.written: list[tuple[str, datetime]] = []
        self.number = 0
        self.rotated = 0
        self.partial = b""
        self.bare = 0
        self.was_bare = True
        self.seen = False
        self.life: list[str] = []
        self.unheard: set[str] = set()
        self.since_look: list[str] = []
        self._start_file()
        self.logs.look()
        self._looked()

    def teardown(self) -> None:
        if not hasattr(self, "folder"):
            return
        try:
            self.logs.look(4)
            self._looked()
            self._ends()
            self.logs._pickup._config = self.logs.config().model_copy(  # type: ignore[union-attr]
                update={"incomplete_after_s": 0.000001}
            )
            self.logs.look(6)
            self.check(final=True)
        finally:
            shutil.rmtree(self.folder)

    def _looked(self, *, surely: bool = True) -> None:
        """A log that is cut and begins again with all that was read of it cannot be told from one nobody touched."""
        bare = self._is_bare()
        if self.was_bare:
            self.unheard.update(self.since_look)
            self.bare += self.since_look.count("START")
        if surely:
            self.was_bare, self.since_look, self.seen = bare, [], True
        else:
            self.was_bare = self.was_bare or bare

    def _wrote(self, code: str) -> None:
        self.since_look.append(code)
        self.life.append(code)
        self.written.append((code, datetime.now(UTC)))

    def _ends(self) -> None:
        """The log ends here. Of logs that are equal from the first byte to the last, only one can be told, and
        nobody can tell of one that came and went between two looks.
        """
        self.bare += self._is_bare()
        if not self.seen:
            self.unheard.update(self.life)
            self.bare += 1

    def _is_bare(self) -> bool:
        """Whether the log holds nothing yet that tells it from others."""
        return (self.logs.path / NOW).read_bytes().count(b"\n") == 1

    def _start_file(self, bare: bool = False) -> None:
        self.partial = b""
        self.seen, self.life = False, []
        self.logs.append(NOW, FIRST)
        self._wrote("START")
        if not bare:
            self.append(1, False)

    # -- what the machine does

    @rule(count=st.integers(1, 4), equal=st.booleans())
    def append(self, count: int, equal: bool) -> None:
        if self.partial:
            return
        for _ in range(count):
            self.number += not equal
            code = f"B{self.number}"
            self.logs.append(NOW, LINE.format(code).encode())
            self._wrote(code)

    @rule(cut=st.integers(1, 20))
    def append_half_a_line(self, cut: int) -> None:
        if self.partial:
            return
        self.number += 1
        line = LINE.format(f"B{self.number}").encode()
        self.logs.append(NOW, line[:cut])
        self.partial = line[cut:]

    @precondition(lambda self: self.partial)
    @rule()
    def append_the_other_half(self) -> None:
        self.logs.append(NOW, self.partial)
        self.partial = b""
        self._wrote(f"B{self.number}")

    @precondition(lambda self: not self.partial)
    @rule(bare=st.booleans())
    def rotate_by_rename(self, bare: bool) -> None:
        self._ends()
        self.rotated += 1
        (self.logs.path / NOW).rename(self.logs.path / f"{NOW}.{self.rotated}")
        self._start_file(bare)

    @precondition(lambda self: not self.partial)
    @rule(written_between=st.booleans())
    def rotate_by_copy_and_cut(self, written_between: bool) -> None:
        self.rotated += 1
        shutil.copyfile(self.logs.path / NOW, self.logs.path / f"{NOW}.{self.rotated}")
        if written_between:
            self.append(1, False)
        self._ends()
        os.truncate(self.logs.path / NOW, 0)
        self._start_file()

    @precondition(lambda self: not self.partial)
    @rule(lines=st.integers(0, 30))
    def cut_and_grow_past_the_old_end(self, lines: int) -> None:
        self._ends()
        os.truncate(self.logs.path / NOW, 0)
        self._start_file()
        for _ in range(lines):
            self.append(1, False)

    @precondition(lambda self: not self.partial)
    @rule()
    def delete_and_create(self) -> None:
        self._ends()
        (self.logs.path / NOW).unlink()
        self._start_file()

    @precondition(lambda self: self.rotated)
    @rule()
    def compress_a_rotated_log(self) -> None:
        old = self.logs.path / f"{NOW}.{self.rotated}"
        if old.exists():
            (self.logs.path / f"{old.name}.gz").write_bytes(gzip.compress(old.read_bytes(), mtime=0))
            old.unlink()

    # -- what the edge does

    @rule(times=st.integers(1, 3))
    def look(self, times: int) -> None:
        self.logs.look(times)
        self._looked()

    @rule()
    def restart(self) -> None:
        self.logs.restart()

    @rule(calls=st.integers(0, 4), keeps_it=st.booleans())
    def look_and_be_killed(self, calls: int, keeps_it: bool) -> None:
        self.writer.calls_left, self.writer.keeps_it = calls, keeps_it
        with contextlib.suppress(Killed):
            self.logs.look(2)
        self._looked(surely=False)
        self.writer.calls_left = None
        self.logs.restart()

    # -- what has to hold

    @invariant()
    def nothing_twice_and_nothing_else(self) -> None:
        if hasattr(self, "folder"):
            self.check(final=False)

    def check(self, *, final: bool) -> None:
        by_id: dict[tuple[str, int, int], object] = {}
        for taking in self.writer.takings:
            key = taking.generation, taking.position, taking.revision
            assert by_id.setdefault(key, taking.statements) == taking.statements, "one id, two contents"
        codes = Counter(
            statement.subject
            for taking in self.logs.events
            for statement in taking.statements
            if statement.data.TYPE == "inspection.completed"
            and "unterminated" not in statement.data.origin.flags  # type: ignore[union-attr]
        )
        written = Counter(code for code, _ in self.written)
        assert not codes - written, f"more than was written: {codes - written}"
        if not final:
            return
        gaps = self.logs.gaps
        for code, count in (written - codes).items():
            inside = sum(
                any((gap.start is None or gap.start <= when) and when <= gap.end for gap in gaps)
                for name, when in self.written
                if name == code
            )
            if code in self.unheard:
                continue
            count -= self.bare if code == "START" else 0
            assert inside >= count, (
                f"{count} x {code} lost outside of the gaps {[(g.start, g.end) for g in gaps]}"
            )


Machine.TestCase.settings = settings(
    max_examples=int(os.environ.get("EXAMPLES", "40")),
    stateful_step_count=25,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
TestLogsThatGrow = Machine.TestCase
