"""Constants of the fitted geometry and of the instrument are part of what was verified."""

import random
from dataclasses import replace

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.records import ChangeRecords
from daq.app.laboratory.acts import carry_out
from daq.app.records.checks.audited_checks import entries, pair_of
from daq.app.records.checks.instrument_history import standing_of
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.constants import constants_of
from daq.app.setup.fitted import change_of, conflict, fit_of, fits_by_file, with_fit
from daq.core.encoding import encode
from daq.methods.files.instrument import Instrument, VerificationInterval
from tests.support.laboratories import laboratory
from tests.support.runs.stored import T0, begin, conclude, end, register
from tests.support.signed_laboratories import verification_detail

GEOMETRIES = ("coaxial-12", "coaxial-15")
VALUES = {"outer_radius": (17.0, 18.0), "end_factor": (1.1, 1.2)}


class Bench:
    """A bench whose file is edited, with the model of what was verified with which constants."""

    def __init__(self, lab):
        self.lab, self.fitted, self.recorded = lab, "coaxial-12", None
        self.file = dict.fromkeys(GEOMETRIES, (17.0, 1.1))
        self.scale = 1000.0
        self.verified = []
        self.edit(random.Random(0))
        self.fit("coaxial-12")
        lab.store.submit(register()).result(10)

    @property
    def instrument(self):
        return self.lab.catalogue.instruments["bench-1"]

    def now(self, geometry):
        return (*self.file[geometry], self.scale)

    def edit(self, rng):
        if rng.random() < 0.3:
            self.scale = rng.choice((1000.0, 1100.0))
        else:
            self.file[rng.choice(GEOMETRIES)] = tuple(rng.choice(values) for values in VALUES.values())
        before = self.instrument
        scale = replace(before.specification.torque_full_scale, value=self.scale)
        geometries = {
            name: before.geometries[name].model_copy(update=dict(zip(VALUES, self.file[name], strict=True)))
            for name in GEOMETRIES
        }
        update = {
            "geometries": geometries,
            "specification": before.specification.model_copy(update={"torque_full_scale": scale}),
            "verification": VerificationInterval(every="31 d"),
        }
        self.lab.catalogue.instruments["bench-1"] = before.model_copy(update=update)

    def fit(self, geometry):
        carry_out(self.lab, "fit", {"instrument": "bench-1", "geometry": geometry})
        self.fitted, self.recorded = geometry, self.now(geometry)

    def verify(self, passed):
        run, store = f"check-{len(self.verified)}", self.lab.store
        detail = verification_detail(run, passed=passed, geometry=self.fitted)
        began = begin(run, "bench-1")
        for step in (
            replace(began, run=replace(began.run, simulated=False)),
            conclude(run, result_id=f"r-{run}", verification=encode(detail)),
            end(run),
        ):
            store.submit(step).result(10)
        self.verified.append((self.fitted, passed, self.recorded))

    def expected(self):
        """Return whether a run is refused, and the outcome of the newest verification that counts."""
        own = [
            passed
            for geometry, passed, constants in self.verified
            if geometry == self.fitted and (not passed or constants == self.now(geometry))
        ]
        return self.recorded != self.now(self.fitted), own[-1] if own else None

    def found(self):
        with self.lab.reader() as reader:
            fit = fit_of(reader, "bench-1")
            refused = conflict(self.lab.catalogue, self.instrument, fit)
            instrument = with_fit(self.instrument, fit)
            now = standing_of(
                reader, entries(reader, "bench-1"), instrument, pair_of(instrument, "R-1042"), T0, self.lab.catalogue
            )
        assert now.overdue == (not any(self.is_pass(v) for v in self.verified))
        return refused is not None, now.passed

    def is_pass(self, verified):
        geometry, passed, constants = verified
        return geometry == self.fitted and passed and constants == self.now(geometry)


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_a_pass_counts_only_with_the_constants_that_it_was_measured_with(tmp_path, seed):
    rng, seen = random.Random(seed), set()
    with laboratory(tmp_path) as lab:
        bench = Bench(lab)
        for _ in range(60):
            kind = rng.choice(("edit", "edit", "fit", "fit", "verify"))
            if kind == "edit":
                bench.edit(rng)
            elif kind == "fit":
                bench.fit(rng.choice((bench.fitted, bench.fitted, *GEOMETRIES)))
            elif not bench.expected()[0]:  # it would be refused
                bench.verify(rng.choice((True, True, True, False)))
            assert bench.found() == bench.expected()
            seen.add(bench.expected())
    assert seen >= {(False, True), (False, False), (False, None), (True, None), (True, False)}


def geometry_classes():
    """Return each kind of geometry by its name, found in the model of the file."""
    union = Instrument.model_fields["geometries"].annotation.__args__[1].__origin__
    return {g.model_fields["kind"].annotation.__args__[0]: g for g in union.__args__}


def test_each_number_of_each_kind_of_geometry_is_among_the_constants():
    bench = Catalogue.load(examples_dir()).instruments["bench-1"]
    given = {
        "coaxial_cylinders": {"inner_radius": 12.0, "outer_radius": 15.0, "length": 40.0},
        "single_cylinder_in_large_vessel": {"radius": 10.0, "length": 30.0, "vessel_radius": 50.0},
        "cone_and_plate": {"radius": 20.0, "angle": 1.0},
        "parallel_plates": {"radius": 20.0, "gap": 1.0},
        "disc": {"radius": 20.0},
        "vane": {"diameter": 20.0, "height": 30.0},
        "calibrated_constants": {"full_scale_viscosity": "1000 mPa.s", "at_speed": 10.0},
    }
    classes = geometry_classes()
    assert set(classes) == set(given)
    for kind, known in classes.items():
        made = known.model_validate({"kind": kind} | given[kind])
        for name in known.model_fields:
            if name in ("kind", "title", "serial", "fill_volume", "immersion"):
                continue
            value = getattr(made, name)
            other = not value if isinstance(value, bool) else f"{value}x" if isinstance(value, str) else None
            if other is None:
                other = replace(value, value=value.value * 1.01) if hasattr(value, "unit") else value * 1.01
            changed = made.model_copy(update={name: other})
            before, now = (
                constants_of(bench.model_copy(update={"geometries": {"g": g}, "fitted": "g"})) for g in (made, changed)
            )
            assert next(k for k in {*before, *now} if before.get(k) != now.get(k)).startswith(f"geometries.g.{name}")


def test_each_part_of_an_instrument_that_enters_a_value_is_among_its_constants():
    bench = Catalogue.load(examples_dir()).instruments["bench-1"]
    for change, differs in (
        ({"options": bench.options | {"direction": "backward"}}, True),
        ({"options": bench.options | {"spring": 1.5}}, True),
        ({"options": bench.options | {"interval_ms": 200}}, False),
        ({"driver": "other"}, True),
        ({"title": "Bench"}, False),
        ({"port": "/dev/other"}, False),
        ({"probes": {"bath": {"offset": "0.1 K"}}}, True),
        ({"density_vessel": {"volume": "100 mL"}}, True),
    ):
        plain = bench.model_dump(exclude={"specification"})
        bench = Instrument.model_validate(plain)
        changed = Instrument.model_validate(plain | change)
        assert (constants_of(changed) != constants_of(bench)) is differs, change


def test_a_record_of_an_earlier_version_takes_the_constants_of_the_file_once(tmp_path):
    with laboratory(tmp_path) as lab:
        carry_out(lab, "fit", {"instrument": "bench-1", "geometry": "coaxial-12"})
        with lab.reader() as reader:
            fit = fit_of(reader, "bench-1")
        old = fit.record.model_copy(update={"constants": {}})
        lab.store.submit(ChangeRecords((change_of(old, "geometry_fitted", 1),), T0, "m")).result(10)
        for _ in range(2):
            with lab.reader() as reader:
                fit = fit_of(reader, "bench-1")
            changes = fits_by_file(lab.catalogue, ["bench-1"], {"bench-1": fit})
            if fit.record.constants:
                assert (changes, fit.revision) == ([], 3)
            else:
                assert conflict(lab.catalogue, lab.catalogue.instruments["bench-1"], fit) is None
                lab.store.submit(ChangeRecords(tuple(changes), T0, "daemon")).result(10)
        assert fit.record.constants == constants_of(lab.catalogue.instruments["bench-1"])
