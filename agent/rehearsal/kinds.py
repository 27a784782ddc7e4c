"""The invented kinds of printer: what each is made of, how it reports it, and how its owner uses it.

Makers and models are invented. sysObjectID lies under 1.3.6.1.4.1.32473, the enterprise number that RFC 5612 sets aside
for documentation. Yields, jam rates and rhythms are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import cycle, islice

from agent.model.wire import Community, UsmUser

ENTERPRISE = "1.3.6.1.4.1.32473"
CONSUMED, FILLED = 3, 4
OTHER, TONER, WASTE_TONER, INK_CARTRIDGE, WASTE_INK, OPC, DEVELOPER, FUSER, TRANSFER, STAPLES = (
    1, 3, 4, 6, 8, 9, 10, 15, 20, 32,
)  # fmt: skip
SUPPLY_NAMES = {
    OTHER: "other", TONER: "toner", WASTE_TONER: "wasteToner", INK_CARTRIDGE: "inkCartridge", WASTE_INK: "wasteInk",
    OPC: "opc", DEVELOPER: "developer", FUSER: "fuser", TRANSFER: "transferUnit", STAPLES: "staples",
}  # fmt: skip
IMPRESSIONS, SHEETS, TENTHS_OF_GRAMS, TENTHS_OF_MILLILITRES, ITEMS, PERCENT = 7, 8, 13, 15, 18, 19
ASCII, LATIN_1, SHIFT_JIS, UTF_8, ROMAN_8 = 3, 4, 17, 106, 2004
"""IANA MIBenum numbers of character sets, as prtLocalizationCharacterSet gives them."""
CODECS = {ASCII: "ascii", LATIN_1: "latin-1", SHIFT_JIS: "shift_jis", UTF_8: "utf-8", ROMAN_8: "hp_roman8"}


@dataclass(frozen=True, slots=True)
class Part:
    """One supply position. ``lasts``: impressions of 5 % coverage (toner, ink, waste) or impressions at all.

    ``wears``: ``ink`` (coverage counts), ``pages`` (every impression counts), ``waste`` (fills with all toner used).
    ``capacity`` in ``unit`` (the printer's words; -2 unknown). ``step``: the printer shows whole steps of so many per
    cent. ``shows``: ``level``; ``some`` (-3 until it is empty); ``fill`` (a bin that reports how full it is, against
    the standard).
    """

    kind: int
    description: str
    lasts: float
    capacity: int
    unit: int = IMPRESSIONS
    colour: str | None = None
    wears: str = "pages"
    step: int = 1
    shows: str = "level"
    supply_class: int = CONSUMED

    @property
    def key(self) -> str:
        """The key that the supply has in a Reading: kind, and colorant where it has one."""
        return SUPPLY_NAMES[self.kind] + (f":{self.colour}" if self.colour else "")


@dataclass(frozen=True, slots=True)
class TrayKind:
    """One input tray: sheets it holds (-2 unknown), its name, the paper in it."""

    name: str
    holds: int = 500
    media: str = "iso_a4_210x297mm"
    manual: bool = False


@dataclass(frozen=True, slots=True)
class Kind:
    """A model of printer and the habits of the place it stands in. ``pages_a_day``: a full weekday's impressions."""

    name: str
    maker: str
    model: str
    number: int
    pages_per_minute: int
    pages_a_day: float
    parts: tuple[Part, ...]
    trays: tuple[TrayKind, ...] = (TrayKind("Tray 1"), TrayKind("Manual feed", -2, manual=True))
    colours: tuple[str, ...] = ("black",)
    mark_tech: int = 4
    credentials: Community | UsmUser = field(default=Community(), repr=False)
    charset: int = UTF_8
    language: str = "en"
    ready: str = "Ready"
    coverage: float = 5.0
    colour_share: float = 0.0
    two_sided: float = 0.3
    pages_a_jam: float = 9_000
    pages_a_calibration: float = 0.0
    counters: bool = False
    often_off: bool = False
    has_serial: bool = True
    oldest_tables: bool = False
    largest: int = 1_472
    devices: int = 1
    family: str = ""

    @property
    def object_id(self) -> str:
        """What sysObjectID says."""
        return f"{ENTERPRISE}.{self.family or f'1.{self.number}'}"

    @property
    def title(self) -> str:
        """Maker and model."""
        return f"{self.maker} {self.model}"


CMYK = ("black", "cyan", "magenta", "yellow")


def _toners(lasts: dict[str, float], capacity: int, unit: int, step: int, word: str = "Toner") -> tuple[Part, ...]:
    return tuple(
        Part(TONER, f"{colour.title()} {word}", pages, capacity, unit, colour, "ink", step)
        for colour, pages in lasts.items()
    )


def _waste(lasts: float, capacity: int, unit: int, **more: str | int) -> Part:
    return Part(
        WASTE_TONER, "Waste Toner Container", lasts, capacity, unit, None, "waste", int(more.get("step", 1)),
        str(more.get("shows", "level")), FILLED,
    )  # fmt: skip


def _colour(black: float, others: float) -> dict[str, float]:
    return {colour: black if colour == "black" else others for colour in CMYK}


# Pass phrases of invented printers on loopback: they guard nothing.
SECURE_256 = UsmUser("rounds", "SHA-256", "harrow-lane-auth", "AES-128", "harrow-lane-priv")
SECURE_1 = UsmUser("rounds-old", "SHA-1", "harrow-lane-auth-1", "AES-128", "harrow-lane-priv-1")

DESK = Kind(
    "mono desktop", "Tallgrass", "M40", 1, 38, 90,
    (
        Part(TONER, "Black Toner Cartridge", 2_600, 2_600, IMPRESSIONS, "black", "ink", 1),
        Part(OPC, "Drum Unit", 12_000, 12_000, IMPRESSIONS, "black", "pages", 1),
    ),
    trays=(TrayKind("Tray 1", 250), TrayKind("Manual feed", -2, manual=True)),
)  # fmt: skip
FLOOR = Kind(
    "colour floor unit", "Quillon", "C720", 2, 50, 850,
    (
        *_toners(_colour(28_000, 21_000), 5_200, TENTHS_OF_GRAMS, 1),
        *(Part(OPC, f"{c.title()} Drum", 90_000, 90_000, IMPRESSIONS, c, "pages", 1) for c in CMYK),
        _waste(48_000, 9_000, TENTHS_OF_GRAMS, step=5),
        Part(TRANSFER, "Transfer Belt Unit", 220_000, 220_000),
        Part(FUSER, "Fuser Unit", 240_000, 240_000),
    ),
    trays=(
        TrayKind("Tray 1"), TrayKind("Tray 2"), TrayKind("Tray 3", 1_000, "iso_a3_297x420mm"),
        TrayKind("Bypass", -2, manual=True),
    ),
    colours=CMYK, mark_tech=3, colour_share=0.42, two_sided=0.6, pages_a_calibration=1_900, counters=True,
)  # fmt: skip
BIG = Kind(
    "big mono", "Bruma", "P9000", 3, 110, 2_600,
    (
        Part(TONER, "Black Toner Bottle", 71_000, 71_000, IMPRESSIONS, "black", "ink", 5),
        Part(DEVELOPER, "Developer", 600_000, 600_000),
        Part(OPC, "Photoconductor", 400_000, 400_000, IMPRESSIONS, "black"),
        Part(FUSER, "Fuser Assembly", 500_000, 500_000),
        Part(OTHER, "Maintenance Kit", 300_000, 300_000),
        _waste(160_000, 100, PERCENT, step=10),
        Part(STAPLES, "Staples", 60_000, 15_000, ITEMS, None, "pages", 25),
    ),
    trays=(TrayKind("Tray 1", 1_000), TrayKind("Tray 2", 1_500), TrayKind("Large capacity unit", 4_000)),
    counters=True, two_sided=0.75, pages_a_jam=14_000,
)  # fmt: skip
INK = Kind(
    "ink device", "Merle & Voss", "J15", 4, 24, 60,
    (
        *(
            Part(INK_CARTRIDGE, f"{c.title()} Ink", 3_000 if c == "black" else 1_600, 620 if c == "black" else 190,
                 TENTHS_OF_MILLILITRES, c, "ink", 10)
            for c in CMYK
        ),
        Part(WASTE_INK, "Ink Maintenance Box", 30_000, 100, PERCENT, None, "waste", 10, "level", FILLED),
    ),
    trays=(TrayKind("Cassette", 250), TrayKind("Rear feed", 80)),
    colours=CMYK, mark_tech=12, colour_share=0.6, coverage=6.5, pages_a_calibration=900,
)  # fmt: skip
SOME = Kind(
    "says only some", "Bruma", "B12", 5, 22, 55,
    (
        Part(TONER, "Toner", 1_500, -2, 2, "black", "ink", 1, "some"),
        Part(OPC, "Imaging Drum", 10_000, -2, 2, "black", "pages", 1, "some"),
    ),
    charset=ASCII,
)  # fmt: skip
IN_PERCENT = Kind(
    "says percent", "Quillon", "Q55", 6, 55, 380,
    (
        Part(TONER, "Toner Black", 18_000, 100, PERCENT, "black", "ink", 1),
        Part(OPC, "Drum Black", 60_000, 100, PERCENT, "black", "pages", 1),
        Part(FUSER, "Fixing Unit", 150_000, -2, PERCENT, None, "pages", 5),
        _waste(70_000, -2, PERCENT, step=10),
    ),
    trays=(TrayKind("Tray 1"), TrayKind("Tray 2")), charset=LATIN_1, language="fr", ready="Prête - éco",
)  # fmt: skip
OLD = Kind(
    "SNMPv1 only", "Tallgrass", "M8", 7, 16, 45,
    (Part(TONER, "Toner Cartridge", 6_000, 100, PERCENT, "black", "ink", 25),),
    trays=(TrayKind("Upper tray", 250),), credentials=Community("1", "harrow-old"), charset=ASCII, has_serial=False,
    oldest_tables=True, largest=484, two_sided=0.0, pages_a_jam=3_500,
)  # fmt: skip
SECURE = Kind(
    "v3 authPriv only", "Merle & Voss", "S300", 8, 42, 420,
    (
        *_toners(_colour(12_000, 9_000), 12_000, IMPRESSIONS, 1, "Toner Cartridge"),
        Part(OPC, "Imaging Unit", 60_000, 60_000),
        _waste(26_000, 26_000, IMPRESSIONS),
        Part(OTHER, "Maintenance Kit", 150_000, 150_000),
    ),
    trays=(TrayKind("Tray 1"), TrayKind("Tray 2")), colours=CMYK, colour_share=0.3, credentials=SECURE_256,
    pages_a_calibration=1_200, counters=True,
)  # fmt: skip
SECURE_OLD = Kind(
    "v3 with SHA-1", "Merle & Voss", "S210", 9, 33, 160,
    (
        Part(TONER, "Black Toner", 6_000, 6_000, IMPRESSIONS, "black", "ink", 10),
        Part(OPC, "Drum", 30_000, 30_000, IMPRESSIONS, "black"),
    ),
    credentials=SECURE_1,
)  # fmt: skip
OFTEN_OFF = Kind(
    "often offline", "Tallgrass", "M42", 10, 40, 70,
    (
        Part(TONER, "Black Toner Cartridge", 3_500, 3_500, IMPRESSIONS, "black", "ink", 5),
        Part(OPC, "Drum Unit", 18_000, 18_000, IMPRESSIONS, "black", "pages", 5),
    ),
    often_off=True,
)  # fmt: skip
ODD_WASTE = Kind(
    "odd waste bin", "Bruma", "C41", 11, 41, 350,
    (
        *_toners(_colour(9_000, 7_500), 100, PERCENT, 1),
        Part(OPC, "Drum Set", 50_000, 100, PERCENT),
        _waste(20_000, 100, PERCENT, step=5, shows="fill"),
        Part(TRANSFER, "Transfer Roller", 120_000, 100, PERCENT),
    ),
    trays=(TrayKind("Tray 1"), TrayKind("Tray 2")), colours=CMYK, colour_share=0.35, pages_a_calibration=1_500,
    family="10.1",  # known for reporting its waste as fill
)  # fmt: skip
SERVER = Kind(
    "two at one address", "Quillon", "Duo 2", 12, 30, 120,
    (
        Part(TONER, "Toner", 5_000, 5_000, IMPRESSIONS, "black", "ink", 1),
        Part(OPC, "Drum", 20_000, 20_000, IMPRESSIONS, "black"),
    ),
    devices=2,
)  # fmt: skip
KANA = Kind(
    "Shift-JIS console", "Merle & Voss", "K62", 13, 45, 300,
    (
        Part(TONER, "トナー", 16_000, 16_000, IMPRESSIONS, "black", "ink", 5),
        Part(OPC, "ドラム", 80_000, 80_000, IMPRESSIONS, "black", "pages", 5),
        _waste(60_000, 100, PERCENT, step=25),
    ),
    charset=SHIFT_JIS, language="ja", ready="印刷できます",
)  # fmt: skip
ROMAN = Kind(
    "Roman-8 console", "Tallgrass", "R21", 14, 28, 110,
    (
        Part(TONER, "Tonerkassette schwarz", 4_000, 4_000, IMPRESSIONS, "black", "ink", 10),
        Part(FUSER, "Fixiereinheit für A4", 75_000, 75_000, IMPRESSIONS, None, "pages", 10),
    ),
    charset=ROMAN_8, language="de", ready="Bereit für Aufträge",
)  # fmt: skip

KINDS = (
    DESK, FLOOR, BIG, INK, SOME, IN_PERCENT, OLD, SECURE, OFTEN_OFF, ODD_WASTE, SERVER, KANA, ROMAN, SECURE_OLD,
)  # fmt: skip
_MORE = (FLOOR, DESK, DESK, IN_PERCENT, FLOOR, DESK, SECURE, ODD_WASTE)


def assemble(size: int) -> tuple[Kind, ...]:
    """The kinds of a fleet of ``size`` printers: one of each, then the usual ones. A server takes two places."""
    made: list[Kind] = []
    for kind in (*KINDS, *islice(cycle(_MORE), max(0, size))):
        if len(made) + kind.devices <= size:
            made.extend([kind] * kind.devices)
        if len(made) >= size:
            break
    return tuple(made)
