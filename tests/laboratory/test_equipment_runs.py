"""Every piece of equipment in every state, with every way to order a run: the outcome is stated."""

import contextlib

import pytest

from daq.adapters.paths import socket_path
from daq.adapters.store.transactions import Audit
from daq.app.daemon.control import ControlServer
from daq.app.daemon.daemon_client import follow
from daq.app.daemon.service import Service
from daq.app.laboratory.acts import carry_out
from daq.app.setup.run_order import RunOrder
from daq.core.encoding import encode
from daq.core.errors import NotComparableError, SettingError
from daq.methods.files.instrument import Probe, VerificationInterval
from daq.methods.files.product import Limit
from daq.methods.files.producttest import ProductTest
from daq.methods.files.recipe import Acceptance
from daq.methods.messages.statusdata import StatusData
from daq.methods.planning.standing import AuditedVerification, day
from tests.support.memory_bench import SupervisorBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]

PIECES = ("bench-1", "bench-1/coaxial-15", "thermo-1", "thermo-1/temperature")
NOT_GOOD = ("doubtful", "not_valid")
"""A machine that stalls loses readings, so that a value can also be missing."""
WAYS = ("socket", "direct", "sample", "product", "verification")


class Equipped(SupervisorBench):
    """A bench with a product, a probe, and a method that is a verification."""

    def __init__(self, folder):
        super().__init__(folder, companion=True)
        catalogue = self.supervisor.catalogue
        self.catalogue, self.number = catalogue, 0
        thermometer = catalogue.instruments["thermo-1"]
        catalogue.instruments["thermo-1"] = thermometer.model_copy(update={"probes": {"temperature": Probe()}})
        limit = Limit.model_validate({"low": 1, "high": 1e6, "unit": "mPa.s", "methods": ["short 1"]})
        test = ProductTest(method="short 1")
        engobe = catalogue.product("engobe")
        catalogue.products["engobe"] = engobe.model_copy(
            update={"limits": (limit,), "replicates": None, "tests": (test,), "sample_ids": ()}
        )
        check = catalogue.method("short").model_copy(
            update={"id": "check", "verification": Acceptance.model_validate({"full_scale": "1 %", "levels": 1})}
        )
        catalogue.methods["check"] = {"1": check}

    @contextlib.asynccontextmanager
    async def opened(self):
        """Serve the control socket, too."""
        async with self:
            service = Service(self.supervisor)
            control = ControlServer(socket_path(self.supervisor.state), service.handle)
            await control.start()
            try:
                yield self
            finally:
                await control.stop()

    def act(self, name, **order):
        return carry_out(self.supervisor.laboratory("m.keeper"), name, order)

    def order(self, way, *, anyway=False):
        self.number += 1
        more = {"sample": f"S-{self.number}", "anyway": anyway}
        if way == "sample":
            self.act("sample_add", id=more["sample"], product="engobe")
            return RunOrder(instrument="bench-1", **more)
        if way == "verification":
            return RunOrder(method_id="check", instrument="bench-1", fluid="reference-b", **more)
        product = "engobe" if way == "product" else ""
        return RunOrder(method_id="short", instrument="bench-1", product=product, **more)

    async def run(self, way, **more):
        """Order a run; return its result, or raise the refusal."""
        order = self.order(way, **more)
        if way == "socket":
            answers = [a async for a in follow(socket_path(self.supervisor.state), order)]
        else:
            answers = [a async for a in Service(self.supervisor).handle(order)]
        await self.until(lambda: all(s.standing.state == "ready" for s in self.supervisor.sessions.values()))
        return answers[-1].result

    async def refused(self, way, error=SettingError, **more):
        """Order a run that is refused; return the text.  Nothing turned, and no run was stored."""
        before, runs = self.clock.mono_ns(), self.runs()
        with pytest.raises(error) as caught:
            await self.run(way, **more)
        assert not {"speed", "turn", "run"} & set(self.box.words(before))
        assert self.runs() == runs
        return str(caught.value)

    def runs(self):
        with self.supervisor.store.reader() as reader:
            return [r.id for r in reader.runs(limit=-1)]

    def failed(self):
        """Store that the instrument failed a verification."""
        geometry = {"geometry": "coaxial-15", "geometry_serial": "", "serial": "R-1042"}
        detail = AuditedVerification(
            run="v", result="r-v", passed=False, condition="as_found", fluid="reference-b", lot="1", certificate="c",
            levels=(), results_in_doubt=0, **geometry,
        )  # fmt: skip
        entry = Audit(self.clock.utc_ns(), "m.keeper", "verification", "bench-1", encode(detail))
        self.supervisor.store.submit(entry).result(10)

    def with_interval(self):
        lead = self.catalogue.instruments["bench-1"]
        interval = VerificationInterval.model_validate({"every": "31 d"})
        self.catalogue.instruments["bench-1"] = lead.model_copy(update={"verification": interval})

    def today(self, years):
        """Return the day `years` from now."""
        return day(self.clock.utc_ns() + years * 365 * 86_400 * 10**9)


async def test_no_run_starts_with_a_piece_that_is_out_of_service(tmp_path):
    async with Equipped(tmp_path).opened() as bench:
        for piece in PIECES:
            bench.act("equipment_out", piece=piece, because=f"{piece} was dropped")
            for way in WAYS:
                for anyway in (False, True):
                    text = await bench.refused(way, anyway=anyway)
                    assert f"{piece} " in text
                    assert "is out of service, by m.keeper" in text
                    assert f"{piece} was dropped" in text
            bench.act("equipment_back", piece=piece, because="repaired")
        for way in WAYS:
            data = await bench.run(way)
            assert "calibration_past_due" not in data["faults"]


async def test_a_geometry_that_is_not_fitted_and_an_instrument_that_takes_no_part_refuse_nothing(tmp_path):
    async with Equipped(tmp_path).opened() as bench:
        bench.act("equipment_out", piece="bench-1/coaxial-12", because="bent")
        assert (await bench.run("direct"))["origin"]["instrument"] == "bench-1"
        bench.act("fit", instrument="bench-1", geometry="coaxial-12")
        assert "bench-1/coaxial-12 is out of service" in await bench.refused("direct")


async def test_with_an_overdue_calibration_no_result_is_good(tmp_path):
    async with Equipped(tmp_path).opened() as bench:
        for piece in PIECES:
            old = {"piece": piece, "certificate": "K-1", "day": bench.today(-2), "because": "test"}
            bench.act("equipment_calibrated", due=bench.today(-1), **old)
            for way in WAYS:
                if way in ("sample", "product"):
                    assert "a calibration is overdue" in await bench.refused(way, NotComparableError)
                data = await bench.run(way, anyway=way in ("sample", "product"))
                assert "calibration_past_due" in data["faults"], (piece, way)
                assert not data["quality"].startswith("Good")
                assert data["validity"] in NOT_GOOD
                (reason,) = [r for r in data["reasons"] if r["code"] == "calibration_past_due"]
                assert reason["parameters"] == {"piece": piece, "date": bench.today(-1)}
                if way in ("sample", "product"):
                    assert data["verdict"]["verdict"] not in ("within", "outside")
            bench.act("equipment_calibrated", due=bench.today(1), **old | {"certificate": "K-2"})
        for way in WAYS:
            assert "calibration_past_due" not in (await bench.run(way))["faults"]


async def test_with_an_overdue_or_failed_verification_only_a_verification_is_not_in_doubt(tmp_path):
    async with Equipped(tmp_path).opened() as bench:
        bench.with_interval()
        for fault, code in (("verification_overdue", "never_verified"), ("verification_failed", "verification_failed")):
            if fault == "verification_failed":
                bench.failed()
            for way in WAYS[:-1]:
                if way in ("sample", "product"):
                    assert "verification" in await bench.refused(way, NotComparableError)
                data = await bench.run(way, anyway=way in ("sample", "product"))
                assert fault in data["faults"]
                assert not data["quality"].startswith("Good")
                assert code in [r["code"] for r in data["reasons"]]
            assert fault not in (await bench.run("verification"))["faults"]


async def test_a_piece_that_goes_out_of_service_while_a_run_is_being_started_refuses_it(tmp_path, monkeypatch):
    async with Equipped(tmp_path).opened() as bench:
        progress = bench.supervisor.in_progress
        read = progress._history

        def then_out(*args):
            found = read(*args)
            bench.act("equipment_out", piece="bench-1/coaxial-15", because="bent")
            return found

        monkeypatch.setattr(progress, "_history", then_out)
        assert "was changed while the run was being started" in await bench.refused("direct")


async def test_the_status_has_the_fitted_geometry_and_what_is_out_of_service(tmp_path):
    async with Equipped(tmp_path).opened() as bench:
        facts = bench.supervisor.facts.facts
        assert facts()["fitted"] == {"bench-1": {"geometry": "coaxial-15", "serial": None}}
        bench.act("fit", instrument="bench-1", geometry="coaxial-12", serial="C-7")
        bench.act("equipment_out", piece="thermo-1", because="dropped")
        assert facts()["fitted"] == {"bench-1": {"geometry": "coaxial-12", "serial": "C-7"}}
        assert facts()["out_of_service"] == {"thermo-1": "dropped"}
        bench.act("equipment_back", piece="thermo-1", because="repaired")
        assert facts()["out_of_service"] == {}
        payload = {"state": "online", "time": "t", "source": "s", "epoch": 1, "sequences": {}}
        mqtt = {"protocol": "5", "refusals_visible": True}
        StatusData.model_validate(payload | {"mqtt": mqtt} | facts(), strict=False)
