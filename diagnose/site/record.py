"""The install record: YAML to a Site, with every problem found at its line.

    install-record: 1
    name: Harbour Row car park
    site: {system: split-120-240, ambient: 35 C}
    panels: [{breaker: 400 A}]
    units: {count: 12, each: {rating: 48 A, setting: 40 A}, except: {"7": {setting: 48 A}}}
    trunks: [{units: 1-12, controller: 1, segment-length: 12 m, except-segments: {"4-5": 60 m}, kind: rs485}]
    uplinks: [{unit: 1, kind: ethernet}]
    controls: [{units: 1-12, kind: dry-contact}]

Keys inside a section are the install facts of that section, without its name in front.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

from diagnose.quantities import Ambiguous, Quantity, Wrong, parse
from diagnose.site.model import MOST_UNITS, WRITTEN_OUT, FactSpec, FactValue, Group, Site, Trunk
from diagnose.site.places import KINDS, Kind, PlaceError, parse_numbers
from diagnose.source.located import Block, Row, Text, Value
from diagnose.source.problems import Mark, Problem, nearest, shown

LARGEST_COUNT = 1_000_000_000
VERSION = "1"
YES = ("yes", "y", "true", "on")
NO = ("no", "n", "false", "off")


def parse_fact(spec: FactSpec, text: str) -> FactValue | str:
    """The value of a fact as a person writes it. Raises PlaceError with what would be right."""
    word = " ".join(text.split())
    if spec.kind == "choice":
        wanted = word.lower()
        for choice, title in spec.choices.items():
            if wanted in (choice, title.lower(), choice.replace("-", " ")):
                return choice
        hint = nearest(wanted, spec.choices) or "known: " + ", ".join(spec.choices)
        raise PlaceError(f"{shown(word)} is no choice for {spec.key}; {hint}")
    if spec.kind == "yes-no":
        if word.lower() in YES + NO:
            return word.lower() in YES
        raise PlaceError(f"{shown(word)} is neither yes nor no")
    if spec.kind == "units":
        return parse_numbers(word, MOST_UNITS)
    if spec.kind == "text":
        if not word or len(word) > 200 or not word.isprintable():
            raise PlaceError(f"{spec.key} wants a text of 1 to 200 printable characters")
        return word
    unit = "1" if spec.kind == "count" else spec.unit
    quantity = parse(word, unit)
    if isinstance(quantity, Ambiguous):
        raise PlaceError(f"{shown(word)} can be read in two ways; {quantity.question}")
    if isinstance(quantity, Wrong):
        raise PlaceError(f"{quantity.problem}; {quantity.hint}" if quantity.hint else quantity.problem)
    if quantity.value != quantity.value or abs(quantity.value) == float("inf"):
        raise PlaceError(f"{spec.key} wants a finite number")
    if spec.kind == "count":
        if quantity.value != int(quantity.value) or quantity.value < 0:
            raise PlaceError(f"{spec.key} wants a whole number, not {shown(word)}")
        if quantity.value > LARGEST_COUNT:
            raise PlaceError(f"{spec.key} cannot be larger than {LARGEST_COUNT}")
        return int(quantity.value)
    if quantity.value < 0 and spec.unit not in ("°C", "dBm"):
        raise PlaceError(f"{spec.key} cannot be negative")
    return quantity.value


class RecordReader:
    """Collects problems while it builds; `read` returns the Site, or None when anything is wrong."""

    def __init__(self, specs: Mapping[str, FactSpec]) -> None:
        self.specs = specs
        self.problems: list[Problem] = []
        self.facts: dict[tuple[str, int], dict[str, FactValue]] = {}
        self.panel_at: dict[int, Mark] = {}  # unit: where the record says which panel feeds it

    def _problem(self, mark: Mark, message: str, hint: str = "") -> None:
        self.problems.append(Problem(mark, message, hint, "install-record"))

    def read(self, value: Value) -> Site | None:
        """The site that the record describes."""
        if not isinstance(value, Block):
            self._problem(value.mark, "an install record is a mapping", "begin with 'install-record: 1'")
            return None
        version = value.get("install-record")
        if version != VERSION:
            mark = version.mark if version is not None else value.mark
            self._problem(mark, "not an install record of version 1", "begin with 'install-record: 1'")
            return None
        known = {"install-record", "name", "site", "units", *(kind.rows for kind in KINDS.values() if kind.rows)}
        for key, mark in value.keys_at.items():
            if key not in known:
                self._problem(mark, f"unknown section {shown(key)}", nearest(key, known))
        name = self._text(value, "name") or "unnamed site"
        if (site := self._block(value, "site")) is not None:
            self._facts("site", [0], site, set())
        units = self._units(value)
        panel_rows = self._rows(value, "panels")
        panels = tuple(number for number, _ in panel_rows) or (1,)
        for number, row in panel_rows:
            self._facts("panel", [number], row, set(KINDS["panel"].keys))
        trunks = tuple(t for n, row in self._rows(value, "trunks") if (t := self._trunk(n, row, units)))
        self._one_trunk_each(value, trunks)
        groups = {kind.name: self._groups(value, kind, units) for kind in KINDS.values() if kind.rows and kind.name not in WRITTEN_OUT}
        self._check_panels(panels)
        if self.problems:
            return None
        return Site(
            name=name, units=units, trunks=trunks, uplinks=groups.pop("uplink"), controls=groups.pop("control"), panels=panels,
            facts=self.facts, more=groups,
        )  # fmt: skip

    def _text(self, block: Block, key: str) -> str | None:
        value = block.get(key)
        if value is None:
            return None
        if not isinstance(value, Text) or not value.strip():
            self._problem(block.keys_at[key], f"'{key}' wants a text", "")
            return None
        return " ".join(value.split())[:120]

    def _block(self, parent: Block, key: str) -> Block | None:
        value = parent.get(key)
        if value is None:
            return None
        if not isinstance(value, Block):
            self._problem(value.mark, f"'{key}' wants a mapping", f"for instance {key}: {{...}}")
            return None
        return value

    def _rows(self, parent: Block, key: str) -> list[tuple[int, Block]]:
        value = parent.get(key)
        if value is None:
            return []
        if not isinstance(value, Row):
            self._problem(value.mark, f"'{key}' wants a list", f"for instance {key}: [{{...}}]")
            return []
        if len(value) > MOST_UNITS:
            self._problem(value.mark, f"more than {MOST_UNITS} {key}", "split the site into several records")
            return []
        rows: list[tuple[int, Block]] = []
        for number, row in enumerate(value, 1):
            if isinstance(row, Block):
                rows.append((number, row))
            else:
                self._problem(row.mark, f"each of '{key}' wants a mapping", "for instance {...}")
        return rows

    def _facts(self, section: str, numbers: list[int], block: Block, structure: set[str]) -> None:
        for key, value in block.items():
            if key in structure:
                continue
            spec = self.specs.get(f"{section}.{key}")
            if spec is None:
                names = [k.split(".", 1)[1] for k in self.specs if k.startswith(section + ".")]
                self._problem(
                    block.keys_at[key], f"unknown fact {shown(key)} in '{section}'", nearest(key, {*names, *structure})
                )
                continue
            text = self._flat(value)
            if text is None:
                self._problem(value.mark, f"{spec.key} wants one value", spec.ask)
                continue
            try:
                parsed = parse_fact(spec, text)
            except PlaceError as error:
                self._problem(value.mark, f"{spec.key}: {error}", "")
                continue
            for number in numbers:
                self.facts.setdefault((section, number), {})[key] = parsed
                if spec.key == "unit.panel":
                    self.panel_at[number] = value.mark

    @staticmethod
    def _flat(value: Value) -> str | None:
        if isinstance(value, Text):
            return str(value)
        if isinstance(value, Row) and all(isinstance(item, Text) for item in value):
            return ", ".join(str(item) for item in value)
        return None

    def _numbers(self, value: Value, what: str) -> tuple[int, ...]:
        text = self._flat(value)
        try:
            if text is None:
                raise PlaceError("numbers are written like 5, 5-9 or 1-4, 7")
            return parse_numbers(text, MOST_UNITS)
        except PlaceError as error:
            self._problem(value.mark, f"{what}: {error}", "")
            return ()

    def _units(self, record: Block) -> tuple[int, ...]:
        block = self._block(record, "units")
        if block is None:
            if "units" not in record:
                self._problem(record.mark, "the record has no units", "add 'units: {count: 12, each: {...}}'")
            return ()
        count = block.get("count")
        number = int(count) if isinstance(count, Text) and count.isdecimal() and len(count) < 7 else 0
        if not 1 <= number <= MOST_UNITS:
            mark = count.mark if count is not None else block.mark
            self._problem(mark, f"'count' wants a whole number from 1 to {MOST_UNITS}", "for instance count: 12")
            return ()
        units = tuple(range(1, number + 1))
        for key, mark in block.keys_at.items():
            if key not in ("count", "each", "except"):
                self._problem(mark, f"unknown key {shown(key)} in 'units'", "known: count, each, except")
        if (each := self._block(block, "each")) is not None:
            self._facts("unit", list(units), each, set())
        if (special := self._block(block, "except")) is not None:
            for key, row in special.items():
                numbers = self._numbers(Text(key, special.keys_at[key]), "'except'")
                self._known(numbers, units, special.keys_at[key])
                if isinstance(row, Block):
                    self._facts("unit", [n for n in numbers if n in units], row, set())
                else:
                    self._problem(row.mark, "an exception wants a mapping", 'for instance "7": {setting: 32 A}')
        return units

    def _known(self, numbers: tuple[int, ...], units: tuple[int, ...], mark: Mark) -> None:
        have = set(units)
        missing = [n for n in numbers if n not in have]
        if missing and units:
            self._problem(mark, f"there is no unit {missing[0]}", f"the record has units {units[0]} to {units[-1]}")

    def _trunk(self, number: int, row: Block, units: tuple[int, ...]) -> Trunk | None:
        name = self._text(row, "name") or f"trunk {number}"
        chain = self._numbers(row["units"], "'units'") if "units" in row else units
        self._known(chain, units, row.keys_at.get("units", row.mark))
        if not chain:
            return None
        controller = chain[0]
        if "controller" in row:
            numbers = self._numbers(row["controller"], "'controller'")
            if len(numbers) == 1 and numbers[0] in chain:
                controller = numbers[0]
            elif numbers:
                self._problem(row["controller"].mark, "'controller' wants one unit of this trunk", f"one of {chain[0]}...")
        lengths: list[float | None] = [self._metres(row, "segment-length")] * (len(chain) - 1)
        pairs = {pair: i for i, pair in enumerate(pairwise(chain))}
        if (special := self._block(row, "except-segments")) is not None:
            for key in special:
                ends = key.replace(" ", "").split("-")
                pair = tuple(int(e) for e in ends) if all(e.isdecimal() and len(e) < 7 for e in ends) else ()
                index = pairs.get(pair, pairs.get(pair[::-1])) if len(pair) == 2 else None
                if index is None:
                    self._problem(
                        special.keys_at[key], f"there is no segment {shown(key)}", "write two neighbours, like \"4-5\""
                    )
                else:
                    lengths[index] = self._metres(special, key)
        self._facts("trunk", [number], row, set(KINDS["trunk"].keys))
        at = self.facts.get(("trunk", number), {}).get("terminators-at")
        if isinstance(at, tuple) and (stray := [u for u in at if u not in chain]):
            self._problem(row["terminators-at"].mark, f"unit {stray[0]} is not on this trunk", "name units of the trunk")
        return Trunk(number, name, chain, controller, tuple(lengths))

    def _metres(self, block: Block, key: str) -> float | None:
        value = block.get(key)
        if value is None:
            return None
        quantity = parse(str(value), "m") if isinstance(value, Text) else None
        if isinstance(quantity, Quantity) and 0 <= quantity.value <= 10_000:
            return quantity.value
        self._problem(value.mark, f"'{key}' wants a length", "for instance 12 m or 40 ft")
        return None

    def _one_trunk_each(self, record: Block, trunks: tuple[Trunk, ...]) -> None:
        seen: set[int] = set()
        for trunk in trunks:
            if twice := seen & set(trunk.units):
                self._problem(record["trunks"].mark, f"unit {min(twice)} is on two trunks", "a unit is on one trunk")
            seen |= set(trunk.units)

    def _groups(self, record: Block, kind: Kind, units: tuple[int, ...]) -> tuple[Group, ...]:
        groups: list[Group] = []
        for number, row in self._rows(record, kind.rows):
            alone = "units" not in kind.keys  # it stands at one unit and serves no other
            served = () if alone else self._numbers(row["units"], "'units'") if "units" in row else units
            host = self._numbers(row["unit"], "'unit'") if "unit" in row else served[:1]
            if alone and "unit" not in row:
                self._problem(row.mark, f"a {kind.ask or kind.name} without its 'unit'", "for instance unit: 1")
            served = host if alone else served
            if not alone:
                self._known(served, units, row.keys_at.get("units", row.mark))
            self._known(host, units, row.keys_at.get("unit", row.mark))
            if len(host) > 1:
                self._problem(row["unit"].mark, "'unit' wants the one unit that it is wired to", "for instance unit: 1")
            self._facts(kind.name, [number], row, set(kind.keys))
            if served and host:
                groups.append(Group(number, host[0], served))
        return tuple(groups)

    def _check_panels(self, panels: tuple[int, ...]) -> None:
        by_mark: dict[Mark, int] = {}
        for number, mark in self.panel_at.items():
            panel = self.facts["unit", number].get("panel")
            if isinstance(panel, int) and panel not in panels:
                by_mark.setdefault(mark, number)
        for mark, number in by_mark.items():
            panel = self.facts["unit", number]["panel"]
            self._problem(mark, f"unit {number} is on panel {panel}", f"the record has {len(panels)} panel(s)")
