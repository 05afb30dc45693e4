"""Enumerations of IPC-2591, by name or by number, and the state codes of a station.

Writers differ: most spell an enumeration's name, some its number. A word that the standard did not have when this was
written is carried as it is: enumerations grow from version to version.
"""

from typing import Final, NamedTuple


class Words:
    """The names of one enumeration, counted from 0."""

    def __init__(self, *names: str) -> None:
        self.names = names
        self._found = {name.casefold(): name for name in names}

    def find(self, value: str | int) -> tuple[str, bool]:
        """The name meant, and whether the enumeration has it."""
        text = str(value).strip()
        name = self._found.get(text.casefold())
        if name is not None:
            return name, True
        if text.isdecimal() and len(text) < 6 and int(text) < len(self.names):
            return self.names[int(text)], True
        return text[:512] or "?", False


TEST_RESULT: Final = Words("Passed", "Failed", "Error", "Aborted", "Skipped")
WORK_RESULT: Final = Words("Completed", "Failed", "Aborted", "Skipped")
PROCESSING_RESULT: Final = Words("Succeeded", "Failed", "Error", "Aborted", "Skipped")
UNIT_STATUS: Final = Words("Pass", "Fail", "Scrap", "Skip")
VERIFICATION: Final = Words(
    "NotVerifiedYet", "DefectConfirmed", "DefectRejected", "DefectAccepted", "DefectRepaired", "DefectClosed"
)
INSPECTION_METHOD: Final = Words("Human", "AOI", "SPI", "AXI")
TEST_METHOD: Final = Words("Human", "Automated", "ICT", "FPT", "FCT", "BST")
SAMPLING: Final = Words("NoSampling", "ANSI_Z14", "MIL_STD_105", "MIL_STD_1916", "Squeglia", "FixedSample")
REPAIR_RESULT: Final = Words("RepairSuccessful", "UnableToRepair", "Scrap", "Error", "Aborted")
DISQUALIFICATION: Final = Words(
    "DefectiveRepairNotPossible", "DefectiveRepairNotFeasible", "DefectiveMaterials"
)
UNINSTALLED: Final = Words("DefectiveMaterial", "DefectiveInstallation", "IncorrectMaterial", "Other")
SEVERITY: Final = Words("Information", "Warning", "Error", "Alarm")
IMPORTANCE: Final = Words("Debug", "Information", "Warning", "Error", "Fatal")
SURFACE: Final = Words("Unspecified", "PrimarySurface", "SecondarySurface")
MODIFICATION: Final = Words(
    "Unspecified", "NewRecipe", "NewRevision", "UpdatedGeometry", "UpdatedBOM", "PositionalCorrection",
    "RotationalCorrection", "VisionSystemCorrection", "RecipeDeleted",
)  # fmt: skip
MSD_LEVEL: Final = Words(
    "Unspecified", "MSL1", "MSL2", "MSL2A", "MSL3", "MSL4", "MSL5", "MSL5A", "MSL6"
)  # fmt: skip
STATUS: Final = Words("Success", "PartialSuccess", "Failed", "Warning")
ACTIVITY_STATE: Final = Words("Started", "Aborted", "Completed", "On", "Off")
CLEAN_MODE: Final = Words("W", "V", "D")
SUB_ZONE: Final = Words("WholeZone", "Top", "Bottom")


class State(NamedTuple):
    """A station's state as the standard counts it: the codes of SEMI E10 and E58, times one hundred."""

    code: int | None
    """None: a word that the standard does not have."""
    name: str


STATES: Final[dict[str, int]] = {
    "PRD": 1000, "PRD_RegularWork": 1100, "PRD_WorkForThirdParties": 1200, "PRD_Rework": 1300, "PRD_Engineering": 1400,
    "SBY": 2000, "SBY_NoOperator": 2100, "SBY_NoProduct": 2200, "SBY_NoProductBlocked": 2201,
    "SBY_NoProductStarved": 2202, "SBY_NoSupportTool": 2300, "SBY_AssociatedClusterModuleDown": 2400, "SBY_NoHost": 2500,
    "ENG": 3000, "ENG_ProcessExperiments": 3100, "ENG_EquipmentExperiments": 3200,
    "SDT": 4000, "SDT_UserMaintenanceDelay": 4100, "SDT_SuppliedMaintenanceDelay": 4200,
    "SDT_PreventiveMaintenance": 4300, "SDT_ChangeOfConsumables": 4400, "SDT_Setup": 4500, "SDT_ProductionTest": 4600,
    "SDT_FacilitiesRelated": 4700,
    "USD": 5000, "USD_UserMaintentanceDelay": 5100, "USD_SuppliedMaintenanceDelay": 5200, "USD_Repair": 5300,
    "USD_OutOfSpecInputMaterial": 5400, "USD_ChangeOfConsumables": 5500, "USD_FacilitiesRelated": 5600,
    "NST": 6000, "NST_UnworkedShifts": 6100, "NST_EquipmentInstallation": 6200, "NST_EquipmentModifications": 6300,
    "NST_OfflineTraining": 6400, "NST_ShutdownAndStartup": 6500,
}  # fmt: skip
"""ResourceState, with its spellings; slips are part of the contract."""

_NAMES: Final = {code: name for name, code in STATES.items()}
_LOWER: Final = {name.casefold(): name for name in STATES}
_FORMER: Final = {"22a0": 2201, "22b0": 2202}
"""Two codes as earlier versions wrote them."""


def state(value: str | int) -> State:
    """A state by name, number, number as text or former code. Vendors count on below a class: 3312 is of 3300's."""
    text = str(value).strip()
    name = _LOWER.get(text.casefold())
    if name is not None:
        return State(STATES[name], name)
    code = _FORMER.get(text.casefold())
    if code is None and text.isdecimal() and len(text) <= 4:
        code = int(text)
    if code is None or not 1000 <= code < 7000:
        return State(None, text[:512] or "?")
    return State(code, _NAMES.get(code) or str(code))
