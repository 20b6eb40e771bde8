"""The closed table of the trade's units.

Every factor is a ratio of two whole numbers, so a conversion is exact until its one final division. Factors
follow the SI Brochure (9th edition) and, for inch, foot, pound-force and degree Fahrenheit, NIST Special
Publication 811, appendix B. A unit that is not in this table does not exist for this package: nothing is
guessed from prefixes.

A temperature and a difference of temperatures are two dimensions: 36 °F is 2.2 °C on a thermometer and 20 K
of rise.
"""

from typing import NamedTuple


class Unit(NamedTuple):
    """One unit: `name` is the canonical text, `value_in_base = (value + offset) * num / den`.

    `ascii` is the name where only ASCII can be shown. `spellings` are the other texts people type; a `·` in
    one of them may be typed as a space, hyphen, dot, star or nothing.
    """

    name: str
    dimension: str
    num: int
    den: int
    offset: int
    ascii: str
    spellings: tuple[str, ...]


class Dimension:  # plain: a named tuple costs 0.15 ms at import
    """What may be typed for one physical quantity.

    `example` is a number and unit for hints. `prefixes` maps a bare prefix after a number (`300k`) to a unit
    name. `asks` maps a text that has more than one reading to its unit names. `infix` maps the letter of the
    code that writes it in place of the decimal point (IEC 60062: `4k7`) to unit names.
    """

    def __init__(
        self,
        name: str,
        example: str,
        prefixes: dict[str, str] | None = None,
        asks: dict[str, tuple[str, ...]] | None = None,
        infix: dict[str, tuple[str, ...]] | None = None,
        negative: bool = True,
        bounds: bool = False,
        ladder: str = "",
    ) -> None:
        self.name, self.example = name, example
        self.prefixes, self.asks, self.infix = prefixes or {}, asks or {}, infix or {}
        self.negative, self.bounds, self.ladder = negative, bounds, tuple(ladder.split())


_LBF = 45359237 * 980665  # one pound-force in N is this over 10**13 (NIST SP 811, exact)


def _unit(
    name: str, dimension: str, num: int, den: int, spellings: str = "", plain: str = "", offset: int = 0
) -> Unit:
    return Unit(name, dimension, num, den, offset, plain or name, tuple(spellings.split()))


_TABLE = (
    # spellings are separated by spaces
    _unit("V", "voltage", 1, 1, "volt volts VAC VDC V·AC V·DC V·rms Vrms volts·AC volts·DC V~ Vac Vdc"),
    _unit("mV", "voltage", 1, 10**3, "millivolt millivolts mVAC mVDC mV·AC mV·DC mVac mVdc"),
    _unit("µV", "voltage", 1, 10**6, "microvolt microvolts uV", "uV"),
    _unit("kV", "voltage", 10**3, 1, "kilovolt kilovolts KV"),
    _unit(
        "A", "current", 1, 1, "amp amps ampere amperes A·AC A·DC A·rms Arms Aac Adc AAC ADC amps·AC amps·DC"
    ),
    _unit("mA", "current", 1, 10**3, "milliamp milliamps milliampere milliamperes mA·AC mA·DC mAac mAdc"),
    _unit("µA", "current", 1, 10**6, "microamp microamps uA", "uA"),
    _unit("kA", "current", 10**3, 1, "kiloamp kiloamps"),
    _unit("ohm", "resistance", 1, 1, "ohms Ω Ohm R"),
    _unit("mohm", "resistance", 1, 10**3, "mΩ milliohm milliohms", "milliohm"),
    _unit("kohm", "resistance", 10**3, 1, "kΩ KΩ kilohm kilohms kiloohm kiloohms kohms kOhm Kohm"),
    _unit(
        "Mohm",
        "resistance",
        10**6,
        1,
        "MΩ megohm megohms megaohm megaohms Mohms MOhm MOhms MOHM MOHMS meg megs Meg",
    ),
    _unit("Gohm", "resistance", 10**9, 1, "GΩ gigohm gigohms gigaohm gigaohms Gohms GOhm gohm"),
    _unit(
        "°C",
        "temperature",
        1,
        1,
        "C deg·C celsius °·C degree·C degrees·C degrees·celsius deg·celsius",
        "degC",
    ),
    _unit(
        "°F",
        "temperature",
        5,
        9,
        "F deg·F fahrenheit °·F degree·F degrees·F degrees·fahrenheit deg·fahrenheit",
        "degF",
        offset=-32,
    ),
    _unit(
        "K",
        "temperature difference",
        1,
        1,
        "kelvin kelvins °C C deg·C celsius °·C degree·C degrees·C degrees·celsius",
    ),
    _unit(
        "°F rise",
        "temperature difference",
        5,
        9,
        "°F F deg·F fahrenheit °·F degree·F degrees·F degrees·fahrenheit",
        "degF rise",
    ),
    _unit("%", "percentage", 1, 1, "percent pct per·cent"),
    _unit("s", "time", 1, 1, "sec secs second seconds"),
    _unit("ms", "time", 1, 10**3, "msec msecs millisecond milliseconds"),
    _unit("µs", "time", 1, 10**6, "us usec microsecond microseconds", "us"),
    _unit("ns", "time", 1, 10**9, "nsec nanosecond nanoseconds"),
    _unit("min", "time", 60, 1, "mins minute minutes"),
    _unit("h", "time", 3600, 1, "hr hrs hour hours"),
    _unit("d", "time", 86400, 1, "day days"),
    _unit("m", "length", 1, 1, "metre metres meter meters mtr mtrs"),
    _unit("cm", "length", 1, 100, "centimetre centimetres centimeter centimeters"),
    _unit("mm", "length", 1, 1000, "millimetre millimetres millimeter millimeters"),
    _unit("km", "length", 1000, 1, "kilometre kilometres kilometer kilometers"),
    _unit("ft", "length", 3048, 10000, "foot feet '"),
    _unit("in", "length", 254, 10000, "inch inches \" ''"),
    _unit("yd", "length", 9144, 10000, "yard yards yds"),
    _unit("N·m", "torque", 1, 1, "newton·metre newton·metres newton·meter newton·meters", "N-m"),
    _unit("cN·m", "torque", 1, 100, "N·cm", "cN-m"),
    _unit("mN·m", "torque", 1, 1000, "", "mN-m"),
    _unit(
        "lbf·in",
        "torque",
        _LBF * 254,
        10**17,
        "lb·in lbs·in in·lb in·lbs in·lbf lb·inch lb·inches inch·lb inch·lbs inch·pound inch·pounds "
        "pound·inch pound·inches pounds·inch pounds·inches",
        "lb-in",
    ),
    _unit(
        "lbf·ft",
        "torque",
        _LBF * 3048,
        10**17,
        "lb·ft lbs·ft ft·lb ft·lbs ft·lbf foot·lb foot·lbs foot·pound foot·pounds "
        "pound·foot pound·feet pounds·feet pounds·foot lb·feet",
        "lb-ft",
    ),
    _unit("bit/s", "bit rate", 1, 1, "bits/s bps baud bauds Bd bits·per·second bit·per·second"),
    _unit("kbit/s", "bit rate", 10**3, 1, "kbits/s kbps Kbps kbaud kBd kb/s"),
    _unit("Mbit/s", "bit rate", 10**6, 1, "Mbits/s Mbps Mbaud MBd Mb/s"),
    _unit("Gbit/s", "bit rate", 10**9, 1, "Gbits/s Gbps Gb/s"),
    _unit("dBm", "power level", 1, 1, ""),
    _unit("F", "capacitance", 1, 1, "farad farads"),
    _unit("µF", "capacitance", 1, 10**6, "uF microfarad microfarads mfd MFD", "uF"),
    _unit("nF", "capacitance", 1, 10**9, "nanofarad nanofarads"),
    _unit("pF", "capacitance", 1, 10**12, "picofarad picofarads"),
    _unit("Hz", "frequency", 1, 1, "hertz"),
    _unit("kHz", "frequency", 10**3, 1, "kilohertz"),
    _unit("MHz", "frequency", 10**6, 1, "megahertz"),
    _unit("GHz", "frequency", 10**9, 1, "gigahertz"),
    _unit("W", "power", 1, 1, "watt watts"),
    _unit("kW", "power", 10**3, 1, "kilowatt kilowatts"),
    _unit("VA", "apparent power", 1, 1, ""),
    _unit("kVA", "apparent power", 10**3, 1, ""),
    _unit("Wh", "energy", 1, 1, "watt·hour watt·hours"),
    _unit("kWh", "energy", 10**3, 1, "kilowatt·hour kilowatt·hours"),
    _unit("1", "plain number", 1, 1, ""),
    # Known so that they are refused by name; nothing asks for them.
    _unit("B/s", "byte rate", 1, 1, "Bps bytes/s"),
    _unit("kB/s", "byte rate", 10**3, 1, "kBps KBps KB/s"),
    _unit("MB/s", "byte rate", 10**6, 1, "MBps"),
    _unit("dB", "level ratio", 1, 1, ""),
    _unit("lb", "weight", 1, 1, "lbs pound pounds"),
    _unit("kg", "weight", 1, 1, ""),
)


_MILLI_OR_MEGA = ("mohm", "Mohm")
_DEGREES: dict[str, tuple[str, ...]] = dict.fromkeys(("°", "deg", "degs", "degree", "degrees"), ("°C", "°F"))
_RISE: dict[str, tuple[str, ...]] = dict.fromkeys(("°", "deg", "degs", "degree", "degrees"), ("K", "°F rise"))

DIMENSIONS: dict[str, Dimension] = {
    d.name: d
    for d in (
        Dimension(
            "voltage",
            "208.4 V",
            {"m": "mV", "k": "kV", "µ": "µV", "u": "µV"},
            infix={"V": ("V",)},
            ladder="µV mV V kV",
        ),
        Dimension("current", "16.2 A", {"m": "mA", "µ": "µA", "u": "µA"}, ladder="µA mA A kA"),
        Dimension(
            "resistance",
            "120 ohm",
            {"k": "kohm", "K": "kohm", "M": "Mohm", "G": "Gohm"},
            dict.fromkeys(("m", "mohm", "mohms", "mOhm", "mOhms"), _MILLI_OR_MEGA),
            {
                "R": ("ohm",),
                "k": ("kohm",),
                "K": ("kohm",),
                "M": ("Mohm",),
                "G": ("Gohm",),
                "m": _MILLI_OR_MEGA,
            },
            negative=False,
            bounds=True,
            ladder="mohm ohm kohm Mohm Gohm",
        ),
        Dimension("temperature", "40 °C", asks=_DEGREES),
        Dimension("temperature difference", "15 K", asks=_RISE),
        Dimension("percentage", "66.7 %"),
        Dimension(
            "time",
            "90 s",
            {"µ": "µs", "u": "µs", "n": "ns"},
            {"m": ("min", "ms"), "M": ("min", "ms")},
            ladder="ns µs ms s",
        ),
        Dimension("length", "45 m", negative=False),
        Dimension(
            "torque",
            "1.6 N·m",
            asks=dict.fromkeys(("lb", "lbs", "lbf", "pound", "pounds", "#"), ("lbf·in", "lbf·ft")),
        ),
        Dimension(
            "bit rate",
            "19200 bit/s",
            {"k": "kbit/s", "K": "kbit/s", "M": "Mbit/s", "G": "Gbit/s"},
            negative=False,
        ),
        Dimension("power level", "-87 dBm"),
        Dimension(
            "capacitance",
            "100 pF",
            {"µ": "µF", "u": "µF", "n": "nF", "p": "pF"},
            infix={"µ": ("µF",), "u": ("µF",), "n": ("nF",), "p": ("pF",)},
            negative=False,
            ladder="pF nF µF F",
        ),
        Dimension(
            "frequency",
            "1000 Hz",
            {"k": "kHz", "K": "kHz", "M": "MHz", "G": "GHz"},
            negative=False,
            ladder="Hz kHz MHz GHz",
        ),
        Dimension("power", "7200 W", {"k": "kW"}, ladder="W kW"),
        Dimension("apparent power", "7200 VA", {"k": "kVA"}, ladder="VA kVA"),
        Dimension("energy", "24 kWh", {"k": "kWh"}, ladder="Wh kWh"),
        Dimension("plain number", "12"),
    )
}

UNITS: dict[str, Unit] = {unit.name: unit for unit in _TABLE}


def units() -> tuple[Unit, ...]:
    """The units that a caller may ask for, in table order (for the documentation and for checking rule
    files).
    """
    return tuple(unit for unit in _TABLE if unit.dimension in DIMENSIONS)


def is_unit(name: str) -> bool:
    """Whether `name` is the canonical name of a unit that `parse` can be asked for."""
    unit = UNITS.get(name)
    return unit is not None and unit.dimension in DIMENSIONS


def wanted_unit(name: str) -> Unit:
    """The unit a caller asks for, by its canonical name (`V`, `Mohm`, `N·m`); ValueError if there is none."""
    if not is_unit(name):
        raise ValueError(f"unknown unit {name!r}; known are {', '.join(unit.name for unit in units())}")
    return UNITS[name]


_SEPARATORS = str.maketrans({" ": "·", "-": "·", ".": "·", "*": "·", "⋅": "·", "∙": "·", "•": "·"})


def key(text: str) -> str:
    """A typed unit with every separator written as `·`: `lb-in`, `lb in` and `lb.in` are one key."""
    typed = text.translate(_SEPARATORS)
    while "··" in typed:
        typed = typed.replace("··", "·")
    return typed


# Tables of spellings: dimension -> typed key -> unit.
_Names = dict[str, dict[str, Unit]]


def _build() -> tuple[_Names, _Names]:
    exact: _Names = {}
    folded: _Names = {}
    for unit in _TABLE:
        names = exact.setdefault(unit.dimension, {})
        small = folded.setdefault(unit.dimension, {})
        for spelling in (unit.name, unit.ascii, *unit.spellings):
            typed = key(spelling)
            for text in (typed, typed.replace("·", "")):
                names.setdefault(text, unit)
                small.setdefault(text.lower(), unit)
    return exact, folded


_index: list[tuple[_Names, _Names]] = []  # built at the first look-up: importing must cost nothing


def index() -> tuple[_Names, _Names]:
    """The look-up tables, exact and with capitals ignored."""
    if not _index:
        _index.append(_build())
    return _index[0]
