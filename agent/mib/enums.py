"""The enumerations, number -> label, exactly as the standards spell them.

Sources: RFC 3805 with the values that IANA-PRINTER-MIB (2016-08-17) added; RFC 2790 for the Host Resources; PWG 5106.3.
The long list of alert codes is in ``alert_codes``, that of character sets in ``charsets``.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from agent.mib.alert_codes import ALERT_CODE

Labels = Mapping[int, str]


def _labels(labels: dict[int, str]) -> Labels:
    return MappingProxyType(labels)


def label(labels: Labels, number: int) -> str:
    """The label of a number, or ``unlisted(99)``."""
    return labels.get(number) or f"unlisted({number})"


# --- RFC 2790, and what of IANAifType is told apart -------------------------------------------------------------

DEVICE_STATUS = _labels({1: "unknown", 2: "running", 3: "warning", 4: "testing", 5: "down"})
PRINTER_STATUS = _labels({1: "other", 2: "unknown", 3: "idle", 4: "printing", 5: "warmup"})
ERROR_BITS = (
    "lowPaper",
    "noPaper",
    "lowToner",
    "noToner",
    "doorOpen",
    "jammed",
    "offline",
    "serviceRequested",
    "inputTrayMissing",
    "outputTrayMissing",
    "markerSupplyMissing",
    "outputNearFull",
    "outputFull",
    "inputTrayEmpty",
    "overduePreventMaint",
)
"""hrPrinterDetectedErrorState: bit 0 is the most significant bit of the first octet. Bit 15 is not assigned."""

INTERFACE_TYPE = _labels({6: "ethernetCsmacd", 24: "softwareLoopback", 71: "ieee80211"})

# --- PWG 5106.3 -------------------------------------------------------------------------------------------------

WORK_TYPE = _labels(
    {1: "other", 2: "unknown", 3: "workTotals", 4: "datastream", 5: "auxiliary", 6: "waste", 7: "maintenance"}
)
PERSISTENCE = _labels({1: "other", 2: "unknown", 3: "lifetime", 4: "powerOn", 5: "reset"})

# --- RFC 3805 and IANA-PRINTER-MIB ------------------------------------------------------------------------------

AVAILABILITY = _labels({0: "idle", 1: "onRequest", 2: "standby", 3: "broken", 4: "active", 5: "unknown", 6: "busy"})
"""The low three bits of PrtSubUnitStatusTC. Seven is not defined."""

SUPPLY_TYPE = _labels(
    {
        1: "other",
        2: "unknown",
        3: "toner",
        4: "wasteToner",
        5: "ink",
        6: "inkCartridge",
        7: "inkRibbon",
        8: "wasteInk",
        9: "opc",
        10: "developer",
        11: "fuserOil",
        12: "solidWax",
        13: "ribbonWax",
        14: "wasteWax",
        15: "fuser",
        16: "coronaWire",
        17: "fuserOilWick",
        18: "cleanerUnit",
        19: "fuserCleaningPad",
        20: "transferUnit",
        21: "tonerCartridge",
        22: "fuserOiler",
        23: "water",
        24: "wasteWater",
        25: "glueWaterAdditive",
        26: "wastePaper",
        27: "bindingSupply",
        28: "bandingSupply",
        29: "stitchingWire",
        30: "shrinkWrap",
        31: "paperWrap",
        32: "staples",
        33: "inserts",
        34: "covers",
        35: "matteToner",
        36: "matteInk",
    }
)
SUPPLY_UNIT = _labels(
    {
        1: "other",
        2: "unknown",
        3: "tenThousandthsOfInches",
        4: "micrometers",
        7: "impressions",
        8: "sheets",
        11: "hours",
        12: "thousandthsOfOunces",
        13: "tenthsOfGrams",
        14: "hundrethsOfFluidOunces",
        15: "tenthsOfMilliliters",
        16: "feet",
        17: "meters",
        18: "items",
        19: "percent",
    }
)
SUPPLY_CLASS = _labels({1: "other", 3: "supplyThatIsConsumed", 4: "receptacleThatIsFilled"})
COLORANT_ROLE = _labels({1: "other", 3: "process", 4: "spot"})
COUNTER_UNIT = _labels(
    {
        3: "tenThousandthsOfInches",
        4: "micrometers",
        5: "characters",
        6: "lines",
        7: "impressions",
        8: "sheets",
        9: "dotRow",
        11: "hours",
        16: "feet",
        17: "meters",
    }
)
MARK_TECH = _labels(
    {
        1: "other",
        2: "unknown",
        3: "electrophotographicLED",
        4: "electrophotographicLaser",
        5: "electrophotographicOther",
        6: "impactMovingHeadDotMatrix9pin",
        7: "impactMovingHeadDotMatrix24pin",
        8: "impactMovingHeadDotMatrixOther",
        9: "impactMovingHeadFullyFormed",
        10: "impactBand",
        11: "impactOther",
        12: "inkjetAqueous",
        13: "inkjetSolid",
        14: "inkjetOther",
        15: "pen",
        16: "thermalTransfer",
        17: "thermalSensitive",
        18: "thermalDiffusion",
        19: "thermalOther",
        20: "electroerosion",
        21: "electrostatic",
        22: "photographicMicrofiche",
        23: "photographicImagesetter",
        24: "photographicOther",
        25: "ionDeposition",
        26: "eBeam",
        27: "typesetter",
    }
)
ALERT_SEVERITY = _labels({1: "other", 3: "critical", 4: "warning", 5: "warningBinaryChangeEvent"})
ALERT_TRAINING = _labels(
    {
        1: "other",
        2: "unknown",
        3: "untrained",
        4: "trained",
        5: "fieldService",
        6: "management",
        7: "noInterventionRequired",
    }
)
ALERT_GROUP = _labels(
    {
        1: "other",
        2: "unknown",
        3: "hostResourcesMIBStorageTable",
        4: "hostResourcesMIBDeviceTable",
        5: "generalPrinter",
        6: "cover",
        7: "localization",
        8: "input",
        9: "output",
        10: "marker",
        11: "markerSupplies",
        12: "markerColorant",
        13: "mediaPath",
        14: "channel",
        15: "interpreter",
        16: "consoleDisplayBuffer",
        17: "consoleLights",
        18: "alert",
        30: "finDevice",
        31: "finSupply",
        32: "finSupplyMediaInput",
        33: "finAttribute",
    }
)
GENERAL_RESET = _labels({3: "notResetting", 4: "powerCycleReset", 5: "resetToNVRAM", 6: "resetToFactoryDefaults"})
COVER_STATUS = _labels(
    {1: "other", 2: "unknown", 3: "coverOpen", 4: "coverClosed", 5: "interlockOpen", 6: "interlockClosed"}
)
INPUT_TYPE = _labels(
    {
        1: "other",
        2: "unknown",
        3: "sheetFeedAutoRemovableTray",
        4: "sheetFeedAutoNonRemovableTray",
        5: "sheetFeedManual",
        6: "continuousRoll",
        7: "continuousFanFold",
        8: "sheetFeedPull",
    }
)
OUTPUT_TYPE = _labels(
    {
        1: "other",
        2: "unknown",
        3: "removableBin",
        4: "unRemovableBin",
        5: "continuousRollDevice",
        6: "mailBox",
        7: "continuousFanFold",
    }
)
CAPACITY_UNIT = _labels(
    {
        1: "other",
        2: "unknown",
        3: "tenThousandthsOfInches",
        4: "micrometers",
        8: "sheets",
        16: "feet",
        17: "meters",
        18: "items",
        19: "percent",
    }
)
MEDIA_UNIT = _labels({3: "tenThousandthsOfInches", 4: "micrometers"})
MEDIA_PATH_TYPE = _labels(
    {1: "other", 2: "unknown", 3: "longEdgeBindingDuplex", 4: "shortEdgeBindingDuplex", 5: "simplex"}
)
SPEED_UNIT = _labels(
    {
        3: "tenThousandthsOfInchesPerHour",
        4: "micrometersPerHour",
        5: "charactersPerHour",
        6: "linesPerHour",
        7: "impressionsPerHour",
        8: "sheetsPerHour",
        9: "dotRowPerHour",
        16: "feetPerHour",
        17: "metersPerHour",
    }
)
CONSOLE_COLOUR = _labels(
    {
        1: "other",
        2: "unknown",
        3: "white",
        4: "red",
        5: "green",
        6: "blue",
        7: "cyan",
        8: "magenta",
        9: "yellow",
        10: "orange",
    }
)
CONSOLE_DISABLE = _labels({3: "enabled", 4: "disabled"})
CHANNEL_STATE = _labels({1: "other", 3: "printDataAccepted", 4: "noDataAccepted"})
INTERPRETER_TWO_WAY = _labels({3: "yes", 4: "no"})
STACKING_ORDER = _labels({2: "unknown", 3: "firstToLast", 4: "lastToFirst"})
PAGE_DELIVERY = _labels({3: "faceUp", 4: "faceDown"})
PRINT_ORIENTATION = _labels({1: "other", 3: "portrait", 4: "landscape"})
ENUMS = MappingProxyType(
    {
        "PrtMarkerSuppliesTypeTC": SUPPLY_TYPE,
        "PrtMarkerSuppliesSupplyUnitTC": SUPPLY_UNIT,
        "PrtMarkerSuppliesClassTC": SUPPLY_CLASS,
        "PrtMarkerColorantRoleTC": COLORANT_ROLE,
        "PrtMarkerCounterUnitTC": COUNTER_UNIT,
        "PrtMarkerMarkTechTC": MARK_TECH,
        "PrtAlertSeverityLevelTC": ALERT_SEVERITY,
        "PrtAlertTrainingLevelTC": ALERT_TRAINING,
        "PrtAlertGroupTC": ALERT_GROUP,
        "PrtGeneralResetTC": GENERAL_RESET,
        "PrtCoverStatusTC": COVER_STATUS,
        "PrtInputTypeTC": INPUT_TYPE,
        "PrtOutputTypeTC": OUTPUT_TYPE,
        "PrtCapacityUnitTC": CAPACITY_UNIT,
        "PrtMediaUnitTC": MEDIA_UNIT,
        "PrtMediaPathTypeTC": MEDIA_PATH_TYPE,
        "PrtMediaPathMaxSpeedPrintUnitTC": SPEED_UNIT,
        "PrtConsoleColorTC": CONSOLE_COLOUR,
        "PrtConsoleDisableTC": CONSOLE_DISABLE,
        "PrtChannelStateTC": CHANNEL_STATE,
        "PrtInterpreterTwoWayTC": INTERPRETER_TWO_WAY,
        "PrtOutputStackingOrderTC": STACKING_ORDER,
        "PrtOutputPageDeliveryOrientationTC": PAGE_DELIVERY,
        "PrtPrintOrientationTC": PRINT_ORIENTATION,
        "PrtAlertCodeTC": ALERT_CODE,
        "hrDeviceStatus": DEVICE_STATUS,
        "hrPrinterStatus": PRINTER_STATUS,
        "IANAifType": INTERFACE_TYPE,
    }
)
