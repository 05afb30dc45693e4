"""The messages of IPC-2591, by topic: which names are the standard's, and what a message of it may be left aside."""

from typing import Final

_TOPICS: Final[dict[str, str]] = {
    "CFX": (
        "AreYouThereRequest AreYouThereResponse EndpointConnected EndpointShuttingDown "
        "GetEndpointInformationRequest GetEndpointInformationResponse Heartbeat NotSupportedResponse "
        "WhoIsThereRequest WhoIsThereResponse"
    ),
    "CFX.InformationSystem.DataTransfer": "FileTransferRequest FileTransferResponse",
    "CFX.InformationSystem.OperatorValidation": "ValidateOperatorRequest ValidateOperatorResponse",
    "CFX.InformationSystem.ProductionScheduling": "WorkOrdersScheduled WorkOrdersUnscheduled",
    "CFX.InformationSystem.TopicValidation": "ValidateTopicRequest ValidateTopicResponse",
    "CFX.InformationSystem.UnitValidation": "ValidateUnitsRequest ValidateUnitsResponse",
    "CFX.InformationSystem.WorkOrderManagement": (
        "WorkOrderQuantityUpdated WorkOrderStatusUpdated WorkOrdersCreated WorkOrdersDeleted "
        "WorkOrdersUpdated"
    ),
    "CFX.Maintenance": (
        "GetResourceInformationRequest GetResourceInformationResponse "
        "GetResourceMaintenanceAndServiceRequest GetResourceMaintenanceAndServiceResponse "
        "GetResourceMaintenanceStatusRequest GetResourceMaintenanceStatusResponse "
        "GetResourceSetupRequest GetResourceSetupResponse ResourceInformationEvent "
        "ResourceMaintenanceAndServiceEvent ResourceMaintenanceStatusEvent ResourceSetupEvent"
    ),
    "CFX.Materials.Management": (
        "BlockMaterialsRequest BlockMaterialsResponse GetMaterialInformationRequest "
        "GetMaterialInformationResponse MaterialsChainSplit MaterialsConsumed MaterialsInitialized "
        "MaterialsJoined MaterialsModified MaterialsRetired MaterialsSplit UnblockMaterialsRequest "
        "UnblockMaterialsResponse"
    ),
    "CFX.Materials.Management.MSDManagement": (
        "MaterialsExpired MaterialsOpened MaterialsPlacedInDryStorage MaterialsRemovedFromDryStorage "
        "MaterialsRestored"
    ),
    "CFX.Materials.Storage": (
        "GetLoadedMaterialsRequest GetLoadedMaterialsResponse MaterialCarriersLoaded "
        "MaterialCarriersUnloaded MaterialsEmpty MaterialsLoaded MaterialsUnloaded SplicePointDetected "
        "ValidateStationSetupRequest ValidateStationSetupResponse"
    ),
    "CFX.Materials.Transport": (
        "CheckpointReached CreateTransportOrderRequest CreateTransportOrderResponse "
        "GetTransportOrderStatusRequest GetTransportOrderStatusResponse StartTransferRequest "
        "StartTransferResponse TransportOrderCompleted TransportOrderStarted TransportOrderStatusChanged"
    ),
    "CFX.Production": (
        "ActivateRecipeRequest ActivateRecipeResponse ActivitiesExecuted BlockMaterialLocationsRequest "
        "BlockMaterialLocationsResponse GetActiveRecipeRequest GetActiveRecipeResponse "
        "GetAvailableRecipesRequest GetAvailableRecipesResponse GetRecipeRequest GetRecipeResponse "
        "GetRequiredSetupRequest GetRequiredSetupResponse GetUnitInfoRequest GetUnitInfoResponse "
        "LocalRecipeChanged LockStationRequest LockStationResponse OperatorActivated OperatorDeactivated "
        "ReadingsRecorded RecipeActivated RecipeDeactivated RecipeModified SetupRequirementsChanged "
        "ToolsCleaned ToolsLoaded ToolsUnloaded ToolsUsed UnblockMaterialLocationsRequest "
        "UnblockMaterialLocationsResponse UnitsArrived UnitsDeparted UnitsDisqualified UnitsInitialized "
        "UnlockStationRequest UnlockStationResponse UpdateRecipeRequest UpdateRecipeResponse "
        "WorkCompleted WorkOrderActionExecuted WorkStageCompleted WorkStagePaused WorkStageResumed "
        "WorkStageStarted WorkStarted"
    ),
    "CFX.Production.Application": "MaterialsApplied MaterialsUnapplied",
    "CFX.Production.Application.Solder": "PCBSelectiveSoldered",
    "CFX.Production.Assembly": "MaterialsInstalled MaterialsUninstalled UnitsPersonalized",
    "CFX.Production.Assembly.PressInsertion": (
        "ConditionCompleted GetConditionPermissionRequest GetConditionPermissionResponse"
    ),
    "CFX.Production.Hermes": (
        "GetMagazineDataRequest GetMagazineDataResponse GetWorkOrderDataRequest GetWorkOrderDataResponse "
        "MagazineArrived MagazineDeparted"
    ),
    "CFX.Production.LoadingAndUnloading": "UnitsLoaded UnitsUnloaded",
    "CFX.Production.Processing": "UnitsProcessed",
    "CFX.Production.ReworkAndRepair": "UnitsRepaired",
    "CFX.Production.TestAndInspection": (
        "GetInspectionInfoRequest GetInspectionInfoResponse UnitsInspected UnitsTested"
    ),
    "CFX.ResourcePerformance": (
        "CalibrationPerformed ChangeSleepStateRequest ChangeSleepStateResponse EnergyConsumed "
        "EnergyConsumptionRequest EnergyConsumptionResponse FaultAcknowledged FaultCleared FaultOccurred "
        "GetActiveFaultsRequest GetActiveFaultsResponse HandleFaultRequest HandleFaultResponse "
        "LogEntryRecorded MaintenancePerformed ModifyStationParametersRequest "
        "ModifyStationParametersResponse ProcessDataRecorded SleepStateChanged StageStateChanged "
        "StationOffline StationOnline StationParametersModified StationStateChanged ToolChanged"
    ),
    "CFX.ResourcePerformance.PressInsertion": "ComponentsPressed",
    "CFX.ResourcePerformance.SMTPlacement": "ComponentsPlaced",
    "CFX.ResourcePerformance.SolderPastePrinting": (
        "CleanSqueegeeRequest CleanSqueegeeResponse CleanStencilRequest CleanStencilResponse "
        "SqueegeeCleaned StencilCleaned"
    ),
    "CFX.ResourcePerformance.THTInsertion": "ComponentsInserted",
    "CFX.Sensor.Identification": (
        "IdentifiersNotRead IdentifiersRead IdentifyUnitsRequest IdentifyUnitsResponse"
    ),
}

MESSAGES: Final = frozenset(f"{topic}.{name}" for topic, names in _TOPICS.items() for name in names.split())
"""Full names. A version after 2.1 may have more."""

_LOWER: Final = {name.casefold(): name for name in MESSAGES}


def known(name: str) -> str | None:
    """The standard's spelling of a message's name, None where it has none such."""
    return _LOWER.get(name.strip().casefold())


def topic(name: str) -> str:
    """The topic a message belongs to: its name without the last part."""
    return name.rpartition(".")[0]
