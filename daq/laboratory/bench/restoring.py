"""Restore the work at a bench after a restart of the daemon.  No run goes on by itself.  Pure."""

from daq.laboratory.bench.benchstate import FILLED, BenchState, Outcome


def restored(state: BenchState, newest: Outcome | None, *, unclean: bool, unfinished: str = "") -> BenchState:
    """Return the state of a bench after a restart.

    Args:
        state: the state as it was stored last.
        newest: the end of the newest run of the bench; None for none.
        unclean: the daemon ended without its regular end, as after a power failure: fills are discarded, and warm-up,
            zero and geometry are due.
        unfinished: sample of the run of the bench that had not ended when the daemon ended, also one that `daq run`
            started, whatever its outcome is now; "" for none.
    """
    outcome = newest if newest is not None and _is_of_flow(state, newest) else None
    if outcome is not None:
        state = state.model_copy(update={"run": outcome.run, "outcome": outcome})
    if unclean:
        return _after_power_failure(state, unfinished)
    if state.stage in ("starting", "running"):
        stage = "checking" if outcome is None else "verdict"
    elif state.stage == "resting":
        stage = "checking"
    else:
        return state
    return state.model_copy(update={"stage": stage, "before": (), "skipped": (), "draft": "", "stopping": False})


def _is_of_flow(state: BenchState, newest: Outcome) -> bool:
    """Return whether a run is that of the flow: it was started, or was about to begin as the bench's next run."""
    return state.stage in ("starting", "running") and state.run in ("", newest.run)


def _after_power_failure(state: BenchState, unfinished: str) -> BenchState:
    """Return the state that names the fills to discard."""
    at_bench: tuple[str, ...] = (state.named.sample,) if state.named is not None and _holds_filling(state) else ()
    at_bench += (unfinished,) if unfinished else ()
    fills = dict.fromkeys((*state.discard, *at_bench, *(cup.sample for cup in state.cups)))
    cleared = {"before": (), "skipped": (), "draft": "", "stopping": False, "warm_up": True, "opened_utc_ns": 0}
    found = {"discard": tuple(fills), "clean_after": "", "stage": "discarding" if fills else "choosing"}
    return state.model_copy(update=cleared | found)


def _holds_filling(state: BenchState) -> bool:
    return state.stage in FILLED or (state.stage in ("damaging", "discarding") and state.behind in FILLED)
