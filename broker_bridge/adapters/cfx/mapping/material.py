"""Material: set up, taken away, spliced, put onto boards, taken off them, exposed to moisture."""

from collections.abc import Sequence
from typing import Final, Literal

from broker_bridge.adapters.cfx.mapping.telling import Telling
from broker_bridge.adapters.cfx.mapping.values import places
from broker_bridge.adapters.cfx.protocol.node import Node
from broker_bridge.adapters.cfx.protocol.words import MSD_LEVEL, STATUS
from broker_bridge.events.base import Feeding, Material, Place
from broker_bridge.events.material import (
    MaterialConsumed,
    MaterialExposed,
    MaterialInstalled,
    MaterialLow,
    MaterialRemoved,
    MaterialRemovedFromBoard,
    MaterialSetUp,
    MaterialSpliced,
)

Change = Literal["opened", "dry_stored", "restored", "expired"]
_LEVELS: Final = {
    "MSL1": "1", "MSL2": "2", "MSL2A": "2a", "MSL3": "3", "MSL4": "4", "MSL5": "5", "MSL5A": "5a", "MSL6": "6",
}  # fmt: skip


def package(node: Node | None, telling: Telling, *, quantity: bool = True) -> Material:
    """A MaterialPackage, in short or in detail."""
    if node is None:
        return Material()
    lot = node.text("ManufacturerLotCode")
    made = node.text("ManufactureDate") if node.has("ManufactureDate") else None
    leading = node.node("LeadingMaterialPackage")
    return Material(
        id=node.text("UniqueIdentifier"),
        part=node.text("InternalPartNumber"),
        maker=node.text("Manufacturer"),
        maker_part=node.text("ManufacturerPartNumber"),
        lots=tuple(dict.fromkeys(text for text in (lot, node.text("BatchId")) if text)),
        date_code=made[:10] if made and not made.startswith("0001") else None,
        supplier=node.text("Vendor"),
        parent=leading.text("UniqueIdentifier") if leading is not None else None,
        quantity=node.number("Quantity") if quantity else None,
        unit=node.text("Units"),
        expires=telling.moment(node, "ExpiryDate"),
    )


def feeding(location: Node | None, tool: Node | None = None) -> Feeding:
    """A MaterialLocation or MaterialCarrierLocation, with the nozzle where one is stated."""
    carrier = location.node("CarrierInformation") if location is not None else None
    lane = carrier.whole("LaneNumber") if carrier is not None else None
    if carrier is not None:
        _ = carrier.kind
    slot = (
        (location.text("LocationName") or location.text("LocationIdentifier"))
        if location is not None
        else None
    )
    nozzle, head = nozzle_of(tool)
    return Feeding(
        slot=slot,
        subslot=None if lane is None else str(lane),
        feeder=(carrier.text("UniqueIdentifier") or carrier.text("Name")) if carrier is not None else None,
        nozzle=nozzle,
        head=head,
    )


def nozzle_of(tool: Node | None) -> tuple[str | None, str | None]:
    """Nozzle and head of a SMTHeadAndNozzle."""
    if tool is None:
        return None, None
    number = tool.text("HeadNozzleNumber")
    return tool.text("UniqueIdentifier") or tool.text("Name") or number, tool.text("HeadId")


def installed(telling: Telling) -> None:
    """MaterialsInstalled: what each machine put where, by reel; what it threw away was not put on."""
    nodes = telling.body.nodes("InstalledMaterials")
    for node, boards in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        _ = node.kind
        components = node.nodes("InstalledComponents")
        dropped = node.nodes("NonInstalledComponents")
        by_tool: dict[tuple[str | None, str | None], list[Node]] = {}
        for one in components:
            by_tool.setdefault(nozzle_of(one.node("HeadAndNozzle")), []).append(one)
        location = node.node("CarrierLocation")
        material = package(node.node("Material"), telling)
        place = feeding(location)
        groups = by_tool or {(None, None): []}
        quantity = node.number("QuantityInstalled")
        for count, ((nozzle, head), group) in enumerate(groups.items()):
            telling.say(
                MaterialInstalled,
                boards=boards,
                material=material,
                feeding=place.model_copy(update={"nozzle": nozzle, "head": head}),
                places=_component_places(group, telling),
                not_installed=_component_places(dropped, telling) if count == 0 else (),
                quantity=quantity if len(groups) == 1 else float(len(group)),
                by="machine",
            )


def applied(telling: Telling) -> None:
    """MaterialsApplied: paste, glue, flux, coating."""
    nodes = telling.body.nodes("AppliedMaterials")
    for node, boards in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        _ = node.kind
        amount, unit = node.number("QuantityInstalled"), None
        stated = node.node("QuantityApplied")
        if stated is not None and stated.has("Value"):
            amount, unit = stated.number("Value"), stated.text("ValueUnits")
        telling.say(
            MaterialConsumed,
            boards=boards,
            material=package(node.node("Material"), telling),
            amount=amount,
            unit=unit,
        )


def uninstalled(telling: Telling) -> None:
    """MaterialsUninstalled."""
    _taken_off(telling, "UninstalledMaterials")


def unapplied(telling: Telling) -> None:
    """MaterialsUnapplied."""
    _taken_off(telling, "UnappliedMaterials")


def _taken_off(telling: Telling, name: str) -> None:
    nodes = telling.body.nodes(name)
    for node, boards in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        telling.say(
            MaterialRemovedFromBoard,
            boards=boards,
            material=package(node.node("Material"), telling),
            places=_component_places(node.nodes("UninstalledComponents"), telling),
        )


def loaded(telling: Telling) -> None:
    """MaterialsLoaded: set up at a place to take from."""
    for node in telling.body.nodes("Materials"):
        _set_up(telling, node)


def found_loaded(telling: Telling) -> None:
    """GetLoadedMaterialsResponse: what was set up already; since when is not said."""
    result = telling.body.node("Result")
    if result is None or result.word("Result", STATUS) in ("Success", "PartialSuccess"):
        for node in telling.body.nodes("Materials"):
            _set_up(telling, node, found=True)


def _set_up(telling: Telling, node: Node, *, found: bool = False) -> None:
    telling.say(
        MaterialSetUp,
        boards=(),
        material=package(node.node("MaterialPackage"), telling),
        feeding=feeding(node),
        found=found,
    )


def unloaded(telling: Telling) -> None:
    """MaterialsUnloaded: packages by their identifiers; from which place is not said."""
    for name in telling.body.texts("MaterialPackageIdentifiers"):
        telling.say(MaterialRemoved, boards=(), material=Material(id=name), feeding=Feeding())


def carriers_unloaded(telling: Telling) -> None:
    """MaterialCarriersUnloaded: feeders with whatever was in them."""
    for name in telling.body.texts("CarrierIdentifiers"):
        telling.say(
            MaterialRemoved, boards=(), material=Material(), feeding=Feeding(feeder=name), reason="moved"
        )


def empty(telling: Telling) -> None:
    """MaterialsEmpty."""
    for node in telling.body.nodes("EmptyMaterials"):
        telling.say(
            MaterialLow,
            boards=(),
            material=package(node.node("MaterialPackage"), telling),
            feeding=feeding(node),
            empty=True,
        )


def spliced(telling: Telling) -> None:
    """SplicePointDetected."""
    old, new = telling.body.node("DepletedMaterial"), telling.body.node("NewlyActiveMaterial")
    if new is None:
        raise telling.body.wrong("NewlyActiveMaterial", None, "names no material")
    telling.say(
        MaterialSpliced,
        boards=(),
        material=package(new.node("MaterialPackage"), telling),
        previous=package(old.node("MaterialPackage"), telling) if old is not None else None,
        feeding=feeding(new),
    )


def consumed(telling: Telling) -> None:
    """MaterialsConsumed: by a place to take from, on no board in particular."""
    for node in telling.body.nodes("ConsumedMaterials"):
        location = node.node("MaterialLocation")
        material = package(
            location.node("MaterialPackage") if location is not None else None, telling, quantity=False
        )
        telling.say(
            MaterialConsumed,
            boards=(),
            material=material.model_copy(update={"quantity": node.number("RemainingQuantity")}),
            amount=node.number("QuantityUsed"),
        )


def opened(telling: Telling) -> None:
    """MaterialsOpened, MaterialsRemovedFromDryStorage: floor life runs."""
    _exposed(telling, "opened")


def dry_stored(telling: Telling) -> None:
    """MaterialsPlacedInDryStorage."""
    _exposed(telling, "dry_stored")


def restored(telling: Telling) -> None:
    """MaterialsRestored."""
    _exposed(telling, "restored")


def expired(telling: Telling) -> None:
    """MaterialsExpired."""
    _exposed(telling, "expired")


def _exposed(telling: Telling, change: Change) -> None:
    for node in telling.body.nodes("Materials"):
        data = node.node("MaterialData")
        level = until = remaining = None
        if data is not None:
            _ = data.kind
            level = _LEVELS.get(data.word("MSDLevel", MSD_LEVEL) or "")
            until = telling.moment(data, "ExpirationDateTime")
            span = data.span("RemainingExposureTime")
            remaining = None if span is None else span.total_seconds() / 3600
        telling.say(
            MaterialExposed,
            boards=(),
            material=package(node, telling),
            change=change,
            level=level,
            remaining_h=remaining,
            until=until,
        )


def _component_places(nodes: Sequence[Node], telling: Telling) -> tuple[Place, ...]:
    found: list[Place] = []
    for node in nodes:
        _ = node.kind
        found += places(node.text("ReferenceDesignator"))
    return tuple(found)
