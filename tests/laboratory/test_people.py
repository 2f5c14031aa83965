"""Persons: the first one, the last who administers, names in use, authorisations by day."""

import contextlib
import random
import threading
from datetime import date, datetime, timedelta

import pytest

from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.identity import administrators
from daq.app.laboratory.people import persons
from daq.core.errors import SettingError
from daq.laboratory.people import Authorisation, Person
from daq.process.logins import own_login
from tests.laboratory.parts import FixedClock, at, audited, laboratory, staffed

CHIEF = {"id": "chief", "role": "administer", "logins": ["at-chief"]}


def test_the_first_person_is_added_by_the_owner_of_the_state_directory_and_administers(tmp_path):
    with laboratory(tmp_path, "stranger", people=True) as lab:
        with pytest.raises(SettingError, match="the login stranger belongs to no person"):
            carry_out(lab, "person_add", CHIEF)
        for person in ({"role": "review"}, {"logins": []}):
            with pytest.raises(SettingError, match="no person who administers"):
                carry_out(at(lab, own_login()), "person_add", CHIEF | person)
        assert audited(lab) == []
        carry_out(at(lab, own_login()), "person_add", CHIEF)
        with pytest.raises(SettingError, match="needs a person with the role administer"):
            carry_out(at(lab, own_login()), "person_add", {"id": "second", "role": "administer", "logins": ["x"]})
        carry_out(at(lab, "at-chief"), "person_add", {"id": "second", "role": "look"})
        assert [e.who for e in audited(lab)] == [own_login()] * 2 + ["chief"] * 2
    with Stored(tmp_path / "daq.db") as stored:
        assert [d.text for d in Comparison().of(stored)] == []


@pytest.mark.parametrize(
    ("act", "order"),
    [
        ("person_lock", {"because": "left"}),
        ("person_role", {"role": "review"}),
        ("person_logins", {"logins": []}),
    ],
)
def test_the_last_person_who_administers_stays_able_to(tmp_path, act, order):
    with staffed(tmp_path) as lab:
        with pytest.raises(SettingError, match="no person who administers"):
            carry_out(lab, act, {"id": "administer"} | order)
        carry_out(lab, "person_add", {"id": "second", "role": "administer", "logins": ["at-second"]})
        carry_out(lab, act, {"id": "administer"} | order)
        with pytest.raises(SettingError, match="no person who administers"):
            carry_out(at(lab, "at-second"), act, {"id": "second"} | order)


@pytest.mark.slow
def test_any_sequence_of_acts_leaves_a_person_who_administers(tmp_path):
    chosen = random.Random(1)
    with staffed(tmp_path) as lab:
        for _ in range(120):
            who = chosen.choice(["look", "review", "administer"])
            act, order = chosen.choice(
                [
                    ("person_lock", {"because": "x"}),
                    ("person_unlock", {"because": "x"}),
                    ("person_role", {"role": chosen.choice(["look", "administer"])}),
                    ("person_logins", {"logins": chosen.choice([[], [f"at-{who}"]])}),
                ]
            )
            with lab.reader() as reader:
                acting = administrators(reader)
            try:
                carry_out(at(lab, chosen.choice(acting).logins[0]), act, {"id": who} | order)
            except SettingError as error:
                assert "no person who administers" in str(error)  # noqa: PT017
            with lab.reader() as reader:
                assert administrators(reader)


def test_two_who_administer_cannot_lock_each_other_at_the_same_time(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_add", {"id": "second", "role": "administer", "logins": ["at-second"]})
        for _ in range(20):
            start = threading.Barrier(2)

            def attempt(own, other, start=start):
                start.wait()
                with contextlib.suppress(SettingError):
                    carry_out(at(lab, f"at-{own}"), "person_lock", {"id": other, "because": "x"})

            pairs = [("administer", "second"), ("second", "administer")]
            threads = [threading.Thread(target=attempt, args=pair) for pair in pairs]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            with lab.reader() as reader:
                (left,) = administrators(reader)
            (gone,) = {"administer", "second"} - {left.id}
            carry_out(at(lab, f"at-{left.id}"), "person_unlock", {"id": gone, "because": "x"})


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ({"id": "look"}, "there is a person 'look' already"),
        ({"logins": ["at-review"]}, "'at-review' belongs to another person"),
        ({"logins": ["review"]}, "'review' is the id of another person"),
        ({"id": "at-review"}, "'at-review' is a login of another person"),
        ({"role": "king"}, "role: must be one of"),
        ({"password": "short"}, "password: has less than 8 characters"),
        ({"colour": "red"}, "colour: is not a known key"),
    ],
)
def test_a_wrong_person_is_refused_and_changes_nothing(tmp_path, order, expected):
    with staffed(tmp_path) as lab:
        before = len(audited(lab))
        with pytest.raises(SettingError, match=expected):
            carry_out(lab, "person_add", {"id": "new", "role": "look"} | order)
        assert len(audited(lab)) == before
        with lab.reader() as reader:
            assert [k.record.id for k in persons(reader)] == ["administer", "look", "measure", "review"]


def test_an_authorisation_holds_from_its_first_to_its_last_day():
    days = [f"2026-{month:02}-{day:02}" for month in (9, 10) for day in range(1, 29)]
    chosen = random.Random(2)
    for _ in range(300):
        since, until = sorted(chosen.sample(days, 2))
        person = Person(
            id="a", authorisations=(Authorisation(method="m", since=since, until=chosen.choice([until, None]), by="b"),)
        )
        last = person.authorisations[0].until
        for day in (*chosen.sample(days, 8), since, until):
            parsed = date.fromisoformat
            expected = parsed(since) <= parsed(day) and (last is None or parsed(day) <= parsed(last))
            assert person.authorised("m", day) is expected
            assert not person.authorised("other", day)


def noon(text):
    return round(datetime.fromisoformat(f"{text}T12:00").timestamp()) * 10**9


def test_a_withdrawal_ends_it_before_today_and_earlier_days_keep_theirs(tmp_path):
    clock = FixedClock(noon("2026-11-10"))
    with staffed(tmp_path, clock=clock) as lab:
        order = {"id": "measure", "method": "clear-glaze-qc"}
        carry_out(lab, "person_authorise", order)
        clock.now = noon("2026-11-20")
        carry_out(lab, "person_authorise", order | {"since": "2026-12-01", "until": "2026-12-31"})
        carry_out(lab, "person_withdraw", order | {"because": "long away"})
        person = lab.get(Person, "measure").record
        assert [(a.since, a.until, a.by) for a in person.authorisations] == [("2026-11-10", "2026-11-19", "administer")]
        days = [date(2026, 11, 8) + timedelta(days=n) for n in range(60)]
        valid = [d for d in days if person.authorised("clear-glaze-qc", d.isoformat())]
        assert (valid[0], valid[-1], len(valid)) == (date(2026, 11, 10), date(2026, 11, 19), 10)
        with pytest.raises(SettingError, match="has no authorisation for 'clear-glaze-qc' from today on"):
            carry_out(lab, "person_withdraw", order | {"because": "again"})


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ({"method": "clear-glase-qc"}, "did you mean 'clear-glaze-qc'"),
        ({"since": "2026-12-02", "until": "2026-12-01"}, "until: 2026-12-01 is before the first day"),
        ({"since": "tomorrow"}, "is not a day"),
        ({"id": "stranger"}, "there is no person 'stranger'"),
    ],
)
def test_a_wrong_authorisation_is_refused(tmp_path, order, expected):
    with staffed(tmp_path) as lab, pytest.raises(SettingError, match=expected):
        carry_out(lab, "person_authorise", {"id": "measure", "method": "clear-glaze-qc"} | order)
