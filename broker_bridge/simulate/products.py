"""What Harbour Works makes. The plant and everything about its products is invented.

Two products: a harbour light controller (HW-1040, panels of 4) and a tide gauge node (HW-2060, panels
of 6). Both are assembled on two sides, the bottom first. Panels are laid out point-symmetric (every
other row head down), so a panel turned by 180 degrees fits every machine and silently swaps positions.

Plant numbering of positions: from 1, row by row from the lower left, seen from the top side.
Lengths in mm, areas in mm2, volumes in percent of the aperture's volume unless said otherwise.
"""

from dataclasses import dataclass
from functools import cached_property

STENCIL_MM = 0.12

BOTTOM, TOP = "bottom", "top"


@dataclass(frozen=True, slots=True)
class Package:
    """A component's body. `pads` are (length, width) of the stencil openings, in order of termination."""

    name: str
    pads: tuple[tuple[float, float], ...]
    nozzle: str
    machine: str
    polarized: bool = False
    hidden: bool = False  # terminations under the body: a camera from above sees none of them
    fine: bool = False  # pitch of 0.5 mm or less: bridges where paste is too much


PACKAGES = {
    package.name: package
    for package in (
        Package("R0402", ((0.55, 0.50),) * 2, "N1", "PLACE1"),
        Package("C0402", ((0.55, 0.50),) * 2, "N1", "PLACE1"),
        Package("C0201", ((0.35, 0.30),) * 2, "N0", "PLACE1"),
        Package("L0603", ((0.90, 0.80),) * 2, "N2", "PLACE1"),
        Package("LED0603", ((0.90, 0.80),) * 2, "N2", "PLACE1", polarized=True),
        Package("SOD123", ((1.10, 0.90),) * 2, "N2", "PLACE1", polarized=True),
        Package("SOT23", ((1.00, 0.80),) * 3, "N2", "PLACE1", polarized=True),
        Package("SOIC8", ((1.50, 0.60),) * 8, "N4", "PLACE2", polarized=True),
        Package("QFN16", ((0.80, 0.28),) * 16 + ((1.80, 1.80),), "N4", "PLACE2", polarized=True, fine=True),
        Package("QFP32", ((1.50, 0.30),) * 32, "N5", "PLACE2", polarized=True, fine=True),
        Package("BGA25", ((0.36, 0.36),) * 25, "N5", "PLACE2", polarized=True, hidden=True),
        Package("XTAL4", ((1.20, 1.00),) * 4, "N4", "PLACE2"),
        Package("CONN6", ((1.80, 0.70),) * 6, "N6", "PLACE2", polarized=True),
    )
}


def area_ratio(length: float, width: float, thickness: float = STENCIL_MM) -> float:
    """Opening area over wall area (IPC-7525); paste releases badly below about 0.66."""
    return length * width / (2 * (length + width) * thickness)


@dataclass(frozen=True, slots=True)
class Component:
    """One placed component. `x`, `y` from the board's lower left seen from its own side, `rotation` in degrees."""

    designator: str
    item: str
    package: Package
    x: float
    y: float
    rotation: int
    first_pad: int  # index of termination 1 among the pads of this side of the board


@dataclass(frozen=True)
class Side:
    """One side of one part number: what a run on the line is set up for."""

    part: str
    revision: str
    name: str
    components: tuple[Component, ...]

    @property
    def setup(self) -> str:
        return f"{self.part}-{self.name}"

    @property
    def program(self) -> str:
        """The one name every machine gives its program for this side."""
        return f"{self.part}_{self.revision}_{self.name[0].upper()}"

    @cached_property
    def pads(self) -> tuple[tuple[Component, int], ...]:
        """Every pad of one board in order: its component and its termination number from 1."""
        return tuple((c, n) for c in self.components for n in range(1, len(c.package.pads) + 1))

    @cached_property
    def by_designator(self) -> dict[str, Component]:
        return {component.designator: component for component in self.components}

    def slots(self, machine: str) -> dict[int, tuple[Component, ...]]:
        """Feeder slot -> components placed from it, in order of placement, for a placement machine."""
        items: dict[str, list[Component]] = {}
        for component in self.components:
            if component.package.machine == machine:
                items.setdefault(component.item, []).append(component)
        first = 1 if self.name == BOTTOM else 21
        return {first + i: tuple(group) for i, group in enumerate(items.values())}


@dataclass(frozen=True)
class Part:
    """A part number with its panel. `columns` x `rows` boards of `board_mm` each; the panel has a frame of 5 mm."""

    number: str
    title: str
    revision: str
    columns: int
    rows: int
    board_mm: tuple[float, float]
    sides: tuple[Side, Side]  # in order of assembly

    @property
    def positions(self) -> int:
        return self.columns * self.rows

    @property
    def panel_mm(self) -> tuple[float, float]:
        return self.columns * self.board_mm[0] + 10, self.rows * self.board_mm[1] + 10

    def side(self, name: str) -> Side:
        return next(side for side in self.sides if side.name == name)


def _side(
    part: str, revision: str, name: str, width: float, groups: tuple[tuple[str, int, int, str, str], ...]
) -> Side:
    """Lay components out on a grid, row by row. A group is (letter, first number, count, package, item)."""
    components: list[Component] = []
    pads = 0
    across = int(width // 6)
    for letter, first, count, package_name, item in groups:
        package = PACKAGES[package_name]
        for number in range(first, first + count):
            row, column = divmod(len(components), across)
            rotation = 90 if package.pads[0] == package.pads[-1] and number % 3 == 0 else 0
            components.append(
                Component(f"{letter}{number}", item, package, 4 + 6.0 * column, 5 + 7.0 * row, rotation, pads)
            )
            pads += len(package.pads)
    return Side(part, revision, name, tuple(components))


def _part(
    number: str,
    title: str,
    revision: str,
    grid: tuple[int, int],
    board_mm: tuple[float, float],
    bottom: tuple[tuple[str, int, int, str, str], ...],
    top: tuple[tuple[str, int, int, str, str], ...],
) -> Part:
    sides = (
        _side(number, revision, BOTTOM, board_mm[0], bottom),
        _side(number, revision, TOP, board_mm[0], top),
    )
    return Part(number, title, revision, grid[0], grid[1], board_mm, sides)


PARTS: tuple[Part, Part] = (
    _part(
        "HW-1040",
        "Harbour light controller",
        "C",
        (2, 2),
        (60.0, 52.0),
        bottom=(
            ("R", 101, 5, "R0402", "HW-R-10K"),
            ("R", 106, 3, "R0402", "HW-R-1K0"),
            ("C", 101, 6, "C0402", "HW-C-100N"),
            ("U", 101, 1, "SOIC8", "HW-U-EEPROM"),
        ),
        top=(
            ("R", 1, 8, "R0402", "HW-R-10K"),
            ("R", 9, 6, "R0402", "HW-R-4K7"),
            ("C", 1, 9, "C0402", "HW-C-100N"),
            ("C", 10, 3, "C0402", "HW-C-1U0"),
            ("D", 1, 3, "LED0603", "HW-D-AMBER"),
            ("D", 4, 1, "SOD123", "HW-D-SCHOTTKY"),
            ("Q", 1, 2, "SOT23", "HW-Q-NMOS"),
            ("L", 1, 1, "L0603", "HW-L-FERRITE"),
            ("U", 1, 1, "QFP32", "HW-U-MCU32"),
            ("U", 2, 1, "SOIC8", "HW-U-DRIVER"),
            ("U", 3, 1, "BGA25", "HW-U-RADIO"),
            ("Y", 1, 1, "XTAL4", "HW-Y-16M"),
            ("J", 1, 1, "CONN6", "HW-J-6P"),
        ),
    ),
    _part(
        "HW-2060",
        "Tide gauge node",
        "A",
        (3, 2),
        (45.0, 38.0),
        bottom=(
            ("C", 51, 6, "C0201", "HW-C-10N"),
            ("R", 51, 2, "R0402", "HW-R-10K"),
        ),
        top=(
            ("R", 1, 8, "R0402", "HW-R-10K"),
            ("C", 1, 7, "C0201", "HW-C-10N"),
            ("C", 8, 3, "C0201", "HW-C-1N0"),
            ("D", 1, 1, "LED0603", "HW-D-AMBER"),
            ("Q", 1, 1, "SOT23", "HW-Q-NMOS"),
            ("U", 1, 1, "QFN16", "HW-U-SENSOR"),
            ("J", 1, 1, "CONN6", "HW-J-6P"),
        ),
    ),
)

BY_NUMBER = {part.number: part for part in PARTS}
