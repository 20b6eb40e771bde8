"""Where numbers become words: gauges over the install record, on the physics.

`load_all()` imports every gauge module of this folder once; a new module needs no registration.
"""

from __future__ import annotations

import importlib
import pkgutil

_loaded = False


def load_all() -> None:
    """Fill the gauge tables of `diagnose.gauges.base`."""
    global _loaded
    if _loaded:
        return
    for module in sorted(m.name for m in pkgutil.iter_modules(__path__)):
        importlib.import_module(f"{__name__}.{module}")
    _loaded = True
