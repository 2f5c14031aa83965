"""States, events and facts of a bench for tests, drawn by hypothesis."""

from dataclasses import replace

from hypothesis import strategies as st

from daq.laboratory.bench.bench_events import Began, Ended, HandedOver, Pressed, Refused, Text, Tick
from daq.laboratory.bench.benchstate import BenchState, Cup, NamedSample, Outcome
from daq.laboratory.bench.checklists import Facts
from daq.laboratory.bench.flow import OFFERED, step

SECOND = 1_000_000_000
FACTS = Facts(
    mono_ns=10**12,
    utc_ns=18 * 10**17,
    has_rotor=True,
    fitted="coaxial-12",
    serial="S-12",
    fitted_revision=1,
    motor_still=True,
    torque=0.1,
    zero_limit=0.5,
    temperature=25.0,
)
NAMED = NamedSample(
    sample="G-1042", product="clear-glaze", lot="2211", method="clear-glaze-qc 1", caution="Wear gloves.",
    signal="temperature", low=24.8, high=25.2,
)  # fmt: skip
SLOW = NAMED.model_copy(update={"stirring_s": 60.0, "resting_s": 300.0})
COMMANDS = sorted({command for offered in OFFERED.values() for command in offered})


def later(facts, seconds, **more):
    ns = round(seconds * SECOND)
    return replace(facts, mono_ns=facts.mono_ns + ns, utc_ns=facts.utc_ns + ns, **more)


def outcome(run="run-1", verdict="within", repeat="free", validity="valid"):
    return Outcome(run=run, outcome="complete", validity=validity, verdict=verdict, repeat=repeat)


def walked(*events, state=None, facts=FACTS):
    """Return the last step of a bench that takes events in order; an event may be a pair with facts."""
    done = None
    state = BenchState(id="bench-1") if state is None else state
    for event in events:
        taken, at = event if isinstance(event, tuple) else (event, facts)
        done = step(state, taken, at)
        state = done.state
    return done


def ready(facts=FACTS):
    """Return the state of a bench after the start of the shift."""
    return walked(Pressed("confirm"), Pressed("confirm"), facts=facts).state


def in_stage(stage):
    """Return a state of each stage as a shift reaches it."""
    opened = ready()
    checking = walked(Text("G-1042", NAMED), state=opened).state
    started = walked(Pressed("confirm"), Began("run-1"), state=checking).state
    judged = walked(Ended(outcome()), state=started).state
    outside = walked(Ended(outcome(verdict="outside", repeat="cause")), state=started).state
    slow = walked(Text("G-1042", SLOW), (Pressed("confirm"), later(FACTS, 61.0)), state=opened).state
    lost = opened.model_copy(
        update={
            "stage": "discarding",
            "discard": ("G-1",),
            "warm_up": True,
            "cups": (Cup(sample="G-1", since_utc_ns=1),),
        }
    )
    found = {
        "discarding": lost,
        "zeroing": walked(Tick()).state,
        "fitting": walked(Pressed("confirm")).state,
        "choosing": opened,
        "bathing": walked(Pressed("bath"), state=opened).state,
        "checking": checking,
        "resting": slow,
        "starting": walked(Pressed("confirm"), state=checking).state,
        "running": started,
        "verdict": judged,
        "repeating": walked(Pressed("same"), state=judged).state,
        "waiting": walked(Pressed("fresh"), state=outside).state,
        "remarking": walked(Pressed("remark"), state=judged).state,
        "damaging": walked(Pressed("damage"), state=judged).state,
    }[stage]
    assert found.stage == stage
    return found


samples = st.sampled_from([NAMED, SLOW, NAMED.model_copy(update={"sample": "G-7"})])
texts = st.builds(Text, st.text(max_size=20), st.none() | samples, st.just("unknown"))
presses = st.builds(Pressed, st.sampled_from(COMMANDS))
runs = st.sampled_from(["run-1", "run-2"])
ends = st.builds(
    Ended,
    st.builds(outcome, runs, st.sampled_from(["within", "outside"]), st.sampled_from(["free", "replicate", "cause"])),
)
#: Kinds of events with their weights: what a shift usually brings, and everything else at any time.
KINDS = {
    "named": (8, st.builds(Text, st.just("G-1042"), samples)),
    "confirm": (10, st.just(Pressed("confirm"))),
    "began": (4, st.builds(Began, runs)),
    "ended": (4, ends),
    "next": (2, st.just(Pressed("next"))),
    "pressed": (6, presses),
    "text": (3, texts),
    "tick": (3, st.just(Tick())),
    "refused": (1, st.just(Refused("the bench is in a run"))),
    "handed over": (1, st.just(HandedOver())),
}
events = st.sampled_from([name for name, (weight, _) in KINDS.items() for _ in range(weight)]).flatmap(
    lambda name: KINDS[name][1]
)
#: An event with the seconds that pass before it.
timed = st.tuples(events, st.sampled_from([1.0] * 20 + [61.0] * 8 + [400.0] * 6 + [50_000.0]))
#: Facts that change between events.
changing = st.fixed_dictionaries(
    {
        "torque": st.sampled_from([0.1] * 6 + [None, 3.0]),
        "motor_still": st.sampled_from([True] * 9 + [False]),
        "temperature": st.sampled_from([25.0, 30.0, None]),
        "fitted_revision": st.sampled_from([1] * 40 + [2]),
        "out_of_service": st.sampled_from([""] * 9 + ["S-12 is damaged"]),
        "cause": st.sampled_from(["", "", "sampling error"]),
    }
)
