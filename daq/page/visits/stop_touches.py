"""Touches of the stop: one touch is sent several times until it is taken, and a later sending stops no other run.

The first sending of a touch stops what turns on the bench.  A further one can arrive seconds later, when the run that
the person saw has ended and another one has been started elsewhere.  In doubt a bench is stopped.
"""

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from daq.page.shown.benches import in_doubt

MOST: Final = 1000
"""Greatest number of touches that are remembered."""
LONGEST_KEY: Final = 64


@dataclass(frozen=True, slots=True)
class StopTouch:
    """One sending of a touch.

    Attributes:
        run: id of the run that the screen showed at the touch; "" for none: then whatever turns is stopped.
        key: the same for each sending of one touch; "" where each is a touch of its own.
        again: the touch was sent before.
    """

    run: str = ""
    key: str = ""
    again: bool = False


@dataclass(frozen=True, slots=True)
class StopTouches:
    """Remembers the newest touches by their keys."""

    _keys: "OrderedDict[str, None]" = field(default_factory=OrderedDict)

    def spares(self, touch: StopTouch, bench: Mapping[str, Any], *, known: bool) -> bool:
        """Return whether a sending must not stop a bench, because another run than that of its touch is on.

        A sending that was delayed can arrive after a later one of the same touch, so the key decides as well.

        Args:
            touch: what was sent.
            bench: newest state of the bench (`BenchLive`).
            known: the state is that of now; False in doubt.
        """
        key = touch.key[:LONGEST_KEY]
        repeated = touch.again or key in self._keys
        if key:
            self._keys[key] = None
        if len(self._keys) > MOST:
            self._keys.popitem(last=False)
        if not (repeated and touch.run and known) or in_doubt(bench):
            return False
        run = bench.get("run")
        return run is not None and run["run"] != touch.run
