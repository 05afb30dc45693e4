"""Which message is told by whom.

STATING  messages that state something of boards, work, material, inspection, test, rework, faults, states or process
SIGNS    signs of life: they are heard, and nothing is kept of them
all other messages of the standard are kept as they are (source.kept), because the record has no words for them
"""

from collections.abc import Callable
from typing import Final

from broker_bridge.adapters.cfx.mapping import boards, inspection, material, process, station, work
from broker_bridge.adapters.cfx.mapping.telling import Telling

Stating = Callable[[Telling], None]


def _initialized(telling: Telling) -> None:
    (work.learn_units if telling.transaction else boards.initialized)(telling)


STATING: Final[dict[str, Stating]] = {
    "CFX.EndpointConnected": station.online,
    "CFX.EndpointShuttingDown": station.offline,
    "CFX.InformationSystem.UnitValidation.ValidateUnitsRequest": boards.told,
    "CFX.Materials.Management.MSDManagement.MaterialsExpired": material.expired,
    "CFX.Materials.Management.MSDManagement.MaterialsOpened": material.opened,
    "CFX.Materials.Management.MSDManagement.MaterialsPlacedInDryStorage": material.dry_stored,
    "CFX.Materials.Management.MSDManagement.MaterialsRemovedFromDryStorage": material.opened,
    "CFX.Materials.Management.MSDManagement.MaterialsRestored": material.restored,
    "CFX.Materials.Management.MaterialsConsumed": material.consumed,
    "CFX.Materials.Storage.GetLoadedMaterialsResponse": material.found_loaded,
    "CFX.Materials.Storage.MaterialCarriersUnloaded": material.carriers_unloaded,
    "CFX.Materials.Storage.MaterialsEmpty": material.empty,
    "CFX.Materials.Storage.MaterialsLoaded": material.loaded,
    "CFX.Materials.Storage.MaterialsUnloaded": material.unloaded,
    "CFX.Materials.Storage.SplicePointDetected": material.spliced,
    "CFX.Production.ActivitiesExecuted": process.activities,
    "CFX.Production.Application.MaterialsApplied": material.applied,
    "CFX.Production.Application.MaterialsUnapplied": material.unapplied,
    "CFX.Production.Application.Solder.PCBSelectiveSoldered": process.soldered,
    "CFX.Production.Assembly.MaterialsInstalled": material.installed,
    "CFX.Production.Assembly.MaterialsUninstalled": material.uninstalled,
    "CFX.Production.Assembly.PressInsertion.ConditionCompleted": process.recorded,
    "CFX.Production.Assembly.UnitsPersonalized": boards.personalized,
    "CFX.Production.Hermes.GetWorkOrderDataResponse": boards.ordered,
    "CFX.Production.Hermes.MagazineArrived": boards.magazine_arrived,
    "CFX.Production.Hermes.MagazineDeparted": boards.magazine_departed,
    "CFX.Production.LoadingAndUnloading.UnitsLoaded": boards.loaded,
    "CFX.Production.LoadingAndUnloading.UnitsUnloaded": boards.unloaded,
    "CFX.Production.LocalRecipeChanged": process.recorded,
    "CFX.Production.Processing.UnitsProcessed": process.processed,
    "CFX.Production.ReadingsRecorded": process.readings,
    "CFX.Production.RecipeActivated": work.activated,
    "CFX.Production.RecipeModified": work.modified,
    "CFX.Production.ReworkAndRepair.UnitsRepaired": inspection.repaired,
    "CFX.Production.TestAndInspection.UnitsInspected": inspection.inspected,
    "CFX.Production.TestAndInspection.UnitsTested": inspection.tested,
    "CFX.Production.ToolsCleaned": process.recorded,
    "CFX.Production.ToolsLoaded": process.recorded,
    "CFX.Production.ToolsUnloaded": process.recorded,
    "CFX.Production.ToolsUsed": process.tools_used,
    "CFX.Production.UnitsArrived": boards.arrived,
    "CFX.Production.UnitsDeparted": boards.departed,
    "CFX.Production.UnitsDisqualified": boards.disqualified,
    "CFX.Production.UnitsInitialized": _initialized,
    "CFX.Production.WorkCompleted": work.completed,
    "CFX.Production.WorkStageCompleted": work.stage_completed,
    "CFX.Production.WorkStagePaused": process.recorded,
    "CFX.Production.WorkStageResumed": process.recorded,
    "CFX.Production.WorkStageStarted": work.stage_started,
    "CFX.Production.WorkStarted": work.started,
    "CFX.ResourcePerformance.CalibrationPerformed": process.calibrated,
    "CFX.ResourcePerformance.EnergyConsumed": process.recorded,
    "CFX.ResourcePerformance.FaultCleared": station.fault_cleared,
    "CFX.ResourcePerformance.FaultOccurred": station.fault_occurred,
    "CFX.ResourcePerformance.GetActiveFaultsResponse": station.active_faults,
    "CFX.ResourcePerformance.LogEntryRecorded": station.logged,
    "CFX.ResourcePerformance.MaintenancePerformed": process.recorded,
    "CFX.ResourcePerformance.PressInsertion.ComponentsPressed": process.recorded,
    "CFX.ResourcePerformance.ProcessDataRecorded": process.recorded,
    "CFX.ResourcePerformance.SMTPlacement.ComponentsPlaced": process.recorded,
    "CFX.ResourcePerformance.SleepStateChanged": process.recorded,
    "CFX.ResourcePerformance.SolderPastePrinting.SqueegeeCleaned": process.recorded,
    "CFX.ResourcePerformance.SolderPastePrinting.StencilCleaned": process.stencil_cleaned,
    "CFX.ResourcePerformance.StageStateChanged": station.state_changed,
    "CFX.ResourcePerformance.StationOffline": station.offline,
    "CFX.ResourcePerformance.StationOnline": station.online,
    "CFX.ResourcePerformance.StationParametersModified": process.recorded,
    "CFX.ResourcePerformance.StationStateChanged": station.state_changed,
    "CFX.ResourcePerformance.THTInsertion.ComponentsInserted": process.recorded,
    "CFX.ResourcePerformance.ToolChanged": process.recorded,
    "CFX.Sensor.Identification.IdentifiersNotRead": boards.not_read,
    "CFX.Sensor.Identification.IdentifiersRead": boards.identified,
    "CFX.Sensor.Identification.IdentifyUnitsResponse": boards.told,
}

SIGNS: Final = frozenset(
    {"CFX.Heartbeat", "CFX.AreYouThereRequest", "CFX.AreYouThereResponse", "CFX.WhoIsThereRequest"}
    | {"CFX.WhoIsThereResponse", "CFX.NotSupportedResponse"}
)
