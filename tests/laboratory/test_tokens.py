"""Tokens of programs: what they may do, when they end, and where their text is."""

import itertools
import json
import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from daq.app.laboratory import acts
from daq.app.laboratory.acts import ACTS, carry_out
from daq.app.laboratory.bench_work import DAEMON
from daq.app.laboratory.clients.bearer import REFUSED, is_token
from daq.app.laboratory.given import Given
from daq.app.laboratory.identity import identify, log_in, operator_of, today
from daq.app.laboratory.laboratory import find
from daq.app.laboratory.programs import tokens
from daq.app.laboratory.programs.tokens import list_tokens
from daq.app.setup.run_order import RunOrder
from daq.core.errors import NotAllowedError, SettingError
from daq.laboratory.people import ROLES
from daq.laboratory.tokens import Token, TokenUse
from tests.laboratory.parts import FixedClock, at, audited, staffed
from tests.support.laboratories import switch_people

DAY_NS = 86_400 * 10**9
#: Acts that a program may do.  An act that is missing here is one of a person.
OF_PROGRAMS = {"sample_add", "sample_import"}
NUMBERS = itertools.count()


@pytest.fixture(scope="module")
def shared(tmp_path_factory, cheap_module):
    """A laboratory with cheap hashes for all tests: each has tokens with names of its own."""
    with staffed(tmp_path_factory.mktemp("state"), clock=FixedClock()) as lab:
        yield lab


@pytest.fixture
def lab(shared):
    """The laboratory on its first day, with people switched on."""
    shared.clock.now = FixedClock().now
    yield shared
    switch_people(shared.catalogue, on=True)


@pytest.fixture
def name():
    """Return a name that no other test has."""
    return f"program-{next(NUMBERS)}"


def added(lab, name, role="look", **more):
    return carry_out(lab, "token_add", {"id": name, "role": role} | more)["token"]


def later(day, days):
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def listed(lab, name):
    with lab.reader() as reader:
        return next(row for row in list_tokens(reader, today(lab)) if row["id"] == name)


def uses(lab, name):
    """Return the audited uses of a token; every change that was ordered is stored."""
    lab.change()
    return [e for e in audited(lab) if e.what == "token_used" and e.who == name]


@pytest.mark.parametrize("role", ["look", "measure"])
def test_a_token_is_a_program_in_its_role_and_no_person(lab, name, role):
    who = identify(lab, Given(ticket=added(lab, name, role)))
    assert (who.name, who.role, who.person) == (name, role, None)


@pytest.mark.parametrize("role", ["review", "administer"])
def test_a_token_has_no_role_of_a_person_who_signs(lab, name, role):
    with pytest.raises(SettingError, match="role"):
        added(lab, name, role)


@pytest.mark.parametrize("role", ["look", "measure"])
def test_a_program_starts_no_run(lab, name, role):
    about = {"method_id": "clear-glaze-qc", "instrument": "bench-1", "sample": "G-1"}
    text = added(lab, name, role)
    for operator in ("", name, "review"):
        with pytest.raises(NotAllowedError, match=r"a run is started by a person|needs the role measure"):
            operator_of(lab, RunOrder(**about, ticket=text, operator=operator))


def test_a_program_does_its_acts_and_none_of_a_person(lab, name, monkeypatch):
    texts = {role: added(lab, f"{name}-{role}", role) for role in ("look", "measure")}
    done = []
    recorded = {key: replace(act, do=lambda who, key: done.append((who.who, key)) or {}) for key, act in ACTS.items()}
    monkeypatch.setattr(acts, "ACTS", recorded)
    monkeypatch.setattr(acts, "parse", lambda _model, order: order["act"])
    # The login is that of a person who administers: the token decides all the same.
    for act, (role, text) in itertools.product(ACTS, texts.items()):
        if act in OF_PROGRAMS and role == "measure":
            carry_out(lab, act, {"act": act}, Given(ticket=text))
            assert done.pop() == (f"{name}-measure", act)
        else:
            with pytest.raises(NotAllowedError, match=r"is the act of a person|needs the role"):
                carry_out(lab, act, {"act": act}, Given(ticket=text))
        assert done == []


def test_a_token_is_refused_at_once_when_it_is_revoked_and_for_ever(lab, name):
    text, other = added(lab, name), added(lab, f"{name}-b", "measure")
    assert identify(lab, Given(ticket=text)).name == name
    carry_out(lab, "token_revoke", {"id": name, "because": "replaced"})
    with pytest.raises(NotAllowedError, match=re.escape(REFUSED)):
        identify(lab, Given(ticket=text))
    assert identify(lab, Given(ticket=other)).name == f"{name}-b"
    with pytest.raises(SettingError, match="revoked already"):
        carry_out(lab, "token_revoke", {"id": name, "because": "again"})
    with pytest.raises(SettingError, match="or was one"):
        added(lab, name)
    assert (listed(lab, name)["state"], listed(lab, f"{name}-b")["state"]) == ("revoked", "valid")


@pytest.mark.parametrize("now", ROLES)
@pytest.mark.parametrize("role", ["look", "measure"])
def test_a_token_has_at_most_the_role_that_the_person_who_added_it_has_now(lab, name, role, now):
    keeper = f"{name}-keeper"
    carry_out(lab, "person_add", {"id": keeper, "role": "administer", "logins": [f"at-{keeper}"]})
    text, other = added(at(lab, f"at-{keeper}"), name, role), added(lab, f"{name}-other", role)
    for new in (now, "administer", now):
        carry_out(lab, "person_role", {"id": keeper, "role": new, "because": "other work"})
        held = "measure" if role == "measure" and new != "look" else "look"
        assert identify(lab, Given(ticket=text)).role == listed(lab, name)["role"] == held
        sample = {"id": f"{name}-{new}-{next(NUMBERS)}"}
        if held == "measure":
            carry_out(lab, "sample_add", sample, Given(ticket=text))
        else:
            with pytest.raises(NotAllowedError, match="needs the role measure"):
                carry_out(lab, "sample_add", sample, Given(ticket=text))
        assert identify(lab, Given(ticket=other)).role == role


def test_a_token_is_refused_while_the_person_who_added_it_is_locked(lab, name):
    carry_out(lab, "person_add", {"id": f"{name}-keeper", "role": "administer", "logins": [f"at-{name}-keeper"]})
    keeper = at(lab, f"at-{name}-keeper")
    texts = {role: added(keeper, f"{name}-{role}", role) for role in ("look", "measure")}
    other = added(lab, f"{name}-other")
    for act, state in (("person_lock", "locked"), ("person_unlock", "valid")) * 2:
        carry_out(lab, act, {"id": f"{name}-keeper", "because": "left the works"})
        for role, text in texts.items():
            assert listed(lab, f"{name}-{role}")["state"] == state
            if state == "valid":
                assert identify(lab, Given(ticket=text)).role == role
            else:
                with pytest.raises(NotAllowedError, match=re.escape(REFUSED)):
                    identify(lab, Given(ticket=text))
        assert identify(lab, Given(ticket=other)).name == f"{name}-other"
    # A lock of the person who revoked it does not hide that it is revoked.
    carry_out(keeper, "token_revoke", {"id": f"{name}-look", "because": "replaced"})
    carry_out(lab, "person_lock", {"id": f"{name}-keeper", "because": "left the works"})
    assert listed(lab, f"{name}-look")["state"] == "revoked"


def test_a_token_is_taken_on_its_last_day_and_not_after_it(lab, name):
    first = today(lab)
    with pytest.raises(SettingError, match="is before today"):
        added(lab, name, until=later(first, -1))
    text = added(lab, name, until=later(first, 3))
    for _ in range(8):
        if today(lab) <= later(first, 3):
            assert identify(lab, Given(ticket=text)).name == name
            assert listed(lab, name)["state"] == "valid"
        else:
            with pytest.raises(NotAllowedError, match=re.escape(REFUSED)):
                identify(lab, Given(ticket=text))
            assert listed(lab, name)["state"] == "expired"
        lab.clock.now += DAY_NS


def test_a_changed_token_is_refused_with_the_same_words_for_every_reason_and_is_no_use(lab, name):
    text, other = added(lab, name), added(lab, f"{name}-b").rpartition(".")[2]
    secret = text.rpartition(".")[2]
    wrong = [text[:-1], text + "A", text.swapcase(), f"daq.{name}-b.{secret}", f"daq.nothing.{secret}", "daq.", "daq..",
             f"daq..{secret}", f"daq.{secret}", f"daq.{name}.", f"daq.{name}.{other}"]  # fmt: skip
    wrong += [text[:at] + ("a" if text[at] != "a" else "b") + text[at + 1 :] for at in range(4, len(text), 5)]
    for one in wrong:
        with pytest.raises(NotAllowedError) as caught:
            identify(lab, Given(ticket=one))
        expected = f"token: {REFUSED}" if is_token(one) else "ticket: the log-in has ended; log in again"
        assert str(caught.value) == expected, one
    assert uses(lab, name) == []


def test_the_last_use_is_recorded_once_a_day(lab, name):
    text = added(lab, name)
    assert listed(lab, name)["used"] is None
    for days in range(1, 4):
        for _ in range(4):
            identify(lab, Given(ticket=text))
        assert len(uses(lab, name)) == days
        assert listed(lab, name)["used"] == today(lab)
        lab.clock.now += DAY_NS
    with lab.reader() as reader:
        assert find(reader, TokenUse, name).revision == 3


def test_the_text_is_in_no_record_list_audit_entry_or_file(lab, name):
    text = added(lab, name)
    secret = text.rpartition(".")[2]
    identify(lab, Given(ticket=text))
    uses(lab, name)
    assert secret not in json.dumps(listed(lab, name)) + repr(audited(lab)) + repr(Given(ticket=text))
    assert "sha256" not in listed(lab, name)
    with pytest.raises(SettingError) as caught:
        log_in(lab, Given(ticket=text))
    assert secret not in str(caught.value)
    for file in lab.store.path.parent.iterdir():
        assert secret.encode() not in file.read_bytes(), file.name


@pytest.mark.parametrize("wrong", ["", "Display", "7a", "a.b", "a b", "a" * 41, "é", "display\n", "-a"])
def test_a_name_is_part_of_a_header(lab, wrong):
    with pytest.raises(SettingError):
        added(lab, wrong)


def test_a_name_means_one_person_or_one_program(lab, name):
    for taken in ("look", "at-look"):
        with pytest.raises(SettingError, match="give the token another name"):
            added(lab, taken)
    added(lab, name)
    with pytest.raises(SettingError, match="is the name of a token"):
        carry_out(lab, "person_add", {"id": name, "role": "look"})
    with pytest.raises(SettingError, match="is the name of a token"):
        carry_out(lab, "person_logins", {"id": "look", "logins": [name]})


def test_a_name_is_none_under_which_a_login_or_the_daemon_acts(lab, name, monkeypatch):
    monkeypatch.setattr(tokens, "is_login", lambda text: text == f"{name}-login")
    for taken in (f"{name}-login", DAEMON.who):
        with pytest.raises(SettingError, match="acts under this name"):
            added(lab, taken)
        with lab.reader() as reader:
            assert find(reader, Token, taken) is None
    added(lab, name)


@pytest.mark.parametrize(
    ("act", "order"), [("sample_add", {"id": "G-1"}), ("token_revoke", {"id": "x", "because": "x"})]
)
def test_where_people_are_off_no_token_is_taken(lab, name, act, order):
    text = added(lab, name, "measure")
    switch_people(lab.catalogue, on=False)
    with pytest.raises(SettingError, match="people are not switched on"):
        carry_out(lab, act, order, Given(ticket=text))
