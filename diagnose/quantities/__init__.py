"""Readings as people type them: `parse(text, unit)` gives a number, a question or a refusal."""

from diagnose.quantities.display import format_quantity
from diagnose.quantities.parse import parse
from diagnose.quantities.results import Ambiguous, Quantity, Wrong
from diagnose.quantities.units import Unit, is_unit, units

__all__ = ["Ambiguous", "Quantity", "Unit", "Wrong", "format_quantity", "is_unit", "parse", "units"]
