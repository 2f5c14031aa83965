"""Two rotational benches in this process whose configuration is a folder of files that a test changes."""

import asyncio
import re
import shutil

from daq.adapters.paths import examples_dir
from daq.app.laboratory.acts import carry_out
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from tests.support.memory_bench import SupervisorBench, rotational
from tests.support.processes.laboratory import LONG, SHORT

PRODUCT = """
id = "glaze"
name = "Glaze"
version = "1"
expected_viscosity = "800 mPa.s"

[[limits]]
quantity = "viscosity"
low = 300
high = 900
unit = "mPa.s"
methods = ["short 1"]
"""


def write_configuration(folder, fitted="coaxial-15"):
    """Write the files of bench-1 and bench-2 with two methods, a product and the example's reference fluid."""
    for kind in ("instruments", "methods", "products", "fluids"):
        (folder / kind).mkdir(parents=True)
    (folder / "daemon.toml").write_text("", "utf-8")
    text = (examples_dir() / "instruments" / "bench-1.toml").read_text("utf-8")
    text = text.partition("[companions]")[0].replace('fitted = "coaxial-12"', f'fitted = "{fitted}"')
    text = text.replace("enable_motion = true", "enable_motion = true\nsimulated = true")
    for name in ("bench-1", "bench-2"):
        (folder / "instruments" / f"{name}.toml").write_text(text.replace("bench-1", name), "utf-8")
    (folder / "methods" / "short.toml").write_text(SHORT, "utf-8")
    (folder / "methods" / "long.toml").write_text(LONG, "utf-8")
    (folder / "products" / "glaze.toml").write_text(PRODUCT, "utf-8")
    shutil.copy(examples_dir() / "fluids" / "reference-b.toml", folder / "fluids")
    return folder


class FileBench(SupervisorBench):
    """A supervisor of the benches of a folder; `config` is the folder."""

    def __init__(self, folder, **options):
        self.config = folder / "config"
        if not self.config.exists():
            write_configuration(self.config)
        super().__init__(folder, catalogue=Catalogue.load(self.config), **options)

    def path(self, name):
        return self.config / f"{name}.toml"

    def change(self, name, old, new):
        """Replace a part of a file, which must be there."""
        text = self.path(name).read_text("utf-8")
        assert re.search(old, text), (name, old)
        self.path(name).write_text(re.sub(old, lambda _: new, text, count=1), "utf-8")

    def mount(self, instrument, geometry):
        """Fit a geometry to the simulated instrument, as hands do; the daemon does not see it."""
        self.boxes[instrument].simulator = rotational(geometry=geometry)

    async def begin_on(self, instrument="bench-1", method="short", **more):
        order = {"method_id": method, "instrument": instrument, "sample": "S-1", **more}
        return await self.supervisor.begin(RunOrder(**order))

    async def measured(self, instrument="bench-1", method="short", **more):
        """Run to the end and return the result."""
        outcome = await (await self.begin_on(instrument, method, **more)).task
        await self.until(lambda: self.supervisor.sessions[instrument].standing.state == "ready")
        return self.result(outcome.run_id)

    async def fit(self, instrument, geometry, serial=""):
        """Carry out the act `fit` as the daemon does."""
        laboratory = self.supervisor.laboratory("m.keeper")
        order = {"instrument": instrument, "geometry": geometry, "serial": serial}
        return await asyncio.to_thread(carry_out, laboratory, "fit", order)
