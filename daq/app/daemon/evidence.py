"""Checks of the stored data by the daemon: a quick one at its start, and of all data in the background."""

import asyncio
import threading
import time
from pathlib import Path
from typing import Final, Literal

import structlog

from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.checks import Finding, check_agreement, check_content
from daq.core.errors import StoreError

log = structlog.get_logger()

PAUSE_FACTOR: Final = 3.0
"""Ratio of pause to work of the check in the background, so that it leaves the processor to the measurement."""
DAMAGE: Final = frozenset({"database", "database file", "references"})
"""Subjects of findings after which the daemon does not start: the file itself is damaged."""

Extent = Literal["none", "newest runs", "all runs"]


class Evidence:
    """Findings about the stored data.

    Attributes:
        checked: the part of the data that was checked so far.
        findings: the findings that are not good, as sentences.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.checked: Extent = "none"
        self.findings: tuple[str, ...] = ()
        self._stop = threading.Event()
        self._worked = 0.0

    async def check_newest(self) -> None:
        """Run the quick checks, and report what does not agree.

        Raises:
            StoreError: the file is damaged; the text names the fault and the action to take.
        """
        found = await asyncio.to_thread(check_content, self.path, quick=True)
        for f in found:
            if not f.ok and f.what in DAMAGE:
                raise StoreError(f"{self.path}: {f.what}: {f.say}: {f.do}")
        self._take(found, "newest runs")

    async def check_all(self) -> None:
        """Compare all runs with their journals, slowly, in a thread."""
        self._worked = time.perf_counter()
        try:
            with Stored(self.path) as stored:
                work = asyncio.create_task(asyncio.to_thread(check_agreement, stored, pause=self._pause))
                try:
                    found = await asyncio.shield(work)
                except asyncio.CancelledError:
                    self._stop.set()
                    stored.interrupt()
                    await asyncio.wait([work])
                    raise
        except StoreError as error:
            found = [Finding(False, "database", str(error))]
        self._take(found, "all runs")

    def _pause(self) -> None:
        now = time.perf_counter()
        if self._stop.wait((now - self._worked) * PAUSE_FACTOR):
            raise StoreError("the check was ended")
        self._worked = time.perf_counter()

    def _take(self, found: list[Finding], extent: Extent) -> None:
        self.checked = extent
        wrong = tuple(f"{f.what}: {f.say}" for f in found if not f.ok)
        for text in wrong:
            if text not in self.findings:
                log.error("stored data do not agree", finding=text)
        self.findings = wrong
