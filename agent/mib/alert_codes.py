"""PrtAlertCodeTC: the 95 codes of RFC 3805, and the 612 that IANA added for finishing devices.

IANA's codes are 3TTcc: ``TT`` the kind of finisher (02 stapler .. 18 inserter), ``cc`` the generic code 03 .. 38 of RFC
3805; the label puts the finisher's name where the generic label says ``subunit`` (IANA-PRINTER-MIB, 2016-08-17).
"""

from __future__ import annotations

from types import MappingProxyType

_GENERIC = {
    3: "coverOpen",
    4: "coverClosed",
    5: "interlockOpen",
    6: "interlockClosed",
    7: "configurationChange",
    8: "jam",
    9: "subunitMissing",
    10: "subunitLifeAlmostOver",
    11: "subunitLifeOver",
    12: "subunitAlmostEmpty",
    13: "subunitEmpty",
    14: "subunitAlmostFull",
    15: "subunitFull",
    16: "subunitNearLimit",
    17: "subunitAtLimit",
    18: "subunitOpened",
    19: "subunitClosed",
    20: "subunitTurnedOn",
    21: "subunitTurnedOff",
    22: "subunitOffline",
    23: "subunitPowerSaver",
    24: "subunitWarmingUp",
    25: "subunitAdded",
    26: "subunitRemoved",
    27: "subunitResourceAdded",
    28: "subunitResourceRemoved",
    29: "subunitRecoverableFailure",
    30: "subunitUnrecoverableFailure",
    31: "subunitRecoverableStorageError",
    32: "subunitUnrecoverableStorageError",
    33: "subunitMotorFailure",
    34: "subunitMemoryExhausted",
    35: "subunitUnderTemperature",
    36: "subunitOverTemperature",
    37: "subunitTimingFailure",
    38: "subunitThermistorFailure",
}

_PRINTER = {
    1: "other",
    2: "unknown",
    501: "doorOpen",
    502: "doorClosed",
    503: "powerUp",
    504: "powerDown",
    505: "printerNMSReset",
    506: "printerManualReset",
    507: "printerReadyToPrint",
    801: "inputMediaTrayMissing",
    802: "inputMediaSizeChange",
    803: "inputMediaWeightChange",
    804: "inputMediaTypeChange",
    805: "inputMediaColorChange",
    806: "inputMediaFormPartsChange",
    807: "inputMediaSupplyLow",
    808: "inputMediaSupplyEmpty",
    809: "inputMediaChangeRequest",
    810: "inputManualInputRequest",
    811: "inputTrayPositionFailure",
    812: "inputTrayElevationFailure",
    813: "inputCannotFeedSizeSelected",
    901: "outputMediaTrayMissing",
    902: "outputMediaTrayAlmostFull",
    903: "outputMediaTrayFull",
    904: "outputMailboxSelectFailure",
    1001: "markerFuserUnderTemperature",
    1002: "markerFuserOverTemperature",
    1003: "markerFuserTimingFailure",
    1004: "markerFuserThermistorFailure",
    1005: "markerAdjustingPrintQuality",
    1101: "markerTonerEmpty",
    1102: "markerInkEmpty",
    1103: "markerPrintRibbonEmpty",
    1104: "markerTonerAlmostEmpty",
    1105: "markerInkAlmostEmpty",
    1106: "markerPrintRibbonAlmostEmpty",
    1107: "markerWasteTonerReceptacleAlmostFull",
    1108: "markerWasteInkReceptacleAlmostFull",
    1109: "markerWasteTonerReceptacleFull",
    1110: "markerWasteInkReceptacleFull",
    1111: "markerOpcLifeAlmostOver",
    1112: "markerOpcLifeOver",
    1113: "markerDeveloperAlmostEmpty",
    1114: "markerDeveloperEmpty",
    1115: "markerTonerCartridgeMissing",
    1301: "mediaPathMediaTrayMissing",
    1302: "mediaPathMediaTrayAlmostFull",
    1303: "mediaPathMediaTrayFull",
    1304: "mediaPathCannotDuplexMediaSelected",
    1501: "interpreterMemoryIncrease",
    1502: "interpreterMemoryDecrease",
    1503: "interpreterCartridgeAdded",
    1504: "interpreterCartridgeDeleted",
    1505: "interpreterResourceAdded",
    1506: "interpreterResourceDeleted",
    1507: "interpreterResourceUnavailable",
    1509: "interpreterComplexPageEncountered",
    1801: "alertRemovalOfBinaryChangeEntry",
}

_FINISHERS = (
    "stapler",
    "stitcher",
    "folder",
    "binder",
    "trimmer",
    "dieCutter",
    "puncher",
    "perforater",
    "slitter",
    "separationCutter",
    "imprinter",
    "wrapper",
    "bander",
    "makeEnvelope",
    "stacker",
    "sheetRotator",
    "inserter",
)


def _finisher_label(finisher: str, generic: str) -> str:
    what = generic.removeprefix("subunit")
    return finisher + what[0].upper() + what[1:]


_FINISHING = {
    30000 + 100 * kind + code: _finisher_label(finisher, generic)
    for kind, finisher in enumerate(_FINISHERS, start=2)
    for code, generic in _GENERIC.items()
}

RFC_3805 = MappingProxyType({**_PRINTER, **_GENERIC})
"""The codes of RFC 3805 alone."""

ALERT_CODE = MappingProxyType({**RFC_3805, **_FINISHING})
"""All codes: number -> label."""
