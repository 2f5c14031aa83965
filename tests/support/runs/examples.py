"""The example files, with changes of a test, and facts of a run made by hand."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from daq.core.driver import Driver, Identity
from daq.core.effects import Facts, Kept, Noted, StepEnded
from daq.core.plan import Plan
from daq.core.remarks import Remark
from daq.core.statistics import Summary
from daq.methods.files import load
from daq.methods.files.collector import Collector
from daq.methods.planning.compile import compile_plan
from daq.textfiles.toml_file import read_toml
from tests.support.instruments.described import RotationalDriver, ThermometerDriver

CONFIG = Path(__file__).parents[3] / "config"
LOADERS = {
    "methods": load.load_method,
    "instruments": load.load_instrument,
    "products": load.load_product,
    "fluids": load.load_fluid,
    "reports": load.load_works,
    "daemon.toml": load.load_daemon,
    "collector.toml": lambda path: load.parse(Collector, read_toml(path), str(path)),
}
S = 1_000_000_000


def changed(folder: Path, file: str, edits: Iterable[tuple[str, str]]) -> Path:
    """Write a copy of an example with texts replaced; every old text must occur in it."""
    text = (CONFIG / file).read_text(encoding="utf-8")
    for old, new in edits:
        assert old in text, f"{old!r} is not in {file}"
        text = text.replace(old, new, 1)
    path = folder / Path(file).name
    path.write_text(text, encoding="utf-8")
    return path


def load_changed(folder: Path, file: str, *edits: tuple[str, str]) -> Any:
    return LOADERS[file.partition("/")[0]](changed(folder, file, edits))


def example(file: str) -> Any:
    return LOADERS[file.partition("/")[0]](CONFIG / file)


def driver_for(instrument: Any) -> Driver:
    return ThermometerDriver({}) if instrument.driver == "thermometer" else RotationalDriver(instrument.options)


def plan_of(method: Any, instrument: Any, **more: Any) -> Plan:
    """Compile a plan from examples by name, or from loaded models."""
    m = example(f"methods/{method}.toml") if isinstance(method, str) else method
    i = example(f"instruments/{instrument}.toml") if isinstance(instrument, str) else instrument
    if isinstance(more.get("product"), str):
        more["product"] = example(f"products/{more['product']}.toml")
    return compile_plan(m, i, driver_for(i), **more)


def rotational_identity(full_scale: float = 1000.0) -> Identity:
    return Identity("rotational", "R-1042", "1.2", {"full_scale_uN_m": full_scale})


def flat(mean: float, n: int = 300, sd: float = 0.0, **more: Any) -> Summary:
    """Return a summary of `n` readings around a mean, with standard deviation `sd`."""
    given: dict[str, Any] = {
        "minimum": mean - sd,
        "maximum": mean + sd,
        "slope": 0.0,
        "lag1": 0.0,
        "last": mean,
        **more,
    }
    return Summary(n, mean, sd, **given)


def kept(
    summaries: Mapping[str, Summary],
    *,
    t: float = 60.0,
    span: float = 30.0,
    step: int = 0,
    faults: tuple[str, ...] = (),
    at: str = "end",
    statistic: str = "mean",
    rule: str = "",
) -> Kept:
    """Return a kept value; `t` and `span` in s, `t` since the start of the run."""
    return Kept(
        t=round(t * S),
        step=step,
        at=at,
        statistic=statistic,
        start=round((t - span) * S),
        asked_ns=round(span * S),
        revolutions=15.0,
        summaries=dict(summaries),
        faults=faults,
        longest_interval_ns=100_000_000,
        completeness=1.0,
        rule=rule,
        event_interval_ns=100_000_000 if at == "event" else 0,
    )


def facts(
    values: Iterable[Kept],
    *,
    outcome: str = "complete",
    reason: Remark | None = None,
    ended: Mapping[int, tuple[float, float, str]] | None = None,
    notes: Iterable[Noted] = (),
) -> Facts:
    """Return the facts of a run that starts at 0; `ended` maps a step to (start s, end s, rule)."""
    steps = [
        StepEnded(round(end * S), i, round(start * S), rule, None, 600, 30.0)
        for i, (start, end, rule) in ({0: (0.0, 60.0, "elapsed ≥ 60 s")} if ended is None else ended).items()
    ]
    values = list(values)
    now = max((k.t for k in values), default=0)
    return Facts(0, now, outcome, reason, steps, values, list(notes))


SPEED = 20.0


def summaries(viscosity=800.0, torque=50.0, speed=SPEED, temperature=25.0, **more):
    """Return the summaries of a span of a clear glaze: scatter 4 mPa.s, lag-1 autocorrelation 0.5."""
    return {
        "torque": flat(torque, sd=0.2),
        "speed": flat(speed),
        "temperature": flat(temperature, sd=0.01),
        "torque_abs": flat(10.0 * torque),
        "stress": flat(11.4),
        "shear_rate": flat(14.3),
        "viscosity": flat(viscosity, sd=4.0, lag1=0.5, **more),
    }


def saturated(n=0):
    return {"torque": Summary(n), "speed": flat(100.0), "temperature": flat(25.0), "viscosity": Summary(n)}
