"""The act that fixes the limits of a control chart from the points of a period in control (phase one)."""

from typing import Annotated, Any, Final

from pydantic import Field

from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory, changed, new
from daq.app.laboratory.lists.charting import left_out_runs, product_charts, verification_charts
from daq.core.errors import SettingError, coded
from daq.laboratory.chartlimits import LEAST_TO_FIX, ChartLimits
from daq.laboratory.controlchart import Chart, trial
from daq.methods.files.fields import Label, Listed, Model, NeededLabel
from daq.methods.planning.standing import SIGMAS
from daq.quality.limits import in_sigmas

MOST_POINTS: Final = 1000
Last = Annotated[int, Field(ge=1, le=MOST_POINTS)]


class ChartChoice(Model):
    """The choice of a chart and of its newest points.

    Attributes:
        product: product; or
        fluid, instrument: the fluid of verifications and the instrument.
        geometry, quantity: which chart, where there are several.
        last: number of points.
        without: samples (or runs of verifications by the beginnings of their ids) that are left out, because the cause
            of their value was found.
    """

    product: Label = ""
    fluid: Label = ""
    instrument: Label = ""
    geometry: Label = ""
    quantity: Label = ""
    last: Last
    without: Annotated[tuple[NeededLabel, ...], Listed] = ()


class FixChartLimits(ChartChoice):
    """Order to fix the limits of a chart from its newest points; `because`: why they describe the process."""

    because: NeededLabel


def fix(laboratory: Laboratory, order: FixChartLimits) -> dict[str, Any]:
    """Compute centre line and sigma from the points of a chart, and store them as its limits.

    Limits and outcome name the points that are outside of these limits, and the controls among them that did not pass:
    the person decides whether they show the process.

    Raises:
        SettingError: there are several such charts, too few points, or points without scatter, or an entry of `without`
            names no point.
        StoreError: another change of the limits came first.
    """
    chart = only_one(charts_of(laboratory, order), order.geometry, order.quantity)
    values = [p.value for p in chart.points]
    if len(values) < LEAST_TO_FIX:
        error = SettingError(
            f"there are {len(values)} points of {chart.name.id}; limits are fixed from at least {LEAST_TO_FIX}",
            key="last",
        )
        raise coded(
            error,
            "too_few_points",
            count=str(len(values)),
            least=str(LEAST_TO_FIX),
            chart=chart.name.id,
        )
    found = trial(values)
    if found is None:
        raise coded(
            SettingError(f"all points of {chart.name.id} are equal: they show no scatter, so there are no limits"),
            "no_scatter",
            chart=chart.name.id,
        )
    with laboratory.reader() as reader:
        left_out = order.without if order.product else left_out_runs(reader, order.without)
    suspect = {
        "beyond": [p for p in chart.points if abs(in_sigmas(p.value, found.centre, found.sigma)) > SIGMAS],
        "not_passed": [p for p in chart.points if p.is_outside],
    }
    named = {name: tuple(p.name for p in points) for name, points in suspect.items()}
    record = ChartLimits(
        id=chart.name.id,
        chart=chart.name,
        method=chart.method,
        unit=chart.unit,
        centre=found.centre,
        sigma=found.sigma,
        count=len(values),
        runs=tuple(run for p in chart.points for run in p.runs),
        first=chart.points[0].name,
        last=chart.points[-1].name,
        left_out=left_out,
        simulated=any(p.simulated for p in chart.points),
        serials=tuple(sorted({serial for p in chart.points for serial in p.serials})),
        **named,
    )
    kept = laboratory.found(ChartLimits, record.id)
    what = "chart_limits_fixed"
    laboratory.change(new(record, what) if kept is None else changed(kept, record, what), because=order.because)
    return {
        "id": record.id,
        "centre": found.centre,
        "sigma": found.sigma,
        "lower": found.lower,
        "upper": found.upper,
        "unit": chart.unit,
        "points": len(values),
        # As `without` takes them.
        "suspect": {name: [p.name if order.product else p.runs[0] for p in points] for name, points in suspect.items()},
    } | named


def charts_of(laboratory: Laboratory, order: ChartChoice) -> list[Chart]:
    """Return the charts of a product, or of verifications with a fluid on an instrument.

    Raises:
        SettingError: the order names neither or both, or the product is not known.
    """
    if bool(order.product) == bool(order.fluid) or bool(order.fluid) != bool(order.instrument):
        raise coded(SettingError("needs a product, or a fluid with an instrument", key="product"), "chart_not_named")
    with laboratory.reader() as reader:
        if order.product:
            product = laboratory.catalogue.product(order.product)
            return product_charts(
                reader,
                product,
                last=order.last,
                geometry=order.geometry,
                quantity=order.quantity,
                without=order.without,
            )
        return verification_charts(
            reader,
            order.fluid,
            order.instrument,
            last=order.last,
            geometry=order.geometry,
            quantity=order.quantity,
            without=order.without,
        )


def only_one(charts: list[Chart], geometry: str, quantity: str) -> Chart:
    """Return the chart of this geometry and quantity ("": any).

    Raises:
        SettingError: there are several, or none.
    """
    found = [c for c in charts if geometry in ("", c.name.geometry) and quantity in ("", c.name.quantity)]
    if len(found) != 1:
        names = "; ".join(f"{c.name.geometry or 'no geometry'} with {c.name.quantity}" for c in charts)
        raise coded(
            SettingError(f"there are {len(found)} such charts; choose one of: {names}", key="geometry"),
            "several_charts",
            count=str(len(found)),
            charts=", ".join(f"{c.name.geometry} {c.name.quantity}".strip() for c in charts),
        )
    return found[0]


ACTS: Final = (Act("chart_limits_fix", FixChartLimits, "review", fix),)
