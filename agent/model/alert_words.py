"""Alert codes (RFC 3805, PrtAlertCodeTC; IANA-PRINTER-MIB for finishers) in plain words, and what to look at first.

What a code means is the standard's. What to look at first is common practice, no source; the maker's manual prevails.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from agent.model.reading import Alert
from agent.model.wording import clean, spaced

FINISHERS = 30000
"""From this number on, alert codes are those that IANA added for finishers."""

TRAINING = {
    "untrained": "anyone can do this",
    "trained": "someone who knows this printer",
    "fieldService": "qualified service",
    "management": "whoever administers the printer",
    "noInterventionRequired": "nobody needs to do anything",
}
"""PrtAlertTrainingLevelTC: who may do it, as the printer says."""

ERRORS = {
    "lowPaper": "paper is low",
    "noPaper": "out of paper",
    "lowToner": "toner is low",
    "noToner": "out of toner",
    "doorOpen": "a door is open",
    "jammed": "paper is jammed",
    "offline": "off line",
    "serviceRequested": "asks for service",
    "inputTrayMissing": "a paper tray is missing",
    "outputTrayMissing": "an output bin is missing",
    "markerSupplyMissing": "a supply is missing",
    "outputNearFull": "an output bin is nearly full",
    "outputFull": "an output bin is full",
    "inputTrayEmpty": "a paper tray is empty",
    "overduePreventMaint": "maintenance is overdue",
}
"""The bits of hrPrinterDetectedErrorState (RFC 2790 section 4) in words."""

SEVERITY = {
    "critical": "critical: it does not print until this is over",
    "warning": "warning",
    "warningBinaryChangeEvent": "warning",
}

_UNIT = {
    "coverOpen": ("A cover of {it} is open.", "Close it until it clicks."),
    "coverClosed": ("A cover of {it} was closed.", ""),
    "interlockOpen": ("A safety switch of {it} is open.", "Close every cover and door; never defeat the switch."),
    "interlockClosed": ("A safety switch of {it} was closed.", ""),
    "configurationChange": ("Something about {it} was changed.", "If nobody meant to, ask who did."),
    "jam": ("Something is jammed in {it}.", "Open it as its label shows and pull the sheet out along its path, whole."),
    "subunitMissing": ("{It} is not there.", "Put it in, and push until it clicks."),
    "subunitLifeAlmostOver": ("{It} has nearly reached its life.", "Have its successor at hand."),
    "subunitLifeOver": ("{It} has reached its life.", "Plan its exchange; prints may get worse from here on."),
    "subunitAlmostEmpty": ("{It} is nearly empty.", "Have the next one at hand."),
    "subunitEmpty": ("{It} is empty.", "Fill it up or exchange it."),
    "subunitAlmostFull": ("{It} is nearly full.", "Empty it soon, or have a new one at hand."),
    "subunitFull": ("{It} is full.", "Empty it or exchange it."),
    "subunitNearLimit": ("{It} is near a limit.", "Look at what the printer's display says of it."),
    "subunitAtLimit": ("{It} is at a limit.", "Look at what the printer's display says of it."),
    "subunitOpened": ("{It} was opened.", "Close it when the work is done."),
    "subunitClosed": ("{It} was closed.", ""),
    "subunitTurnedOn": ("{It} was turned on.", ""),
    "subunitTurnedOff": ("{It} was turned off.", "Turn it on if it is wanted."),
    "subunitOffline": ("{It} is off line.", "Put it on line at the display if it is wanted."),
    "subunitPowerSaver": ("{It} saves power.", ""),
    "subunitWarmingUp": ("{It} warms up.", "Wait a few minutes."),
    "subunitAdded": ("{It} was added.", ""),
    "subunitRemoved": ("{It} was taken away.", "If that was not meant, put it back."),
    "subunitResourceAdded": ("Something was added to {it}.", ""),
    "subunitResourceRemoved": ("Something was taken from {it}.", "If that was not meant, put it back."),
    "subunitRecoverableFailure": (
        "{It} failed, and can go on.",
        "Switch off and on once; if it comes back, tell service.",
    ),
    "subunitUnrecoverableFailure": ("{It} failed and cannot go on.", "Tell service; a restart seldom helps."),
    "subunitRecoverableStorageError": ("The storage of {it} failed, and can go on.", "Switch off and on once."),
    "subunitUnrecoverableStorageError": ("The storage of {it} failed for good.", "Tell service."),
    "subunitMotorFailure": ("A motor of {it} failed.", "Look for paper that blocks it; else tell service."),
    "subunitMemoryExhausted": ("The memory of {it} is used up.", "Send the job in smaller parts, or simpler pages."),
    "subunitUnderTemperature": ("{It} is too cold.", "Let it warm up; if it stays so, tell service."),
    "subunitOverTemperature": ("{It} is too hot.", "Keep its vents free and let it cool down; then tell service."),
    "subunitTimingFailure": ("{It} did not come in time.", "Switch off and on once; if it comes back, tell service."),
    "subunitThermistorFailure": ("The temperature sensor of {it} failed.", "Tell service; do not go on heating."),
}

_CODES = {
    "doorOpen": ("A door is open.", "Close it until it clicks."),
    "doorClosed": ("A door was closed.", ""),
    "powerUp": ("It was switched on.", ""),
    "powerDown": ("It is being switched off.", ""),
    "printerNMSReset": ("It was restarted over the network.", ""),
    "printerManualReset": ("Somebody restarted it.", ""),
    "printerReadyToPrint": ("It is ready to print.", ""),
    "inputMediaTrayMissing": ("A paper tray is missing.", "Push the tray in as far as it goes."),
    "inputMediaSizeChange": ("The paper size of a tray changed.", "Check its guides, and the display."),
    "inputMediaWeightChange": ("The paper weight of a tray changed.", "Check what the display says is in it."),
    "inputMediaTypeChange": ("The kind of paper of a tray changed.", "Check what the display says is in it."),
    "inputMediaColorChange": ("The colour of paper of a tray changed.", "Check what the display says is in it."),
    "inputMediaFormPartsChange": ("The parts of the forms in a tray changed.", "Check what the display says is in it."),
    "inputMediaSupplyLow": ("Paper is low in a tray.", "Bring paper; fan it and keep below the mark."),
    "inputMediaSupplyEmpty": ("A tray is out of paper.", "Fill it; fan the paper and keep below the mark."),
    "inputMediaChangeRequest": ("It asks for other paper.", "Put in what the display asks for."),
    "inputManualInputRequest": ("It waits for paper to be put in by hand.", "Put in what the display asks for."),
    "inputTrayPositionFailure": ("A tray is not in its place.", "Pull it out and push it in again."),
    "inputTrayElevationFailure": ("A tray cannot lift its paper.", "Take some paper out, push the tray in again."),
    "inputCannotFeedSizeSelected": ("It cannot feed the size that was chosen.", "Choose another tray or size."),
    "outputMediaTrayMissing": ("An output bin is missing.", "Put it back."),
    "outputMediaTrayAlmostFull": ("An output bin is nearly full.", "Take the prints out."),
    "outputMediaTrayFull": ("An output bin is full.", "Take the prints out."),
    "outputMailboxSelectFailure": ("It cannot reach an output bin.", "Look for paper in its way."),
    "markerFuserUnderTemperature": ("The fuser is too cold; print would smear.", "Let it warm up, or tell service."),
    "markerFuserOverTemperature": ("The fuser is too hot.", "Switch off, let it cool down, tell service. It burns."),
    "markerFuserTimingFailure": ("The fuser did not warm up in time.", "Switch off and on once; then tell service."),
    "markerFuserThermistorFailure": ("The fuser's temperature sensor failed.", "Switch off and tell service."),
    "markerAdjustingPrintQuality": ("It adjusts its print quality.", "Wait a few minutes."),
    "markerTonerEmpty": ("Toner is used up.", "Exchange the cartridge that the display names."),
    "markerInkEmpty": ("Ink is used up.", "Exchange the cartridge that the display names."),
    "markerPrintRibbonEmpty": ("The ribbon is used up.", "Exchange the ribbon."),
    "markerTonerAlmostEmpty": ("Toner is nearly used up.", "Have the next cartridge at hand; do not swap it yet."),
    "markerInkAlmostEmpty": ("Ink is nearly used up.", "Have the next cartridge at hand; do not swap it yet."),
    "markerPrintRibbonAlmostEmpty": ("The ribbon is nearly used up.", "Have the next one at hand."),
    "markerWasteTonerReceptacleAlmostFull": ("The waste toner box is nearly full.", "Have an empty one at hand."),
    "markerWasteInkReceptacleAlmostFull": ("The waste ink box is nearly full.", "Have an empty one at hand."),
    "markerWasteTonerReceptacleFull": ("The waste toner box is full.", "Exchange it, level, with its caps closed."),
    "markerWasteInkReceptacleFull": ("The waste ink box is full.", "Exchange it, level."),
    "markerOpcLifeAlmostOver": ("The drum has nearly reached its life.", "Have its successor at hand, in the dark."),
    "markerOpcLifeOver": ("The drum has reached its life.", "Plan its exchange; keep the new one from light."),
    "markerDeveloperAlmostEmpty": ("Developer is nearly used up.", "Have the next one at hand."),
    "markerDeveloperEmpty": ("Developer is used up.", "Exchange it."),
    "markerTonerCartridgeMissing": ("A toner cartridge is missing.", "Put it in; push until it clicks."),
    "mediaPathMediaTrayMissing": ("A tray of the paper path is missing.", "Put it back."),
    "mediaPathMediaTrayAlmostFull": ("A tray of the paper path is nearly full.", "Take the paper out."),
    "mediaPathMediaTrayFull": ("A tray of the paper path is full.", "Take the paper out."),
    "mediaPathCannotDuplexMediaSelected": ("It cannot print both sides of this.", "Use other paper, or one side."),
    "interpreterMemoryIncrease": ("It has more memory than before.", ""),
    "interpreterMemoryDecrease": ("It has less memory than before.", "Check whether a module came loose."),
    "interpreterCartridgeAdded": ("A font cartridge was put in.", ""),
    "interpreterCartridgeDeleted": ("A font cartridge was taken out.", "If that was not meant, put it back."),
    "interpreterResourceAdded": ("A font or form was loaded.", ""),
    "interpreterResourceDeleted": ("A font or form was taken away.", "Load it again if jobs want it."),
    "alertRemovalOfBinaryChangeEntry": ("An earlier note of a change was taken back.", ""),
    "interpreterResourceUnavailable": ("A font or form is not there.", "Send the job with all it needs."),
    "interpreterComplexPageEncountered": ("A page was too complex to be drawn.", "Print it simpler, or less fine."),
}  # fmt: skip

_GENERIC = sorted((name.removeprefix("subunit"), name) for name in _UNIT)
_GENERIC.sort(key=lambda one: -len(one[0]))

_GROUPS = {
    "input": "input tray",
    "output": "output bin",
    "marker": "print unit",
    "markerSupplies": "supply",
    "mediaPath": "paper path",
    "generalPrinter": "printer",
    "hostResourcesMIBStorageTable": "storage",
    "hostResourcesMIBDeviceTable": "device",
    "interpreter": "page interpreter",
    "consoleDisplayBuffer": "display",
    "consoleLights": "lights",
    "finDevice": "finisher",
    "finSupply": "finisher's supply",
    "finSupplyMediaInput": "finisher's input",
    "finAttribute": "finisher",
}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What an alert means, what to look at first ("" for nothing), and who may do it, as the printer says."""

    means: str
    first: str
    who: str


def about(alert: Alert) -> str:
    """What the alert is about: ``input tray 2``."""
    name = _GROUPS.get(alert.group, spaced(alert.group))
    return f"{name} {alert.group_index}" if alert.group_index > 0 and alert.group != "generalPrinter" else name


def meaning(alert: Alert, it: str = "") -> Meaning:
    """An alert in plain words; for a code that no standard lists, what the printer itself says of it.

    ``it``: what the alert is about, where that is known better than by a number.
    """
    who = TRAINING.get(alert.training, "the printer does not say")
    found = _CODES.get(alert.code)
    if found is not None:
        return Meaning(*found, who)
    it = it or about(alert)
    name = alert.code if alert.code in _UNIT else ""
    if not name and alert.code_number >= FINISHERS:
        end, name = next(((end, name) for end, name in _GENERIC if alert.code.lower().endswith(end.lower())), ("", ""))
        it = spaced(alert.code[: len(alert.code) - len(end)]) or it
    if not name:
        plain = re.sub(r"^(other|unknown)$", "", alert.code)
        said = f"It says: {spaced(plain)}." if plain else "It says no more than its own words."
        return Meaning(said, "Look at what the printer's display says.", who)
    means, first = _UNIT[name]
    the = it if it[-1:].isdigit() else f"the {it}"
    return Meaning(means.format(it=the, It=the[:1].upper() + the[1:]), first, who)


def said_by(code: str) -> str:
    """An alert code or an error bit in the middle of a sentence: ``maintenance is overdue``."""
    if code in ERRORS:
        return ERRORS[code]
    if code in _CODES:
        means = _CODES[code][0]
    elif code in _UNIT:
        means = _UNIT[code][0].format(it="a part", It="a part")
    else:
        return spaced(clean(code, 80))
    return means[:1].lower() + means[1:].rstrip(".")
