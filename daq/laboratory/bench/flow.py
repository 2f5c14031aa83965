"""The work at a bench as a pure state machine: state and event give the next state and acts.

A text, typed or scanned, names a sample or fills a draft, and does nothing else.  Starts, stops and confirmations are
commands: the screens give them keys that no bar-code scanner sends.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final, Literal

from daq.laboratory.bench.bench_events import (
    Began,
    Begin,
    Command,
    Ended,
    Event,
    HandedOver,
    KeepAfter,
    Message,
    NoteRun,
    Pressed,
    Refused,
    Step,
    Stop,
    TakeOut,
    Text,
    Tick,
)
from daq.laboratory.bench.benchstate import (
    Awaited,
    BenchState,
    Checked,
    Cup,
    Filling,
    NamedSample,
    Stage,
)
from daq.laboratory.bench.checklists import (
    AFTER,
    FITTING,
    Facts,
    checked,
    hindrance,
    items_before,
    opening_due,
    opening_items,
)
from daq.methods.files.fields import LONGEST_LABEL

Asked = Literal["", "sample", "cup", "text"]
"""The text that a stage asks for: nothing, the id of a sample, the id of a cup that enters the bath, or a text that a
command confirms."""

OFFERED: Final[Mapping[Stage, tuple[Command, ...]]] = MappingProxyType(
    {
        "discarding": ("confirm",),
        "zeroing": ("confirm", "skip", "damage"),
        "fitting": ("confirm", "skip", "damage"),
        "choosing": ("bath", "damage"),
        "bathing": ("back",),
        "checking": ("confirm", "skip", "damage", "back"),
        "resting": ("skip", "back", "stop"),
        "starting": ("stop",),
        "running": ("stop",),
        "verdict": ("next", "same", "fresh", "remark", "skip", "damage"),
        "repeating": ("confirm", "back"),
        "waiting": ("back",),
        "remarking": ("confirm", "back"),
        "damaging": ("confirm", "back"),
    }
)
"""Commands of each stage; others have no effect."""
ASKS: Final[Mapping[Stage, Asked]] = MappingProxyType(
    {
        "choosing": "sample",
        "bathing": "cup",
        "resting": "cup",
        "running": "cup",
        "repeating": "text",
        "remarking": "text",
        "damaging": "text",
    }
)
"""The text that a stage asks for; stages that are not listed ignore texts."""
LISTED: Final[tuple[Stage, ...]] = ("zeroing", "fitting", "checking")
"""Stages with a list of items."""


def _to(state: BenchState, stage: Stage, **values: Any) -> BenchState:
    return state.model_copy(update={"stage": stage, "draft": "", "skipped": (), **values})


def _say(state: BenchState, code: str, **values: str) -> Step:
    return Step(state, (), Message(code, values))


CLEAR: Final = Message("")


def step(state: BenchState, event: Event, facts: Facts) -> Step:
    """Return the next state of a bench after an event, with the acts that follow from it."""
    if state.stage == "choosing" and opening_due(state, facts):
        state = _to(state, "zeroing", opened=())
    if state.stage == "checking" and not state.since_ns:
        # The process was started anew: its times count from now on, and a key that was pressed before the restart
        # confirms nothing for this sample.
        state = state.model_copy(update={"since_ns": facts.mono_ns})
    if isinstance(event, Text):
        done = _text(state, event, facts)
    elif isinstance(event, Pressed):
        if event.command not in OFFERED[state.stage]:
            return Step(state)
        if event.command in ("confirm", "skip") and _run_elsewhere(state, facts):
            return _say(state, "run_elsewhere")
        done = _COMMANDS[event.command](state, facts)
    elif isinstance(event, Tick):
        done = _tick(state, facts)
    elif isinstance(event, HandedOver):
        done = Step(state.model_copy(update={"opened_utc_ns": 0}))
    else:
        done = _run_changed(state, event)
    return _opened(done, facts)


def _run_elsewhere(state: BenchState, facts: Facts) -> bool:
    """Return whether a list cannot be worked through, because a run that was started elsewhere turns the rotor."""
    return state.stage in LISTED and bool(facts.active_run) and facts.active_run != state.run


def _opened(done: Step, facts: Facts) -> Step:
    """Return a step that goes on to the start of the shift where that is due."""
    if done.state.stage != "choosing" or not opening_due(done.state, facts):
        return done
    return Step(_to(done.state, "zeroing", opened=()), done.acts, done.message)


# ---- texts


def _text(state: BenchState, event: Text, facts: Facts) -> Step:
    asked = ASKS.get(state.stage, "")
    if not asked:
        return _say(state, "text_ignored", text=event.text)
    if asked == "text":
        draft = "".join(c for c in event.text if c.isprintable())[:LONGEST_LABEL].strip()
        return Step(state.model_copy(update={"draft": draft}), (), CLEAR)
    if event.named is None:
        return _say(state, "sample_refused", **{**event.coded, "reason": event.refusal})
    if asked == "cup":
        return _into_bath(state, event.named.sample, facts)
    if facts.out_of_service:
        return _say(state, "out_of_service", reason=facts.out_of_service)
    named = event.named
    done = _to(state, "checking", named=named, run="", outcome=None, since_ns=facts.mono_ns)
    return Step(done, (), CLEAR)


def _into_bath(state: BenchState, sample: str, facts: Facts) -> Step:
    """Return the step that notes a cup in the bath; the cup of the sample at the bench is not there."""
    if state.named is not None and state.named.sample == sample:
        return _say(state, "cup_at_bench", sample=sample)
    others = tuple(c for c in state.cups if c.sample != sample)
    cups = (*others, Cup(sample=sample, since_utc_ns=facts.utc_ns))
    stage: Stage = "choosing" if state.stage == "bathing" else state.stage
    done = state.model_copy(update={"stage": stage, "cups": cups})
    return Step(done, (), Message("cup_in_bath", {"sample": sample}))


# ---- commands


def _confirm(state: BenchState, facts: Facts) -> Step:
    return _CONFIRMED[state.stage](state, facts)


def present_list(state: BenchState, facts: Facts) -> tuple[Checked, ...]:
    """Return the items of the present list as they would be confirmed now; empty in a stage without a list."""
    if state.stage == "zeroing":
        return checked(opening_items(state, facts), state, facts)
    if state.stage == "fitting":
        return checked(FITTING, state, facts)
    if state.stage == "checking" and state.named is not None:
        return checked(items_before(state.named, facts), state, facts)
    return ()


def _confirm_discarded(state: BenchState, _facts: Facts) -> Step:
    done = _to(state, "choosing", discard=(), cups=(), named=None, run="", outcome=None, clean_after="")
    return Step(done, (), CLEAR)


def _confirm_zero(state: BenchState, facts: Facts) -> Step:
    items = present_list(state, facts)
    if wrong := hindrance(items):
        return _say(state, f"not_met_{wrong}")
    done = _to(state, "fitting", opened=items)
    return Step(done, (), CLEAR) if facts.has_rotor else _confirm_fitted(done, facts)


def _confirm_fitted(state: BenchState, facts: Facts) -> Step:
    fitting = checked(FITTING, state, facts) if facts.has_rotor else ()
    done = _to(
        state,
        "choosing",
        opened=(*state.opened, *fitting),
        opened_utc_ns=facts.utc_ns,
        fitted_revision=facts.fitted_revision,
        warm_up=False,
    )
    return Step(done, (), CLEAR)


def _confirm_checklist(state: BenchState, facts: Facts) -> Step:
    named = state.named
    if named is None:
        return Step(_to(state, "choosing"))
    if facts.out_of_service:
        return _say(state, "out_of_service", reason=facts.out_of_service)
    items = present_list(state, facts)
    if wrong := hindrance(items):
        return _say(state, f"not_met_{wrong}")
    if named.resting_s and named.filling != "same":
        due = facts.mono_ns + round(named.resting_s * 1e9)
        return Step(_to(state, "resting", before=items, due_ns=due), (), CLEAR)
    return _begin(state, named, items)


def _begin(state: BenchState, named: NamedSample, items: tuple[Checked, ...]) -> Step:
    cups = tuple(c for c in state.cups if c.sample != named.sample)
    done = _to(state, "starting", before=(), cups=cups, clean_after="", stopping=False, due_ns=0)
    return Step(done, (Begin(named, state.opened, items),), CLEAR)


def _confirm_repeat(state: BenchState, facts: Facts) -> Step:
    if not state.draft or state.named is None:
        return _say(state, "reason_needed")
    return _repeat(state, state.named.filling, state.draft, facts)


def _confirm_remark(state: BenchState, _facts: Facts) -> Step:
    if not state.draft:
        return _say(state, "remark_needed")
    return Step(_to(state, state.behind), (NoteRun(state.run, state.draft),), Message("remark_kept"))


def _confirm_damage(state: BenchState, facts: Facts) -> Step:
    if not facts.fitted:
        return _say(state, "nothing_fitted")
    if not state.draft:
        return _say(state, "damage_needed")
    found = TakeOut(facts.fitted, facts.serial, state.draft)
    return Step(_to(state, state.behind), (found,), Message("damage_kept", {"geometry": facts.fitted}))


def _next(state: BenchState, _facts: Facts) -> Step:
    after = tuple(Checked(code=code, how="together") for code in AFTER)
    return _left(state, after, state.run)


def _left(state: BenchState, after: tuple[Checked, ...], clean_after: str) -> Step:
    """Return the step from the verdict to the next sample."""
    done = _to(state, "choosing", named=None, run="", outcome=None, clean_after=clean_after)
    return Step(done, (KeepAfter(state.run, after),), CLEAR)


def _skip(state: BenchState, facts: Facts) -> Step:
    if state.stage == "verdict":
        return _left(state, tuple(Checked(code=code, how="skipped") for code in AFTER), "")
    if state.stage == "resting" and state.named is not None:
        return _begin(state, state.named, (*state.before, Checked(code="rested", how="skipped")))
    left = [item.code for item in present_list(state, facts) if item.how not in ("skipped", "earlier")]
    skipped = (*state.skipped, left[0]) if left else ()
    return Step(state.model_copy(update={"skipped": skipped}), (), CLEAR)


def _again(state: BenchState, filling: Filling, facts: Facts) -> Step:
    named, outcome = state.named, state.outcome
    if named is None or outcome is None:
        return Step(state)
    named = named.model_copy(update={"filling": filling, "repeat_of": outcome.run, "reason": ""})
    if outcome.repeat == "replicate" and filling == "fresh":
        return _repeat(state.model_copy(update={"named": named}), filling, "", facts)
    if outcome.repeat == "cause" and not facts.cause:
        others = tuple(a for a in state.awaited if a.run != outcome.run)
        awaited = (*others, Awaited(sample=named.sample, run=outcome.run))
        return Step(_to(state, "waiting", named=named, awaited=awaited), (), CLEAR)
    return Step(_to(state, "repeating", named=named, draft=facts.cause), (), CLEAR)


def _repeat(state: BenchState, filling: Filling, reason: str, facts: Facts) -> Step:
    named = state.named
    if named is None:
        return Step(state)
    named = named.model_copy(update={"filling": filling, "reason": reason})
    awaited = tuple(a for a in state.awaited if a.run != named.repeat_of)
    done = _to(state, "checking", named=named, awaited=awaited, since_ns=facts.mono_ns, clean_after="")
    return Step(done, (), CLEAR)


def _aside(stage: Stage) -> Callable[[BenchState, Facts], Step]:
    def go(state: BenchState, _facts: Facts) -> Step:
        return Step(_to(state, stage, behind=state.stage), (), CLEAR)

    return go


def _back(state: BenchState, _facts: Facts) -> Step:
    if state.stage in ("remarking", "damaging"):
        return Step(_to(state, state.behind), (), CLEAR)
    if state.stage in ("repeating", "waiting"):
        return Step(_to(state, "verdict"), (), CLEAR)
    if state.stage == "resting":
        return Step(_to(state, "checking", before=(), due_ns=0), (), CLEAR)
    if state.stage == "checking" and state.outcome is not None:
        return Step(_to(state, "verdict"), (), CLEAR)
    if state.stage == "bathing":
        return Step(_to(state, "choosing"), (), CLEAR)
    # The vessel may hold a filling already, so it is no longer known to be clean.
    return Step(_to(state, "choosing", named=None, clean_after=""), (), CLEAR)


def _stop(state: BenchState, facts: Facts) -> Step:
    if state.stage == "resting":
        return _back(state, facts)
    if state.stage == "starting":
        return Step(state.model_copy(update={"stopping": True}), (), Message("stop_asked"))
    return Step(state, (Stop(),), Message("stop_asked"))


_CONFIRMED: Final[Mapping[Stage, Callable[[BenchState, Facts], Step]]] = {
    "discarding": _confirm_discarded,
    "zeroing": _confirm_zero,
    "fitting": _confirm_fitted,
    "checking": _confirm_checklist,
    "repeating": _confirm_repeat,
    "remarking": _confirm_remark,
    "damaging": _confirm_damage,
}
_COMMANDS: Final[Mapping[Command, Callable[[BenchState, Facts], Step]]] = {
    "confirm": _confirm,
    "next": _next,
    "same": lambda state, facts: _again(state, "same", facts),
    "fresh": lambda state, facts: _again(state, "fresh", facts),
    "remark": _aside("remarking"),
    "bath": _aside("bathing"),
    "damage": _aside("damaging"),
    "skip": _skip,
    "back": _back,
    "stop": _stop,
}


# ---- the run and the time


def _run_changed(state: BenchState, event: Began | Refused | Ended) -> Step:
    if isinstance(event, Began):
        if state.stage != "starting":
            return Step(state)
        acts = (Stop(),) if state.stopping else ()
        return Step(_to(state, "running", run=event.run, stopping=False), acts)
    if isinstance(event, Refused):
        if state.stage != "starting":
            return Step(state)
        return Step(
            _to(state, "checking", stopping=False), (), Message("not_started", {**event.coded, "reason": event.reason})
        )
    if state.stage != "running" or state.run != event.outcome.run:
        return Step(state)
    return Step(_to(state, "verdict", outcome=event.outcome), (), CLEAR)


def _tick(state: BenchState, facts: Facts) -> Step:
    if state.stage == "resting" and state.named is not None and facts.mono_ns >= state.due_ns:
        rested = Checked(code="rested", how="counted", value=state.named.resting_s, unit="s")
        return _begin(state, state.named, (*state.before, rested))
    if state.stage == "waiting" and facts.cause:
        return Step(_to(state, "repeating", draft=facts.cause), (), Message("cause_assigned"))
    return Step(state)
