"""A verification counts for the piece that it was measured with: its serial number and constants, under any name."""

import itertools
import random
from dataclasses import replace

import pytest

from daq.app.laboratory.acts import carry_out
from daq.app.records.checks.audited_checks import entries, pair_of
from daq.app.records.checks.instrument_history import standing_of
from daq.app.setup.fitted import conflict, fit_of, fits_by_file, fits_of, with_fits
from daq.app.setup.sources import Source
from daq.app.setup.used import Used, begin_configured
from daq.core.encoding import encode
from daq.methods.files.instrument import Instrument, VerificationInterval
from tests.support.laboratories import laboratory
from tests.support.runs.stored import T0, begin, conclude, end, register
from tests.support.signed_laboratories import verification_detail

METHOD = "reference-verification"
NAMES = ("same", "renamed", "copied")
SERIALS = tuple(itertools.product(("", "C-1"), ("", "C-1", "C-2")))
RADII = (17.0, 18.0)


class Bench:
    """Instruments whose files are edited, and their verifications."""

    def __init__(self, lab):
        self.lab, self.catalogue = lab, lab.catalogue
        self.plain = self.catalogue.instruments["bench-1"]
        lab.store.submit(register()).result(10)

    def instrument(self, name, **changes):
        """Put the file of an instrument into the configuration, as it is read."""
        update = {"name": name, "fitted": None, "verification": VerificationInterval(every="31 d")} | changes
        self.catalogue.instruments[name] = self.plain.model_copy(update=update)

    def geometry(self, serial, radius):
        made = self.plain.geometries["coaxial-12"]
        return made.model_copy(update={"serial": serial or None, "outer_radius": radius})

    def fitted(self, name):
        """Return the configuration as it is for a run, and what is fitted."""
        with self.lab.reader() as reader:
            fits = fits_of(reader, [name])
        return with_fits(self.catalogue, fits), fits

    def verify(self, name, *, configured=True):
        """Store a verification that passed; without its configuration as an earlier version of the program did."""
        catalogue, fits = self.fitted(name)
        instrument = catalogue.instruments[name]
        pair = pair_of(instrument, "R-1042")
        run = f"check-{name}"
        detail = replace(
            verification_detail(run, passed=True, geometry=pair.geometry), geometry_serial=pair.geometry_serial
        )
        began = begin(run, name)
        began = replace(began, run=replace(began.run, simulated=False))
        if configured:
            others = (catalogue.instruments[other] for other in instrument.companions.values())
            used = Used((instrument, *others), catalogue.method(METHOD), None, None)
            began = begin_configured(began, catalogue, used, fits)
        concluded = conclude(run, result_id=f"r-{run}", verification=encode(detail))
        for step in (began, concluded, end(run)):
            self.lab.store.submit(step).result(10)

    def measure(self, name):
        """Store the start of a run of a sample with its configuration, and return its id."""
        catalogue, fits = self.fitted(name)
        instrument = catalogue.instruments[name]
        others = (catalogue.instruments[other] for other in instrument.companions.values())
        used = Used((instrument, *others), catalogue.method(METHOD), None, None)
        self.lab.store.submit(begin_configured(begin(f"run-{name}", name), catalogue, used, fits)).result(10)
        return f"run-{name}"

    def counts(self, name, run=""):
        """Return whether a verification counts for an instrument as it is now, or as it was in a run."""
        catalogue, _ = self.fitted(name)
        instrument = catalogue.instruments[name]
        with self.lab.reader() as reader:
            pair = pair_of(instrument, "R-1042")
            found = standing_of(reader, entries(reader, name), instrument, pair, T0, catalogue, run=run)
        assert found.overdue is (found.passed is None)
        return not found.overdue


@pytest.mark.parametrize("most", [12, pytest.param(1000, marks=pytest.mark.slow)])
@pytest.mark.parametrize("configured", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_names_serial_numbers_and_radii(tmp_path, configured, most):
    cases = list(itertools.product(NAMES, SERIALS, RADII))
    # The copy and the new name of the same piece with another radius are always among them.
    always = [(name, ("C-1", "C-1"), radius) for name in NAMES for radius in RADII]
    cases = [*always, *random.Random(3).sample([c for c in cases if c not in always], k=min(most, len(cases)) - 6)]
    seen = set()
    with laboratory(tmp_path) as lab:
        bench = Bench(lab)
        for number, (kind, (before, now), radius) in enumerate(cases):
            name, called = f"bench-{number + 10}", "coaxial-12" if kind == "same" else "coaxial-12b"
            first = {"coaxial-12": bench.geometry(before, RADII[0])}
            bench.instrument(name, geometries=first)
            carry_out(lab, "fit", {"instrument": name, "geometry": "coaxial-12"})
            bench.verify(name, configured=configured)
            assert bench.counts(name)
            bench.instrument(
                name, geometries=(first if kind == "copied" else {}) | {called: bench.geometry(now, radius)}
            )
            done = carry_out(lab, "fit", {"instrument": name, "geometry": called})
            both = bool(before and now)
            is_piece = before == now if both else kind == "same"
            # A pass counts only where both serial numbers are known, or neither is.
            expected = is_piece and radius == RADII[0] and bool(before) == bool(now)
            assert bench.counts(name) == expected, (kind, before, now, radius)
            changed = f"geometries.{called}.outer_radius 17.0 -> {radius}"
            assert done["constants"] == (changed if is_piece and radius != RADII[0] else "")
            seen.add((is_piece, expected))
    assert seen == {(True, True), (True, False), (False, False)}


DESCRIPTION = "drivers/own.toml"
THERMOMETER = {"name": "thermo-9", "driver": DESCRIPTION, "port": "/dev/t", "probes": {"bath": {"offset": "0.1 K"}}}
#: An edit of the files around an instrument, and whether its verification counts after it.
EDITS = {
    "nothing": ({}, {}, b"scale = 1", True),
    "description": ({}, {}, b"scale = 2", False),
    "offset of a companion": ({}, {"probes": {"bath": {"offset": "0.2 K"}}}, b"scale = 1", False),
    "option of a companion": ({}, {"options": {"factor": 2}}, b"scale = 1", False),
    "interval of a companion": ({}, {"options": {"interval_ms": 200}}, b"scale = 1", True),
    "title": ({"title": "Bench"}, {"title": "Bath"}, b"scale = 1", True),
    "driver": ({"driver": "drivers/other.toml"}, {}, b"scale = 1", False),
    "option": ({"options": {"spring": 2.0}}, {}, b"scale = 1", False),
    "no companion": ({"companions": {}}, {}, b"scale = 1", False),
}


def put_files(bench, name, edit, described="both", geometries=()):
    """Put the files of an instrument and its thermometer into the configuration; `edit` as in `EDITS`."""
    lead, thermometer, text = edit[:3]
    own = {"driver": DESCRIPTION} if described != "companion" else {}
    bench.instrument(name, **({"geometries": dict(geometries), "companions": {"bath": "thermo-9"}} | own | lead))
    given = THERMOMETER | ({"driver": "thermometer"} if described == "lead" else {}) | thermometer
    bench.catalogue.instruments["thermo-9"] = Instrument.model_validate(given)
    path = bench.catalogue.description_path(Instrument.model_validate(THERMOMETER))
    bench.catalogue.sources[str(path)] = Source(text)


@pytest.mark.parametrize(
    "described", ["both", *(pytest.param(d, marks=pytest.mark.slow) for d in ("lead", "companion"))]
)
def test_descriptions_and_companions_without_a_fitted_geometry(tmp_path, described):
    with laboratory(tmp_path) as lab:
        bench = Bench(lab)
        for number, (what, edit) in enumerate(EDITS.items()):
            name = f"bench-{number + 10}"
            put_files(bench, name, EDITS["nothing"], described)
            bench.verify(name)
            assert bench.counts(name)
            put_files(bench, name, edit, described)
            assert bench.counts(name) is edit[3], what


def test_a_run_that_is_declared_anew_is_compared_as_it_was_measured(tmp_path):
    """Files that were edited in its time void a verification, also where they were put back; later edits do not.

    The geometry is that of the present file, because the run is declared to have used it.
    """
    with laboratory(tmp_path) as lab:
        bench = Bench(lab)
        for number, (what, edit) in enumerate(EDITS.items()):
            for when in ("before the run", "after the run"):
                name = f"bench-{number + 10}-{when[:5].strip()}"
                own = {"coaxial-12": bench.geometry("C-1", RADII[0])}
                put_files(bench, name, EDITS["nothing"], geometries=own)
                carry_out(lab, "fit", {"instrument": name, "geometry": "coaxial-12"})
                bench.verify(name)
                if when == "before the run":
                    put_files(bench, name, edit, geometries=own)
                run = bench.measure(name)
                assert bench.counts(name, run) is (edit[3] or when == "after the run"), (what, when)
                put_files(bench, name, EDITS["nothing"] if when == "before the run" else edit, geometries=own)
                assert bench.counts(name, run) is (edit[3] or when == "after the run"), (what, when)
                put_files(bench, name, edit, geometries={"coaxial-12": bench.geometry("C-1", RADII[1])})
                assert not bench.counts(name, run)


@pytest.mark.parametrize(
    "described", ["both", *(pytest.param(d, marks=pytest.mark.slow) for d in ("lead", "companion"))]
)
def test_a_run_is_refused_after_an_edit_that_voids_its_verification_until_it_is_recorded(tmp_path, described):
    """Each edit of a file on which the number depends asks a person at the start of a run, and no other one does."""
    with laboratory(tmp_path) as lab:
        bench = Bench(lab)

        def refusal(name):
            with lab.reader() as reader:
                return conflict(lab.catalogue, lab.catalogue.instruments[name], fit_of(reader, name))

        for number, (what, edit) in enumerate(EDITS.items()):
            name = f"bench-{number + 10}"
            own = {"coaxial-12": bench.geometry("C-1", RADII[0])}
            put_files(bench, name, EDITS["nothing"], described, own)
            order = {"instrument": name, "geometry": "coaxial-12"}
            assert carry_out(lab, "fit", order)["constants"] == ""
            bench.verify(name)
            put_files(bench, name, edit, described, own)
            found = refusal(name)
            assert (found is None) is bench.counts(name) is edit[3], what
            if found is not None:
                assert f"daq fit {name} coaxial-12" in str(found)
                assert (found.key or "").startswith(
                    ("description", "companions.bath", "driver", "options.", "probes.")
                ), what
            assert (carry_out(lab, "fit", order)["constants"] == "") is edit[3], what
            assert refusal(name) is None


def test_a_record_without_the_files_around_takes_them_once(tmp_path):
    with laboratory(tmp_path) as lab:
        bench = Bench(lab)
        own = {"coaxial-12": bench.geometry("C-1", RADII[0])}
        put_files(bench, "bench-9", EDITS["nothing"], geometries=own)
        carry_out(lab, "fit", {"instrument": "bench-9", "geometry": "coaxial-12"})
        with lab.reader() as reader:
            fit = fit_of(reader, "bench-9")
        old = replace(fit, record=fit.record.model_copy(update={"around": None}))
        put_files(bench, "bench-9", EDITS["description"], geometries=own)
        assert conflict(lab.catalogue, lab.catalogue.instruments["bench-9"], old) is None
        (change,) = fits_by_file(lab.catalogue, ["bench-9"], {"bench-9": old})
        assert (change.what, set(change.data["around"])) == (
            "constants_noted", {"description", "companions.bath.description", "companions.bath.driver", "companions.bath.probes.bath.offset"},
        )  # fmt: skip
        assert fits_by_file(lab.catalogue, ["bench-9"], {"bench-9": fit}) == []
