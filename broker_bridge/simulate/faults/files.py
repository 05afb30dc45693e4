"""What a machine does on its disk, and what goes wrong there: half-written, dropped again, renamed, packed, rotated."""

import gzip
from dataclasses import dataclass
from random import Random
from typing import Literal

from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.profile import Profile
from broker_bridge.simulate.writers.writer import Written

Operation = Literal["create", "append", "rename", "copy", "truncate"]


@dataclass(frozen=True, slots=True)
class FileStep:
    """One thing done to a file at plant time `at`.

    create: a file with `data` (over one of that name, if any) · append `data` · rename or copy to `target` (of a file of its
    own, `data` is what it holds) · truncate to nothing. `complete`: after this step the file, or the last line of the log, is whole.
    """

    at: float
    station: str
    operation: Operation
    name: str
    data: bytes = b""
    target: str = ""
    growing: bool = False
    complete: bool = True


class FileFaults:
    """Turns what a dialect writes into steps on the disk of that station."""

    def __init__(self, seed: int, profile: Profile, station: str) -> None:
        self._faults = profile.files
        self._active = not self._faults.stations or station in self._faults.stations
        self._station = station
        self._chance = Random(f"{seed}/files {station}")
        self._records: dict[str, int] = {}  # growing log -> records since it began
        self._rotated: dict[str, int] = {}
        self._busy_until: dict[str, float] = {}  # a log whose last line is still being written

    def take(self, at: float, written: Written, panel_record: str) -> tuple[list[FileStep], list[Truth]]:
        """The steps for one record, in order of time, none before `at`. `panel_record` names the record in the truth."""
        if written.growing:
            return self._log(at, written, panel_record)
        return self._file(at, written, panel_record)

    def _file(self, at: float, written: Written, record: str) -> tuple[list[FileStep], list[Truth]]:
        name, data = written.name, written.data
        faults: list[Truth] = []
        if self._strikes(self._faults.gzipped):
            faults.append(self._fault("gzipped", at, name, record))
            name, data = f"{name}.gz", gzip.compress(data, mtime=0)
        steps = [FileStep(at, self._station, "create", name, data)]
        done = at
        if self._strikes(self._faults.half_written) and len(data) > 1:
            done = at + self._chance.uniform(2.0, 15.0)
            cut = self._chance.randrange(1, len(data))
            faults.append(self._fault("half_written", at, name, record, until=done, bytes=cut))
            steps = [
                FileStep(at, self._station, "create", name, data[:cut], complete=False),
                FileStep(done, self._station, "append", name, data[cut:]),
            ]
        if self._strikes(self._faults.redropped):
            again = done + self._chance.uniform(30.0, 600.0)
            faults.append(self._fault("redropped", again, name, record))
            steps.append(FileStep(again, self._station, "create", name, data))
        elif self._strikes(self._faults.exported_again) and not name.endswith(".gz"):
            later = done + self._chance.uniform(60.0, 900.0)
            target = f"EXP_{name}"
            faults.append(self._fault("exported_again", later, name, record, target=target))
            steps.append(FileStep(later, self._station, "create", target, _other_line_ends(data)))
        elif self._strikes(self._faults.renamed):
            later = done + self._chance.uniform(5.0, 60.0)
            target = f"ARCH_{name}"
            faults.append(self._fault("renamed", later, name, record, target=target))
            steps.append(FileStep(later, self._station, "rename", name, data, target))
        return steps, faults

    def _log(self, at: float, written: Written, record: str) -> tuple[list[FileStep], list[Truth]]:
        name = written.name
        at = max(at, self._busy_until.get(name, 0.0))
        steps: list[FileStep] = []
        faults: list[Truth] = []
        after = self._faults.rotate_after if self._active else 0
        if after and self._records.get(name, 0) >= after:
            number = self._rotated[name] = self._rotated.get(name, 0) + 1
            target = f"{name}.{number}"
            self._records[name] = 0
            faults.append(self._fault("rotated", at, name, record, target=target, how=self._faults.rotation))
            if self._faults.rotation == "rename":
                steps.append(FileStep(at, self._station, "rename", name, target=target, growing=True))
            else:
                steps.append(FileStep(at, self._station, "copy", name, target=target, growing=True))
                steps.append(FileStep(at, self._station, "truncate", name, growing=True))
        first = not self._records.get(name)
        self._records[name] = self._records.get(name, 0) + 1
        data = (written.header if first else b"") + written.data
        if self._strikes(self._faults.half_written):
            done = at + self._chance.uniform(0.2, 1.0)
            cut = len(data) - self._chance.randrange(1, len(written.data))
            faults.append(self._fault("half_written", at, name, record, until=done, bytes=cut))
            self._busy_until[name] = done
            steps.append(
                FileStep(at, self._station, "append", name, data[:cut], growing=True, complete=False)
            )
            steps.append(FileStep(done, self._station, "append", name, data[cut:], growing=True))
        else:
            steps.append(FileStep(at, self._station, "append", name, data, growing=True))
        return steps, faults

    def _strikes(self, rate: float) -> bool:
        return rate > 0 and self._active and self._chance.random() < rate

    def _fault(self, what: str, when: float, name: str, record: str, **detail: object) -> Truth:
        fields = {"what": what, "where": self._station, "when": when, "file": name, "record": record}
        return Truth(when, "fault", (), {**fields, **detail})


def _other_line_ends(data: bytes) -> bytes:
    """The same lines as another program writes them."""
    return data.replace(b"\r\n", b"\n") if b"\r\n" in data else data.replace(b"\n", b"\r\n")
