"""What the daemon does for those who ask, over the control socket or in the same process alike."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any, Final

from daq.adapters.store.backup import backup
from daq.app.daemon.control import Answer
from daq.app.daemon.supervisor import Supervisor
from daq.app.delivery.resending import ResendOrder
from daq.app.run.active import Active
from daq.app.setup.orders import RunOrder
from daq.core.errors import SettingError, StoreError

VIEW_S: Final = 0.25
"""Real seconds between views: at most four a second."""
STILL_VIEW_S: Final = 1.0
REFUSED_SHOWN: Final = 10


class Service:
    """Answers requests for one supervisor."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor

    async def handle(self, request: Answer) -> AsyncIterator[Answer]:
        """Answers to ``run``, ``watch``, ``stop``, ``status``, ``resend`` and ``backup``.

        Raises:
            DaqError: the request cannot be done; nothing was changed.
        """
        what = request["do"]
        if what == "run":
            active = await self._supervisor.begin(_order(request))
            yield {"begun": active.record.id}
            async for answer in self._follow(active):
                yield answer
        elif what == "watch":
            async for answer in self._follow(self._active(request)):
                yield answer
        elif what == "stop":
            name, who = _text(request, "instrument"), _text(request, "who")
            yield {"stopped": self._supervisor.stop_run(name, who)}
        elif what == "status":
            yield {"status": self.status() | {"outbox": await asyncio.to_thread(self._outbox)}}
        elif what == "resend":
            yield {"resent": await self._resend(request)}
        elif what == "backup":
            target = Path(_text(request, "to"))
            made = await asyncio.to_thread(backup, self._supervisor.store.path, target)
            yield {"backup": {k: str(v) for k, v in asdict(made).items()}}
        else:
            raise SettingError(f"unknown request {what!r}; known: run, watch, stop, status, resend, backup", key="do")

    async def _resend(self, request: Answer) -> int:
        """Messages put into the outbox again."""
        wanted = ResendOrder.from_request(request).transaction(self._supervisor.clock.utc_ns())
        count = await self._supervisor.store.commit(wanted)
        if self._supervisor.publishing is not None:
            self._supervisor.publishing.nudge()
        return count

    def status(self) -> dict[str, Any]:
        """Instruments, runs, store and broker, as JSON values."""
        supervisor = self._supervisor
        trouble = supervisor.store.trouble
        return {
            "instruments": supervisor.standings(),
            "runs": {
                name: {"run": a.record.id, "sample": a.record.sample, "state": a.runner.pipeline.state.value}
                for name, a in supervisor.runs.items()
            },
            "store": str(trouble) if trouble is not None else "",
            "broker": supervisor.publishing.standing if supervisor.publishing is not None else None,
            "sparkplug": asdict(supervisor.sparkplug.standing) if supervisor.sparkplug is not None else None,
        }

    def _outbox(self) -> dict[str, Any]:
        """How much waits for the broker, and what it refused."""
        try:
            with self._supervisor.store.reader() as reader:
                depth, refused = reader.outbox_depth(), reader.refused(limit=REFUSED_SHOWN)
        except StoreError as error:
            return {"trouble": str(error)}
        return {
            "waiting": depth.waiting,
            "refused": depth.refused,
            "quarantined": depth.quarantined,
            "first_refused": [{"id": m.id, "topic": m.topic, "reason": m.last_error} for m in refused],
        }

    def _active(self, request: Answer) -> Active:
        name = _text(request, "instrument")
        active = self._supervisor.runs.get(name)
        if active is None:
            raise SettingError(f"nothing is being measured on {name}")
        return active

    async def _follow(self, active: Active) -> AsyncIterator[Answer]:
        """Views of a run until it is over, then what it came to.  Whoever stops listening does not stop the run."""
        changed = asyncio.Event()
        active.subscribers.add(changed)
        try:
            while not active.task.done():
                yield {"view": self._supervisor.view(active)}
                await asyncio.sleep(VIEW_S)
                waiting = asyncio.ensure_future(changed.wait())
                await asyncio.wait(
                    (active.task, waiting), timeout=STILL_VIEW_S - VIEW_S, return_when=asyncio.FIRST_COMPLETED
                )
                waiting.cancel()
                changed.clear()
            outcome = active.task.result()
            data = active.maker.data
            yield {
                "outcome": {
                    "run": outcome.run_id,
                    "outcome": outcome.outcome,
                    "reason": outcome.reason,
                    "motor": outcome.motor,
                    "fault": outcome.fault,
                    "result_id": outcome.committed.id if outcome.committed else None,
                },
                "result": data.model_dump(mode="json") if data is not None and not outcome.fault else None,
            }
        finally:
            active.subscribers.discard(changed)


def _order(request: Answer) -> RunOrder:
    given = {k: v for k, v in request.items() if k != "do"}
    known = {f.name for f in fields(RunOrder)}
    unknown = sorted(set(given) - known)
    if unknown:
        raise SettingError(f"unknown; known: {', '.join(sorted(known))}", key=unknown[0])
    for key in ("method_id", "instrument", "sample"):
        _text(request, key)
    return RunOrder(**given)


def _text(request: Answer, key: str) -> str:
    value = request.get(key)
    if not isinstance(value, str) or not value:
        raise SettingError("is missing", key=key)
    return value
