"""The acts of a person at a bench: a text that was typed or scanned, and a command."""

from typing import Any, Final

from pydantic import Field

from daq.app.laboratory.act import Act
from daq.app.laboratory.bench_work import Actor, BenchWork
from daq.app.laboratory.laboratory import Laboratory
from daq.core.errors import SettingError
from daq.laboratory.bench.bench_events import Command, Pressed
from daq.methods.files.fields import Model, NeededLabel


class GiveText(Model):
    """Order to take a text at a bench; `seen` is the revision of the bench that the screen showed."""

    bench: NeededLabel
    text: NeededLabel
    seen: int = Field(default=0, ge=0)


class GiveCommand(Model):
    """Order to take a command at a bench; `seen` as in `GiveText`."""

    bench: NeededLabel
    command: Command
    seen: int = Field(default=0, ge=0)


def give_text(laboratory: Laboratory, order: GiveText) -> dict[str, Any]:
    """Take a text at a bench.

    Raises:
        SettingError: no daemon runs, the bench is not known, or the screen showed an earlier state.
    """
    flows = _flows(laboratory, order.bench)
    flows.text(order.bench, order.text, _actor(laboratory), order.seen)
    return _answer(flows, order.bench)


def give_command(laboratory: Laboratory, order: GiveCommand) -> dict[str, Any]:
    """Take a command at a bench; errors as in `give_text`."""
    flows = _flows(laboratory, order.bench)
    flows.command(order.bench, Pressed(order.command), _actor(laboratory), order.seen)
    return _answer(flows, order.bench)


def _flows(laboratory: Laboratory, bench: str) -> BenchWork:
    if laboratory.flows is None:
        raise SettingError("the work at a bench needs the daemon; start it: daq serve")
    laboratory.catalogue.instrument(bench)  # refuses one that is not known
    return laboratory.flows


def _actor(laboratory: Laboratory) -> Actor:
    # The daemon has it; the page knows only the names of these acts, and starts without the models of results.
    from daq.app.laboratory.signing.changed_samples import may_withdraw

    return Actor(laboratory.who, laboratory.login, laboratory.badge, laboratory.ticket, may_withdraw(laboratory))


def _answer(flows: BenchWork, bench: str) -> dict[str, Any]:
    state, revision, message = flows.state(bench)
    return {"stage": state.stage, "revision": revision, "message": message.code}


ACTS: Final = (
    Act("bench_text", GiveText, "measure", give_text),
    Act("bench_command", GiveCommand, "measure", give_command),
)
