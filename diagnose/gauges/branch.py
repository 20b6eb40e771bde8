"""What the install record says of a unit's branch circuit; what it lacks is assumed and noted.

No gauges here: the power gauges read the record through this one class.
"""

from __future__ import annotations

import math

from diagnose.gauges.bands import Record
from diagnose.physics import circuit, service
from diagnose.site.model import Site
from diagnose.site.places import Place

INTERNATIONAL = ("single-230", "wye-230-400")
PANEL_RISE = 10.0  # K of a panel's inside over the air around it; common practice, no source
_DEALT = ("a-b", "b-c", "c-a")


def upto(edge: float) -> float:
    """The end of a step that still holds `edge` itself."""
    return math.nextafter(edge, math.inf)


def usable(value: float | None) -> float | None:
    """The figure if a site can have it (amperes, metres, volts), else None."""
    return value if value is not None and 1e-3 < value < 1e7 else None


def counted(count: int) -> str:
    """`1 unit`, `4 units`."""
    return f"{count} unit{'' if count == 1 else 's'}"


class Branch(Record):
    """One unit's branch circuit as recorded. Methods note in `assumed` what they had to assume."""

    def quantity(self, key: str) -> float | None:
        """A recorded quantity; nought, less and what no site has count as not recorded."""
        return usable(self.site.number(key, self.place))

    def choice(self, key: str) -> str | None:
        """A recorded choice."""
        return self.site.word(key, self.place)

    # ---- supply

    def north_american(self) -> bool:
        """Whether the National Electrical Code family applies; else told from the supply system."""
        rules = self.choice("site.wiring-rules")
        if rules is not None:
            return rules == "north-american"
        known = self.choice("site.system")
        if known is None:
            self.note("wiring rules: North American")
        return known not in INTERNATIONAL

    def system(self) -> str:
        """The supply system."""
        known = self.choice("site.system")
        if known in service.SYSTEMS:
            return str(known)
        if self.north_american():
            self.note("supply: 120/240 V split phase")
            return "split-120-240"
        self.note("supply: 230 V single phase")
        return "single-230"

    def legs(self, turn: int = 0) -> str:
        """The legs that feed the unit; `turn` deals unrecorded 208Y/120 V units over the three pairs."""
        system, known = self.system(), self.choice("unit.legs")
        lines = service.SYSTEMS[system].degrees
        if known and all(leg == "n" or leg in lines for leg in known.split("-")):
            return known
        found = {"single-230": "a-n", "wye-230-400": "a-b-c", "split-120-240": "a-b"}.get(
            system, _DEALT[turn % 3]
        )
        if system == "wye-230-400":
            self.note("three-phase unit")
        return found

    def nominal(self) -> float:
        """Nominal volts across the unit's supply wires."""
        return service.nominal_volts(self.system(), self.legs())

    def family(self) -> str:
        """The standard its breaker is taken to follow."""
        return "ul489" if self.north_american() else "iec60898"

    # ---- load

    def setting(self) -> float | None:
        """The current setting (A), or the rating where no setting is recorded; None where neither is."""
        return self.quantity("unit.setting") or self.quantity("unit.rating")

    def load(self) -> float:
        """The current (A) that the unit takes at most."""
        known = self.setting()
        if known is not None:
            if self.quantity("unit.setting") is None:
                self.note(f"setting: the rating, {known:g} A")
            return known
        breaker = self.quantity("unit.breaker")
        assumed = circuit.largest_setting(breaker) if breaker and self.north_american() else breaker or 32.0
        self.note(f"setting: {assumed:g} A")
        return assumed

    def managed(self) -> bool:
        """Whether load management may hold the unit below its setting."""
        return self.choice("site.load-management") in ("local", "back-office")

    def circuit_load(self) -> float | None:
        """Amperes on the branch circuit with every unit on it at its setting; None if one is not recorded.

        Under load management the units on one circuit share; then the largest setting counts.
        """
        if self.choice("unit.circuit") is None:
            return self.setting()
        name = self.site.circuit_of(self.place.number)
        panel = Place("panel", self.site.panel_of(self.place.number))
        members = {u for u in self.site.units_of(panel) if self.site.circuit_of(u) == name}
        loads = [Branch(self.site, Place("unit", u)).setting() for u in sorted(members | {self.place.number})]
        known = [amps for amps in loads if amps is not None]
        if not known or len(known) < len(loads):
            return None
        return max(known) if self.managed() else sum(known)

    def allowed_share(self) -> float:
        """The share of its rating that a breaker may carry for hours: 80 % (NEC 210.20), IEC the whole."""
        return 1 / circuit.CONTINUOUS if self.north_american() else 1.0

    # ---- conductors

    def metal(self) -> str:
        """Conductor metal."""
        known = self.choice("unit.wire-metal")
        if known is None:
            self.note("conductors: copper")
        return known or "copper"

    def ohm_km(self) -> float | None:
        """Resistance of one conductor (ohm/km), warm; None without a recorded size or a table value."""
        size = self.choice("unit.wire-size")
        if size is None:
            return None
        try:
            return circuit.ohms_per_km(size, self.metal(), 70.0 if size.endswith("mm2") else 75.0)
        except ValueError:
            return None

    def drop(self, amps: float) -> float | None:
        """Volts lost along the branch at a current (A); None if run or size is not recorded."""
        run, ohm_km = self.quantity("unit.run-length"), self.ohm_km()
        if run is None or ohm_km is None:
            return None
        return circuit.voltage_drop(amps, run, ohm_km, three_phase=self.legs() == "a-b-c")

    def run_words(self) -> str:
        """`60 m of 6 AWG`."""
        size = self.choice("unit.wire-size")
        return f"{self.quantity('unit.run-length') or 0:g} m of {circuit.wire_name(size) if size else 'wire'}"

    def ambient(self) -> float:
        """Air temperature (°C) around the conductors at its highest."""
        known = self.site.number("site.ambient", self.place)
        if known is None:
            self.note("ambient: 30 °C")
        return 30.0 if known is None else known

    def inside_celsius(self) -> float:
        """Temperature (°C) inside the panel under load."""
        known = self.site.number("panel.inside-temperature", self.place)
        if known is not None:
            return known
        inside = self.ambient() + PANEL_RISE
        self.note(f"inside the panel: {inside:g} °C")
        return inside

    def ampacities(self) -> tuple[float, float] | None:
        """Least and most ampacity (A) that the record leaves open; None without a size or a table value.

        Unrecorded insulation and terminals are taken at both their ends, so that an outcome drawn from both
        numbers does not hang on them.
        """
        size = self.choice("unit.wire-size")
        if size is None:
            return None
        metal, ambient = self.metal(), self.ambient()
        together = int(self.quantity("unit.conductors-together") or 0)
        if not together:
            self.note("no other circuits in the conduit")
        insulation = _celsius(self.choice("unit.wire-insulation"))
        try:
            if size.endswith("mm2"):
                if metal != "copper":
                    return None
                loaded = 3 if self.legs() == "a-b-c" else 2
                ends = [
                    circuit.ampacity_mm2(size, rating, loaded, ambient, max(1, math.ceil(together / loaded)))
                    for rating in ({90: (90,)}.get(insulation, (70,)) if insulation else (70, 90))
                ]
            else:
                terminal = _celsius(self.choice("unit.terminal-rating"))
                terminals = (terminal,) if terminal else (60, 75)
                ends = [
                    circuit.ampacity(size, metal, rating, end, ambient, max(1, together))
                    for end in terminals
                    for rating in ((insulation,) if insulation else (end, 90))
                ]
        except ValueError:
            return None
        return min(ends), max(ends)


def _celsius(choice: str | None) -> int:
    """60 of `60c`; 0 where nothing is recorded."""
    return int(choice[:-1]) if choice in ("60c", "75c", "90c") else 0


def panel_loads(site: Site, panel: Place) -> tuple[list[tuple[str, float]], str, list[str]] | None:
    """Legs and setting of every unit on a panel, the supply system, and what was assumed.

    None if the panel feeds no unit or a unit's setting is not recorded.
    """
    loads: list[tuple[str, float]] = []
    assumed: list[str] = []
    system = ""
    for turn, unit in enumerate(site.units_of(panel)):
        branch = Branch(site, Place("unit", unit))
        setting, system = branch.setting(), branch.system()
        if setting is None:
            return None
        if branch.choice("unit.legs") is None and system == "wye-120-208":
            assumed.append("legs not recorded: units dealt over the lines in turn")
        loads.append((branch.legs(turn), setting))
    return (loads, system, list(dict.fromkeys(assumed))) if loads else None


def feeder_load(site: Site, panel: Place) -> tuple[float, str, list[str]] | None:
    """Amperes in a feeder's worst line with every unit at its setting, how, and what was assumed.

    A site limit of the load management caps it. None as `panel_loads`.
    """
    found = panel_loads(site, panel)
    if found is None:
        return None
    loads, system, assumed = found
    lines = circuit.line_currents(loads, system)
    line = max((leg for leg in lines if leg != "n"), key=lambda leg: lines[leg])
    amps, how = lines[line], f"{counted(len(loads))} at full setting, line {line.upper()}"
    limit = usable(site.number("site.load-limit", panel))
    if (
        site.word("site.load-management", panel) in ("local", "back-office")
        and limit is not None
        and limit < amps
    ):
        return limit, f"load management holds {counted(len(loads))} to the site limit", assumed
    return amps, how, assumed
