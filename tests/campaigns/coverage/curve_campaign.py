"""Coverage of every parameter of every flow model for every form of a specification, and of the choice of a model."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import get_args

from daq.methods.files.recipe import ALL_MODELS
from tests.campaigns.coverage.curves import FLUIDS, FORMS, Case, Distribution, simulate
from tests.campaigns.coverage.shares import WANTED, Share, coverage_with_one_limit

NON_NEWTONIAN = 0.05
"""Greatest share of Newtonian fluids that are called non-Newtonian."""
MUCH_SCATTER = (1.0, 2.0)
NEWTONIAN = "newtonian"


@dataclass(frozen=True, slots=True)
class Cell:
    """One model, form of specification and distribution of the errors."""

    form: str
    distribution: Distribution
    model: str

    def case(self, number: int) -> Case:
        """Return the case of an instrument; a Newtonian fluid is fitted with all models."""
        fluids = FLUIDS[self.model]
        return Case(
            fluids[number % len(fluids)],
            FORMS[self.form],
            self.distribution,
            models=ALL_MODELS if self.model == NEWTONIAN else (self.model,),
            scatter=MUCH_SCATTER if "much scatter" in self.form else Case.scatter,
        )


@dataclass(slots=True)
class Tally:
    """Outcomes of one cell."""

    held: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    limits: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    """Share of the variance from the instrument, of each interval."""
    refused: int = 0
    other_model: int = 0
    total: int = 0

    def shares(self, distribution: Distribution) -> dict[str, Share]:
        """Return the share of each parameter; more is allowed where limits make rectangular errors prevail."""
        out: dict[str, Share] = {}
        for name, held in self.held.items():
            limits = self.part_of_limits(name) if distribution == "rectangular" else 0.0
            out[name] = Share.of(held, highest=max(WANTED[1], coverage_with_one_limit(limits)))
        return out

    def part_of_limits(self, parameter: str) -> float:
        """Return the mean share of the variance that comes from the instrument's limits."""
        return math.fsum(self.limits[parameter]) / len(self.limits[parameter])

    @property
    def called_other(self) -> Share:
        return Share(self.other_model, self.total, 0.0, NON_NEWTONIAN)


def cells(models: Iterable[str] = tuple(FLUIDS), forms: Iterable[str] = tuple(FORMS)) -> list[Cell]:
    kinds: tuple[Distribution, ...] = get_args(Distribution)
    return [Cell(form, kind, model) for form in forms for kind in kinds for model in models]


def tally(cell: Cell, seed: int, runs: int) -> Tally:
    """Return the outcomes of a cell over `runs` instruments; the same arguments give the same outcomes."""
    out = Tally(total=runs)
    for number in range(runs):
        found = simulate(cell.case(number), f"curves {seed} {cell} {number}")
        out.other_model += found.curve.chosen not in (cell.model, None)
        fit = next((f for f in found.curve.fits if f.model == cell.model), None)
        if fit is None:
            out.refused += 1
            continue
        for p in fit.parameters:
            out.held[p.name].append(abs(p.value - found.truth[p.name]) <= p.expanded)
            out.limits[p.name].append(max(1.0 - (p.k * p.standard_error / p.expanded) ** 2, 0.0))
    return out


def curve_campaign(seed: int, runs: int, processes: int = 1, which: Sequence[Cell] = ()) -> dict[Cell, Tally]:
    """Return the outcomes of all cells, in any number of processes."""
    wanted = which or cells()
    work = partial(tally, seed=seed, runs=runs)
    if processes == 1:
        return {cell: work(cell) for cell in wanted}
    with ProcessPoolExecutor(processes) as pool:
        return dict(zip(wanted, pool.map(work, wanted), strict=True))


def report_curves(found: dict[Cell, Tally]) -> bool:
    """Print the share of each parameter by form and model; return True if no confidence interval contradicts the claims."""
    print(
        f"\nFlow curves: share of 95 % intervals that hold the true parameter, wanted {WANTED[0]:.0%} to {WANTED[1]:.0%}.\n"
        "In brackets: part of the variance from the instrument's limits. '>' marks over-coverage: such a part of the\n"
        "variance in one rectangular error, which has no tails, lets ± 1.96 u hold as much as is shown behind '>'.\n"
        "'!' marks a share whose own 95 % confidence interval (Clopper and Pearson) lies outside what is wanted."
    )
    good, heading = True, ("", "")
    for cell, done in found.items():
        if (cell.form, cell.distribution) != heading:
            heading = (cell.form, cell.distribution)
            print(f"\n{cell.form}; errors {cell.distribution}")
        texts = []
        for name, share in done.shares(cell.distribution).items():
            good &= share.holds
            texts.append(_text(name, share, done.part_of_limits(name)))
        if cell.model == NEWTONIAN:
            low, high = done.called_other.interval
            good &= done.called_other.holds
            mark = "" if done.called_other.holds else " !"
            texts.append(f"called non-Newtonian {done.called_other.share:.1%} ({low:.1%} to {high:.1%}){mark}")
        refused = f"  (refused {done.refused} of {done.total})" if done.refused else ""
        print(f"  {cell.model:<17}" + "  ".join(texts) + refused)
    newtonian = [t for c, t in found.items() if c.model == NEWTONIAN]
    if newtonian:
        both = Share(sum(t.other_model for t in newtonian), sum(t.total for t in newtonian), 0.0, NON_NEWTONIAN)
        good &= both.holds
        low, high = both.interval
        print(
            f"\nNewtonian fluids called non-Newtonian, all forms: {both.share:.1%} of {both.total} ({low:.1%} to {high:.1%})"
        )
    print(f"flow curves: {'holds' if good else 'DOES NOT HOLD'}")
    return good


def _text(name: str, share: Share, limits: float) -> str:
    over = f" > {share.highest:.1%}" if share.share > WANTED[1] and share.highest > WANTED[1] else ""
    return f"{name} {share.share:.1%}{over} [{limits:.0%}]" + ("" if share.holds else " !")
