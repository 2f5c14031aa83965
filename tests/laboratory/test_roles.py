"""Every act by every role, and by no one."""

import shutil

import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.daemon.protocol import REQUESTS
from daq.app.daemon.queries.asking import QueryProcess
from daq.app.daemon.service import Service
from daq.app.laboratory.acts import ACTS, carry_out
from daq.app.laboratory.identity import operator_of
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.laboratory.people import ROLES
from tests.bench_flow.parts import with_flows
from tests.laboratory.parts import FixedClock, at, audited, laboratory, staffed
from tests.support.runs.charted import Measured, make_charted
from tests.support.runs.virtual_bench import T0, StoredBench, run_id_of
from tests.support.signed_laboratories import verify

#: Three days after the measured runs: their journals may be archived.
LATER = T0 + 3 * 86_400 * 10**9

#: Least role of each act.  An act that is missing here, or has another role, fails the first test.
NEEDED = {
    "sample_add": "measure",
    "sample_cancel": "measure",
    "sample_change": "measure",
    "sample_again": "measure",
    "sample_import": "measure",
    "fit": "measure",
    "run_correct": "measure",
    "run_correct_reviewed": "review",
    "run_annul": "review",
    "note_add": "measure",
    "doubt_decide": "review",
    "sign_measured": "measure",
    "sign": "review",
    "reportable_store": "measure",
    "chart_limits_fix": "review",
    "report_make": "measure",
    "report_day": "measure",
    "report_chart": "measure",
    "certificate_release": "review",
    "archive_add": "administer",
    "archive_remove": "administer",
    "equipment_out": "measure",
    "equipment_back": "review",
    "equipment_calibrated": "review",
    "transcribe": "measure",
    "transcribe_confirm": "measure",
    "repeat_assign": "review",
    "bench_text": "measure",
    "bench_command": "measure",
    "handover": "measure",
    "person_add": "administer",
    "person_role": "administer",
    "person_logins": "administer",
    "person_lock": "administer",
    "person_unlock": "administer",
    "person_password": "look",
    "person_badge": "administer",
    "person_authorise": "administer",
    "person_withdraw": "administer",
    "driver_trial": "administer",
    "token_add": "administer",
    "token_revoke": "administer",
}
#: Acts that need their role also where people are switched off.
ALWAYS = {name for name in NEEDED if name.startswith(("person_", "archive_", "sign", "token_", "driver_"))}
#: Digest of the journal of each measured run.
DIGESTS: dict[str, str] = {}


#: Those who try each act; each measured the run of the target with the same place in this list.
ACTORS = (*ROLES, "nobody", "locked")


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """The state directory with a run for each target, and a verification that failed after them."""
    return bench_with_runs(tmp_path_factory.mktemp("measured"))


@pytest.fixture(scope="module")
def measured_really(tmp_path_factory):
    """The same on an instrument that is not simulated; only such runs are released, and then have a certificate."""
    return bench_with_runs(tmp_path_factory.mktemp("measured_really"), simulated=False)


def bench_with_runs(folder, **about):
    bench = StoredBench(folder / "state")
    for number in range(len(ROLES) + 2):
        # Nobody judges an own run; each signs an own one.
        bench.measure(f"t-{number}", operator=ACTORS[number], **about)
        bench.measure(f"doubted-{number}", operator="m.keeper", **about)
        bench.measure(f"outside-t-{number}", "clear-glaze-thick")
    with Reader(database_path(bench.state)) as reader:
        DIGESTS.update(
            {run: reader.journal_digest(run) for run in map(run_id_of, (f"t-{n}" for n in range(number + 1)))}
        )
    with Store(database_path(bench.state)) as store:
        verify(store, "failed", passed=False)
    return bench.state


@pytest.fixture(autouse=True)
def _with_runs(request, tmp_path):
    """Put the measured runs into the database of each laboratory."""
    params = request.node.callspec.params if hasattr(request.node, "callspec") else {}
    name = "measured_really" if params.get("act") == "certificate_release" else "measured"
    shutil.copyfile(database_path(request.getfixturevalue(name)), tmp_path / "daq.db")


def archive_of(target, name):
    """Return the record of an archive with the run of a target."""
    ident, run = f"{name}-{target}", run_id_of(target)
    about = {"folder": "/media", "sha256": "5" * 64, "bytes": 9, "first": "2025-11-24", "last": "2025-11-24"}
    return {
        "id": ident,
        "file": f"{ident}.archive",
        "runs": [{"run": run, "blocks": 1, "digest": DIGESTS[run]}],
    } | about


def order_of(act, target, actor):
    """Return an order that every role could carry out if it was allowed, on a person or sample of its own."""
    return {
        "sample_add": {"id": f"new-{target}"},
        "sample_cancel": {"id": target, "because": "spilled"},
        "sample_change": {"id": target, "because": "mistyped", "lot": "2212"},
        "sample_again": {"id": f"closed-{target}", "because": "a second look"},
        "sample_import": {"file": "list.csv", "text": f"id\nlisted-{target}\n"},
        "fit": {"instrument": "bench-1", "geometry": "coaxial-12"},
        "run_correct": {"run": run_id_of(target), "lot": "2212", "because": "mistyped"},
        "run_correct_reviewed": {"run": run_id_of(target.replace("t-", "doubted-")), "product": "", "because": "label of another bucket"},
        "run_annul": {"run": run_id_of(target.replace("t-", "doubted-")), "because": "spilled"},
        "note_add": {"run": run_id_of(target), "text": "a lump in the cup"},
        "doubt_decide": {
            "run": run_id_of(target.replace("t-", "doubted-")), "verification": "failed", "decision": "upheld",
            "because": "measured again",
        },
        "sign_measured": {"signed": [{"of": "run", "id": run_id_of(target)}], "password": "a new glaze"},
        "sign": {
            "signed": [{"of": "run", "id": run_id_of(f"t-{(int(target[2:]) + 1) % len(ACTORS)}")}],
            "meaning": "reviewed", "password": "a new glaze",
        },
        "reportable_store": {"sample": target},
        "chart_limits_fix": {"product": "clear-glaze", "last": 20, "because": "in control"},
        "report_make": {"of": run_id_of(target)},
        # Each person has a day of their own: the same sheet is the same report.
        "report_day": {"day": f"2025-11-{10 + int(target[2:])}"},
        "report_chart": {"product": "clear-glaze", "last": 10 + int(target[2:])},
        "certificate_release": {"of": run_id_of(target)},
        "archive_add": archive_of(target, "new"),
        "archive_remove": {"archive": f"old-{target}", "sha256": "5" * 64},
        "equipment_out": {"piece": "logger-1", "serial": f"new-{target}", "because": "dropped"},
        "equipment_back": {"piece": "logger-1", "serial": target, "because": "repaired"},
        "equipment_calibrated": {"piece": "bench-1", "certificate": target, "day": "2024-11-20", "because": "again"},
        "transcribe": {"sample": target, "test": "flow cup", "value": "34.5 s"},
        "transcribe_confirm": {"sample": f"read-{target}", "test": "flow cup", "value": "34.50 s"},
        "repeat_assign": {
            "run": run_id_of(f"outside-{target}", "clear-glaze-thick"),
            "cause": "bubbles",
            "because": "bubbles at the rotor",
        },
        "bench_text": {"bench": bench_of(target), "text": target},
        "bench_command": {"bench": bench_of(target), "command": "damage"},
        "handover": {},
        "person_add": {"id": f"new-{target}", "role": "look"},
        "person_role": {"id": target, "role": "review"},
        "person_logins": {"id": target, "logins": [f"login-{target}"]},
        "person_lock": {"id": target, "because": "left"},
        "person_unlock": {"id": target, "because": "came back"},
        "person_password": {"id": actor, "password": "a new glaze"},
        "person_badge": {"id": target, "badge": f"badge of {target}"},
        "person_authorise": {"id": target, "method": "clear-glaze-qc"},
        "person_withdraw": {"id": target, "method": "engobe-qc", "because": "long away"},
        "driver_trial": {"kind": "kiln-scale", "port": "/dev/ttyUSB7"},
        "token_add": {"id": f"new-{target}", "role": "measure"},
        "token_revoke": {"id": f"old-{target}", "because": "replaced"},
    }[act]  # fmt: skip


def bench_of(target):
    """Return an instrument of its own for each target."""
    return sorted(Catalogue.load(examples_dir()).instruments)[int(target[2:])]


@pytest.mark.slow
def test_the_table_of_roles_is_complete():
    assert {name: act.role for name, act in ACTS.items()} == NEEDED
    assert {name for name, act in ACTS.items() if act.always} == ALWAYS


@pytest.fixture
def with_points(tmp_path):
    """Store the points of a chart, of which limits can be fixed."""
    make_charted(tmp_path / "daq.db", [Measured(f"P-{i}", 800.0 + i % 3) for i in range(20)])


def prepared(lab, target):
    carry_out(lab, "sample_add", {"id": target})
    carry_out(lab, "sample_add", {"id": f"outside-{target}", "product": "clear-glaze"})
    carry_out(lab, "sample_add", {"id": f"closed-{target}"})
    carry_out(lab, "sample_cancel", {"id": f"closed-{target}", "because": "spilled"})
    carry_out(lab, "archive_add", archive_of(target, "old"))
    carry_out(lab, "person_add", {"id": target, "role": "look"})
    carry_out(lab, "person_authorise", {"id": target, "method": "engobe-qc"})
    carry_out(lab, "token_add", {"id": f"old-{target}", "role": "look"})
    for role in ROLES:
        carry_out(lab, "person_password", {"id": role, "password": "a new glaze"})
    carry_out(lab, "equipment_out", {"piece": "logger-1", "serial": target, "because": "dropped"})
    # The first person is another one than the person who confirms.
    first = at(lab, "at-measure" if target != "t-1" else "at-review")
    carry_out(first, "transcribe", {"sample": f"read-{target}", "test": "flow cup", "value": "34.5 s"})


def released(lab, target, operator):
    """Uphold and release the run of a target, whose certificate is then made."""
    run, signer = run_id_of(target), "review" if operator != "review" else "administer"
    decision = {"verification": "failed", "decision": "upheld", "because": "measured again"}
    carry_out(at(lab, f"at-{signer}"), "doubt_decide", {"run": run} | decision)
    order = {"signed": [{"of": "run", "id": run}], "meaning": "released", "password": "a new glaze"}
    carry_out(at(lab, f"at-{signer}"), "sign", order)


@pytest.mark.usefixtures("with_points")
@pytest.mark.parametrize("act", NEEDED)
def test_an_act_is_for_its_role_and_those_above(tmp_path, act):
    with staffed(tmp_path, clock=FixedClock(LATER)) as lab:
        carry_out(lab, "person_add", {"id": "locked", "role": "administer", "logins": ["at-locked"]})
        carry_out(lab, "person_lock", {"id": "locked", "because": "left"})
        for number, actor in enumerate(ACTORS):
            target = f"t-{number}"
            prepared(lab, target)
            if act == "certificate_release":
                released(lab, target, actor)
            count = len(audited(lab))
            order = order_of(act, target, actor)
            if actor in ROLES[ROLES.index(NEEDED[act]) :]:
                carry_out(with_flows(at(lab, f"at-{actor}")), act, order)
                assert [e.who for e in audited(lab)[count:]] == [actor] * (len(audited(lab)) - count)
                assert len(audited(lab)) > count
                continue
            words = "locked is locked" if actor == "locked" else rf"needs .*the role {NEEDED[act]}"
            with pytest.raises(SettingError, match=words):
                carry_out(at(lab, f"at-{actor}"), act, order)
            assert len(audited(lab)) == count


@pytest.mark.usefixtures("with_points")
@pytest.mark.parametrize("act", NEEDED)
def test_where_people_are_off_a_login_acts_but_not_on_persons_and_archives_and_signs_nothing(tmp_path, act):
    with staffed(tmp_path, clock=FixedClock(LATER)) as lab:
        prepared(lab, "t-1")
        if act == "certificate_release":
            released(lab, "t-1", ACTORS[1])
    with laboratory(tmp_path, "at-nobody", clock=FixedClock(LATER)) as lab:
        count = len(audited(lab))
        order = order_of(act, "t-1", "administer")
        if act in ALWAYS:
            with pytest.raises(SettingError, match=rf"needs a person with the role {NEEDED[act]}"):
                carry_out(lab, act, order)
            assert len(audited(lab)) == count
        else:
            carry_out(with_flows(lab), act, order)
            assert audited(lab)[-1].who == "at-nobody"


def test_a_password_of_another_person_needs_an_administrator(tmp_path):
    with staffed(tmp_path) as lab:
        for role in ROLES[:-1]:
            with pytest.raises(SettingError, match=f"needs the role administer; {role} has the role {role}"):
                carry_out(at(lab, f"at-{role}"), "person_password", {"id": "administer", "password": "a new glaze"})
        carry_out(lab, "person_password", {"id": "look", "password": "a new glaze"})


#: Requests to the daemon that a login without a person is refused, by the least role.
OF_PERSONS = {"run": "measure", "perform": "measure", "resend": "measure", "backup": "administer", "query": "look"}
#: Requests that every login at the socket may make: to look at the state, to stop a motor, and to have files compared,
#: which every run does too; and to say who they are.
OF_EVERYONE = {"watch", "watch_bench", "watch_live", "stop", "status", "reload", "identify", "log_in", "log_out"}


class Bench:
    """The part of a supervisor that refused requests use."""

    publishing = None

    def __init__(self, lab):
        self.lab, self.store, self.clock, self.catalogue = lab, lab.store, lab.clock, lab.catalogue

    def laboratory(self, login):
        return at(self.lab, login)

    def wake(self):
        """There is no publisher."""

    async def begin(self, order, login):
        operator_of(self.laboratory(login), order)
        raise SettingError("allowed")


async def answered(bench, request, login):
    """Return the refusal of a request; "allowed" where it was carried out."""
    try:
        async for _ in Service(bench).handle(request, login):
            pass
    except SettingError as error:
        return str(error)
    return "allowed"


@pytest.mark.asyncio
async def test_every_request_to_the_daemon_is_for_its_role_and_those_above(tmp_path, monkeypatch):
    async def nothing(*_):
        return {}

    monkeypatch.setattr(QueryProcess, "ask", nothing)
    assert set(OF_PERSONS) | OF_EVERYONE == set(REQUESTS)
    with staffed(tmp_path) as lab:
        for name, needed in OF_PERSONS.items():
            for actor in (*ROLES, "nobody"):
                values = {
                    "run": {"method_id": "clear-glaze-qc", "instrument": "bench-1", "sample": "G-1"},
                    "perform": {"act": "sample_add", "order": {"id": f"by-{actor}"}},
                    "resend": {"instrument": "bench-1", "refused": True},
                    "query": {"query": "runs"},
                }.get(name, {})
                found = await answered(Bench(lab), REQUESTS[name](**values), f"at-{actor}")
                if actor in ROLES[ROLES.index(needed) :]:
                    assert found == "allowed", (name, actor)
                else:
                    assert f"the role {needed}" in found, (name, actor)
