"""Material: what was set up where, what went onto which board, what came off again."""

from typing import Literal

from broker_bridge.events.base import (
    Data,
    Feeding,
    Finite,
    Material,
    Model,
    Place,
    Program,
    Slug,
    Text,
    Time,
    Tool,
)  # fmt: skip


class MaterialPlanned(Data):
    """From where a program takes a part, and for which places of each board; one statement a place to take from."""

    TYPE = "material.planned"
    program: Program
    feeding: Feeding
    material: Material | None = None
    """What the program wants there: its part number."""
    places: tuple[Place, ...]
    """In the order in which they are filled."""


class MaterialSetUp(Data):
    """Material was made ready at a place to take from."""

    TYPE = "material.set_up"
    material: Material
    feeding: Feeding
    proof: Literal["verified", "bypassed", "failed", "not_stated"] = "not_stated"
    """Whether the set-up was proven (scanned against the plan). Unproven: any lot since the last proof."""
    planned: Text | None = None
    """Part number the plan asks for there, where this one is an alternate."""
    found: bool = False
    """True where it was there already when the source began to speak: since when is not known."""


class MaterialRemoved(Data):
    """Material was taken away from its place."""

    TYPE = "material.removed"
    material: Material
    feeding: Feeding
    reason: Literal["empty", "changeover", "returned", "moved", "other", "not_stated"] = "not_stated"


class MaterialSpliced(Data):
    """A new reel was joined to the running one; parts of either may be placed until the joint has passed."""

    TYPE = "material.spliced"
    material: Material
    """The reel that was joined on."""
    previous: Material | None = None
    feeding: Feeding
    proof: Literal["verified", "bypassed", "failed", "not_stated"] = "not_stated"
    uncertain: Finite | None = None
    """Parts around the joint that may come from either, where stated."""


class MaterialInstalled(Data):
    """Parts of this material were mounted at these places of the boards."""

    TYPE = "material.installed"
    material: Material
    feeding: Feeding | None = None
    places: tuple[Place, ...]
    """Empty: the places are not stated."""
    not_installed: tuple[Place, ...] = ()
    """Places where it should have been mounted and was not."""
    quantity: Finite | None = None
    by: Literal["machine", "hand"] | None = None
    sequence: Literal["board_by_board"] | None = None
    """In which order the machine fills the places, where that is known: board_by_board, from the first position on,
    all places of a board before the next. With quantities that add up it tells which board got which."""


class MaterialConsumed(Data):
    """Paste, glue, flux or other chemistry was used on the boards."""

    TYPE = "material.consumed"
    material: Material
    amount: Finite | None = None
    unit: Text | None = None
    stencil: Text | None = None


class MaterialReplenished(Data):
    """Paste was put on a stencil, or chemistry into a tank: from now on its lot may be on any board."""

    TYPE = "material.replenished"
    material: Material
    into: Tool | None = None
    """The stencil or tank."""
    amount: Finite | None = None
    unit: Text | None = None


class MaterialRemovedFromBoard(Data):
    """Parts came off the boards: `replaced` tells whether new ones followed in the same act."""

    TYPE = "material.removed_from_board"
    material: Material | None = None
    places: tuple[Place, ...]
    replaced: bool | None = None


class MaterialLow(Data):
    """A place to take from is running out or empty."""

    TYPE = "material.low"
    material: Material
    feeding: Feeding
    empty: bool = False


class MaterialExposed(Data):
    """Floor life of moisture-sensitive material or open time of paste: taken out, put back, baked."""

    TYPE = "material.exposed"
    material: Material
    change: Literal["opened", "dry_stored", "restored", "baked", "thawed", "expired"]
    level: Text | None = None
    """Moisture sensitivity level of J-STD-020."""
    remaining_h: Finite | None = None
    until: Time | None = None


class ApprovedMaker(Model):
    """A maker's part that may be used for a material."""

    maker: Text
    maker_part: Text | None = None


class MaterialDeclared(Data):
    """The plant's master data of a material, valid from a time on."""

    TYPE = "material.declared"
    number: Text
    """The plant's part number of the material."""
    valid_from: Time
    description: Text | None = None
    kind: Slug | None = None
    """component, paste, glue, flux, bare_board ..."""
    makers: tuple[ApprovedMaker, ...] = ()
    alternates: tuple[Text, ...] = ()
    """Part numbers that may be used in its place."""
    moisture_level: Text | None = None
    """Moisture sensitivity level of J-STD-020."""
    floor_life_h: Finite | None = None
    shelf_life_d: Finite | None = None
    unit: Text | None = None
    """In which quantities are told; absent: pieces."""


TYPES: tuple[type[Data], ...] = (
    MaterialPlanned, MaterialSetUp, MaterialRemoved, MaterialSpliced, MaterialInstalled, MaterialConsumed,
    MaterialReplenished, MaterialRemovedFromBoard, MaterialLow, MaterialExposed,
    MaterialDeclared,
)  # fmt: skip
