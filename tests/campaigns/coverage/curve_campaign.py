"""Coverage of every parameter of every flow model for every form of a specification, and of the choice of a model."""

import functools
import math
import sys
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Final, get_args

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
            parameters_only=True,
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
            most = self.most_held(name) if distribution == "rectangular" else 0.0
            out[name] = Share.of(held, highest=max(WANTED[1], most))
        return out

    def most_held(self, parameter: str) -> float:
        """Return the share that is held at most, if the instrument's part is one rectangular error.

        It is the mean over the intervals, because the share rises faster than the instrument's part of the variance.
        """
        parts = [_most_held(round(part, 2)) for part in self.limits[parameter]]
        return math.fsum(parts) / len(parts)

    def part_of_limits(self, parameter: str) -> float:
        """Return the mean share of the variance that comes from the instrument's limits."""
        return math.fsum(self.limits[parameter]) / len(self.limits[parameter])

    def is_as_claimed(self, cell: Cell) -> bool:
        """Return False where a confidence interval contradicts a claim."""
        others = cell.model != NEWTONIAN or self.called_other.holds
        return others and all(share.holds for share in self.shares(cell.distribution).values())

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


def outcomes(seed: int, runs: int, processes: int = 1, which: Sequence[Cell] = ()) -> Iterator[tuple[Cell, Tally]]:
    """Yield each cell with its outcomes as it is finished, in the order of the cells, for any number of processes."""
    wanted = which or cells()
    work = partial(tally, seed=seed, runs=runs)
    if processes == 1:
        yield from ((cell, work(cell)) for cell in wanted)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from zip(wanted, pool.map(work, wanted), strict=True)


def curve_campaign(seed: int, runs: int, processes: int = 1, which: Sequence[Cell] = ()) -> dict[Cell, Tally]:
    """Return the outcomes of all cells, in any number of processes."""
    return dict(outcomes(seed, runs, processes, which))


def with_progress(found: Iterable[tuple[Cell, Tally]], total: int) -> Iterator[tuple[Cell, Tally]]:
    """Yield the outcomes; write the number of finished cells and the seconds since the start to standard error."""
    began = time.monotonic()
    for number, pair in enumerate(found, 1):
        yield pair
        print(f"{number} of {total} rows, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)


AGAIN: Final = 3
"""A row that its confidence interval contradicts is measured again with this many times the instruments."""


def judge_curves(seed: int, runs: int, processes: int = 1, which: Sequence[Cell] = ()) -> bool:
    """Report all cells; measure the contradicted ones again with more, other instruments; return the verdict.

    Some of 340 intervals of 95 % lie outside by chance alone, but not a second time.
    """
    total, done = len(which or cells()), dict[Cell, Tally]()

    def kept() -> Iterator[tuple[Cell, Tally]]:
        for cell, found in with_progress(outcomes(seed, runs, processes, which), total):
            done[cell] = found
            yield cell, found

    good = report_curves(kept())
    doubted = [cell for cell, found in done.items() if not found.is_as_claimed(cell)]
    if not doubted or not _newtonian(done.items()).holds:
        return good
    print(f"\nthe {len(doubted)} rows with '!' again, {AGAIN * runs} other instruments each, seed {seed + 1}")
    return report_curves(with_progress(outcomes(seed + 1, AGAIN * runs, processes, doubted), len(doubted)))


def _newtonian(found: Iterable[tuple[Cell, Tally]]) -> Share:
    """Return the share of all Newtonian fluids that are called non-Newtonian."""
    tallies = [done for cell, done in found if cell.model == NEWTONIAN]
    return Share(sum(t.other_model for t in tallies), sum(t.total for t in tallies), 0.0, NON_NEWTONIAN)


def report_curves(found: Iterable[tuple[Cell, Tally]]) -> bool:
    """Print the share of each parameter by form and model, each row as soon as `found` yields it.

    Return True if no confidence interval contradicts the claims.
    """
    print(
        f"\nFlow curves: share of 95 % intervals that hold the true parameter, wanted {WANTED[0]:.0%} to {WANTED[1]:.0%}.\n"
        "In brackets: part of the variance from the instrument's limits. '>' marks over-coverage: such parts of the\n"
        "variance in one rectangular error, which has no tails, let ± 1.96 u hold as much as is shown behind '>'.\n"
        "'!' marks a share whose own 95 % confidence interval (Clopper and Pearson) lies outside what is wanted."
    )
    good, heading, shown = True, ("", ""), []
    for cell, done in found:
        shown.append((cell, done))
        good &= done.is_as_claimed(cell)
        if (cell.form, cell.distribution) != heading:
            heading = (cell.form, cell.distribution)
            print(f"\n{cell.form}; errors {cell.distribution}")
        texts = []
        for name, share in done.shares(cell.distribution).items():
            texts.append(_text(name, share, done.part_of_limits(name)))
        if cell.model == NEWTONIAN:
            low, high = done.called_other.interval
            mark = "" if done.called_other.holds else " !"
            texts.append(f"called non-Newtonian {done.called_other.share:.1%} ({low:.1%} to {high:.1%}){mark}")
        refused = f"  (refused {done.refused} of {done.total})" if done.refused else ""
        print(f"  {cell.model:<17}" + "  ".join(texts) + refused, flush=True)
    newtonian = _newtonian(shown)
    if newtonian.total:
        good &= newtonian.holds
        low, high = newtonian.interval
        print(
            f"\nNewtonian fluids called non-Newtonian, all forms: {newtonian.share:.1%} of {newtonian.total} "
            f"({low:.1%} to {high:.1%})"
        )
    print(f"flow curves: {'holds' if good else 'DOES NOT HOLD'}")
    return good


_most_held = functools.cache(coverage_with_one_limit)


def _text(name: str, share: Share, limits: float) -> str:
    over = f" > {share.highest:.1%}" if share.share > WANTED[1] and share.highest > WANTED[1] else ""
    return f"{name} {share.share:.1%}{over} [{limits:.0%}]" + ("" if share.holds else " !")
