"""Limits of a control chart that a person fixed from the points of a period in control (phase one, ISO 7870-2)."""

from typing import Annotated, ClassVar, Final

from pydantic import Field

from daq.laboratory.record import Record
from daq.methods.files.fields import Label, Listed, Model, NeededLabel

LEAST_TO_FIX: Final = 20
"""Least number of points from which limits are fixed (Montgomery: 20 to 25 for phase one)."""
CONTROL: Final = "control"
"""Beginning of the quantity of a chart of controls, which is the viscosity of the control fluid."""
Finite = Annotated[float, Field(allow_inf_nan=False)]


class ChartName(Model):
    """The chart that limits belong to.

    Attributes:
        product: product; "" for a chart of verifications.
        fluid, instrument: reference or control fluid and the instrument; "" for a chart of a product.
        geometry: measuring geometry; "" without one.
        quantity: such as ``viscosity``; of verifications ``deviation`` with the name of the step; of controls
            ``control`` with the lot of the fluid.
    """

    product: Label = ""
    fluid: Label = ""
    instrument: Label = ""
    geometry: Label = ""
    quantity: NeededLabel

    @property
    def id(self) -> str:
        """The id of the chart's limits."""
        subject = f"product {self.product}" if self.product else f"fluid {self.fluid} on {self.instrument}"
        return f"{subject}, {self.geometry or 'no geometry'}, {self.quantity}"


def control_quantity(lot: str) -> str:
    """Return the quantity of a chart of controls: values of another lot of the fluid belong on another chart."""
    return f"{CONTROL}, lot {lot}"


class ChartLimits(Record):
    """Centre line and standard deviation that hold for a chart from now on.

    Attributes:
        chart: the chart.
        method: id, version and choices of the method whose points were used.
        unit: UCUM code of centre and sigma.
        centre: centre line.
        sigma: standard deviation of single points: mean moving range over d2.
        count: number of points.
        runs: runs whose results are the points.
        first, last: names of the first and the last of them.
        left_out: samples that the person left out, because their cause was found.
        simulated: whether the points were simulated: such limits hold for simulated points only.
        serials: serial numbers of the measuring geometries with which the points were measured, "" where it is not
            known: the limits hold for these only.
        beyond: names of the points that are outside of these limits, which were computed from them.
        not_passed: names of the points that are controls that did not pass: they make the limits wider.  Limits that
            were stored before both fields were have neither.
    """

    kind: ClassVar[str] = "chart_limits"
    chart: ChartName
    method: str
    unit: str
    centre: Finite
    sigma: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    count: Annotated[int, Field(ge=LEAST_TO_FIX)]
    runs: tuple[str, ...]
    first: str
    last: str
    left_out: tuple[str, ...] = ()
    simulated: bool = False
    serials: Annotated[tuple[Label, ...], Listed] = ("",)
    beyond: tuple[str, ...] = ()
    not_passed: tuple[str, ...] = ()

    def keys(self) -> tuple[tuple[str, str], ...]:
        """Return the keys: the product, or the fluid and the instrument."""
        named = (("product", self.chart.product), ("fluid", self.chart.fluid), ("instrument", self.chart.instrument))
        return tuple((name, value) for name, value in named if value)
