"""Sites in memory for the tests of the communication-side gauges."""

from diagnose.site.model import Group, Site, Trunk
from diagnose.site.places import FAR, NEAR, Place

NEAR_END, FAR_END = Place("trunk-end", 1, NEAR), Place("trunk-end", 1, FAR)
TRUNK, UPLINK, CONTROL = Place("trunk", 1), Place("uplink", 1), Place("control", 1)
FULL = {
    "kind": "rs485", "cable": "24-awg", "impedance": 120.0, "velocity-factor": 0.66, "bit-rate": 19_200,
    "terminator-ohms": 120.0, "terminator-kind": "resistor", "bias": "controller", "bias-ohms": 560.0,
    "bias-supply": 5.0, "unit-load": 0.125, "topology": "line", "registers-polled": 20, "timeout": 1000.0,
    "poll-interval": 10.0, "cables-per-connection": 2,
}  # fmt: skip


def site(count=12, segment=12.0, *, addresses=True, uplink=None, control=None, units=None, bare=False, **trunk):
    """A site with one trunk; keyword arguments are trunk facts (underscores for hyphens), None takes one away."""
    numbers = tuple(range(1, count + 1))
    facts = {} if bare else dict(FULL, **{"terminators-at": (1, count)})
    for key, value in trunk.items():
        facts[key.replace("_", "-")] = value
    by_place = {
        ("trunk", 1): {k: v for k, v in facts.items() if v is not None},
        ("uplink", 1): uplink or {},
        ("control", 1): control or {},
    }
    for number in numbers:
        by_place["unit", number] = {"address": number} if addresses else {}
        by_place["unit", number].update((units or {}).get(number, {}))
    trunks = (Trunk(1, "", numbers, 1, (segment,) * (count - 1)),)
    return Site("test", numbers, trunks, (Group(1, 1, numbers),), (Group(1, 1, numbers),), (1,), by_place)
