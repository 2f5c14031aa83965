"""Who acts and who measures: the peer, a badge or a password, never a typed name."""

import itertools
import threading
import time

import pytest

from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.given import Given
from daq.app.laboratory.identity import identify, operator_of, refuse_copy
from daq.app.laboratory.log_ins import FORGET_NS, LONGEST_WAIT_S, LogIns
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError
from daq.laboratory.people import ROLES, Operator
from daq.process.logins import own_login
from tests.laboratory.parts import FixedClock, at, audited, laboratory, staffed

BADGE, PASSWORD, WRONG = "0049-7731", "blue celadon", "wrong"


def order_of(**more):
    return RunOrder(method_id="clear-glaze-qc", instrument="bench-1", sample="G-1", **more)


def test_without_people_the_operator_is_the_typed_name_or_the_login(tmp_path):
    with laboratory(tmp_path) as lab:
        assert operator_of(lab, order_of()) == Operator("m.keeper", "unattributed")
        assert operator_of(lab, order_of(operator="a.firing")) == Operator("a.firing", "unattributed")
        with pytest.raises(SettingError, match="badge: people are not switched on"):
            operator_of(lab, order_of(badge=BADGE))
        with pytest.raises(SettingError, match="person: people are not switched on"):
            carry_out(lab, "sample_add", {"id": "G-1"}, Given(person="a", password=PASSWORD))


@pytest.mark.slow
@pytest.mark.parametrize("role", ["nobody", *ROLES])
def test_a_typed_operator_never_becomes_another_person(tmp_path, role):
    with staffed(tmp_path) as lab:
        own = at(lab, f"at-{role}")
        for typed in ("", "measure", "administer", "at-measure", "m.keeper"):
            order = order_of(operator=typed)
            if role in ("nobody", "look"):
                with pytest.raises(SettingError, match="a run needs (a person with )?the role measure"):
                    operator_of(own, order)
            elif typed in ("", role):
                assert operator_of(own, order) == Operator(role, "not_authorised")
            else:
                with pytest.raises(SettingError, match=f"operator: {role} measures, by the login"):
                    operator_of(own, order)


def test_a_badge_identifies_at_a_shared_login_and_over_another_person(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_badge", {"id": "review", "badge": BADGE})
        carry_out(lab, "person_badge", {"id": "measure", "badge": "0049-7732"})
        for login in ("bench", "at-administer", "at-look"):
            assert operator_of(at(lab, login), order_of(badge=BADGE)).name == "review"
            assert operator_of(at(lab, login), order_of(badge="0049-7732")).name == "measure"
        with pytest.raises(SettingError, match="operator: review measures, by the badge"):
            operator_of(at(lab, "bench"), order_of(badge=BADGE, operator="measure"))
        carry_out(lab, "person_lock", {"id": "review", "because": "left"})
        with pytest.raises(SettingError, match="review is locked"):
            operator_of(at(lab, "bench"), order_of(badge=BADGE))


def test_a_badge_of_a_person_without_the_role_does_not_measure(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_badge", {"id": "look", "badge": BADGE})
        with pytest.raises(SettingError, match="a run needs the role measure; look acts in the role look"):
            operator_of(at(lab, "bench"), order_of(badge=BADGE))


def test_a_badge_identifies_for_measuring_at_most_and_sets_no_password(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_badge", {"id": "administer", "badge": BADGE})
        given = Given(badge=BADGE)
        carry_out(at(lab, "bench"), "sample_add", {"id": "G-1"}, given)
        assert audited(lab)[-1].who == "administer"
        for act, order in (
            ("person_add", {"id": "new", "role": "administer", "logins": ["bench"]}),
            ("person_password", {"id": "administer", "password": "found it"}),
        ):
            with pytest.raises(SettingError, match="badge"):
                carry_out(at(lab, "bench"), act, order, given)


def test_a_badge_belongs_to_one_person(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_badge", {"id": "measure", "badge": BADGE})
        with pytest.raises(SettingError, match="badge: belongs to measure"):
            carry_out(lab, "person_badge", {"id": "review", "badge": BADGE})
        with pytest.raises(SettingError, match="badge: has less than 4 characters"):
            carry_out(lab, "person_badge", {"id": "review", "badge": "123"})
        carry_out(lab, "person_badge", {"id": "measure", "badge": ""})
        carry_out(lab, "person_badge", {"id": "review", "badge": BADGE})
        assert identify(at(lab, "bench"), Given(badge=BADGE)).name == "review"


def test_a_password_identifies_at_a_shared_login(tmp_path):
    clock = FixedClock()
    with staffed(tmp_path, clock=clock) as lab:
        carry_out(lab, "person_password", {"id": "review", "password": PASSWORD})
        shared = at(lab, "bench")
        who = identify(shared, Given(person="review", password=PASSWORD))
        assert (who.name, who.role, who.by_badge) == ("review", "review", False)
        carry_out(shared, "sample_add", {"id": "G-1"}, Given(person="review", password=PASSWORD))
        wrong = [("review", "blue celadon "), ("review", ""), ("measure", ""), ("measure", PASSWORD), ("ghost", "x")]
        for person, password in wrong:
            clock.now += round(2 * LONGEST_WAIT_S * 1e9)
            with pytest.raises(SettingError, match="the log-in is refused"):
                identify(shared, Given(person=person, password=password))
        with pytest.raises(SettingError, match="not both"):
            identify(shared, Given(person="review", password=PASSWORD, badge=BADGE))


def test_failed_log_ins_slow_down_the_same_person_only(tmp_path):
    clock = FixedClock()
    with staffed(tmp_path, clock=clock) as lab:
        for person in ("review", "measure"):
            carry_out(lab, "person_password", {"id": person, "password": PASSWORD})
        waits = []
        for _ in range(8):
            with pytest.raises(SettingError) as caught:
                identify(lab, Given(person="review", password=WRONG))
            waits.append(float(str(caught.value).split(" in ")[1].split(" s")[0]))
            clock.now += round(waits[-1] * 1e9) - 1
            with pytest.raises(SettingError, match="the last one failed"):
                identify(lab, Given(person="review", password=PASSWORD))
            assert identify(lab, Given(person="measure", password=PASSWORD)).name == "measure"
            clock.now += 1
        assert waits == [1, 2, 4, 8, 16, 32, 60, 60]
        assert identify(lab, Given(person="review", password=PASSWORD)).name == "review"
        with pytest.raises(SettingError, match="in 1 s"):
            identify(lab, Given(person="review", password=WRONG))


def test_guesses_at_the_same_time_are_counted_one_after_another():
    log_ins, checked = LogIns(), itertools.count()
    start = threading.Barrier(20)

    def wrong():
        next(checked)
        time.sleep(0.05)  # as long as a hash takes

    def guess():
        start.wait()
        with pytest.raises(SettingError):
            log_ins.check("a", 0, wrong)

    threads = [threading.Thread(target=guess) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert next(checked) == 1


def test_wrong_badges_slow_down_their_login(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_badge", {"id": "measure", "badge": BADGE})
        with pytest.raises(SettingError, match="the log-in is refused; the next one is possible in 1 s"):
            operator_of(at(lab, "bench"), order_of(badge="0000"))
        with pytest.raises(SettingError, match="the last one failed"):
            operator_of(at(lab, "bench"), order_of(badge=BADGE))
        assert operator_of(at(lab, "other-bench"), order_of(badge=BADGE)).name == "measure"


def test_a_right_badge_between_wrong_ones_clears_nothing_and_time_does(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_badge", {"id": "measure", "badge": BADGE})
        for page in (False, True):
            waits, clock = [], lab.clock
            for number in range(26):
                with pytest.raises(SettingError, match="refused") as caught:
                    identify(lab, Given(badge=f"{number:04}", page=page))
                waits.append(float(str(caught.value).split(" in ")[1].split(" s")[0]))
                clock.now += round(waits[-1] * 1e9)
                assert identify(lab, Given(badge=BADGE, page=page)).name == "measure"
            assert waits[-1] >= 16
            assert (waits[15] == 1) == page  # the first wrong ones at the page delay no one
            clock.now += 60 * FORGET_NS
            assert identify(lab, Given(badge=BADGE, page=page)).name == "measure"
            with pytest.raises(SettingError, match="in 1 s"):
                identify(lab, Given(badge="0000", page=page))


@pytest.mark.parametrize("people", [False, True])
def test_a_copy_of_the_database_with_hashes_is_for_the_owner_and_who_administers(tmp_path, people):
    with laboratory(tmp_path, "bench") as lab:
        refuse_copy(lab)
    with staffed(tmp_path):
        pass
    with laboratory(tmp_path, "bench", people=people) as lab:
        refuse_copy(at(lab, own_login()))
        refuse_copy(at(lab, "at-administer"))
        for login in ("bench", "at-look", "at-measure", "at-review"):
            with pytest.raises(SettingError, match="a copy of the database needs"):
                refuse_copy(at(lab, login))


def test_the_operator_is_authorised_by_method_and_day(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_authorise", {"id": "measure", "method": "clear-glaze-qc"})
        own = at(lab, "at-measure")
        assert operator_of(own, order_of()).attribution == "authorised"
        other = RunOrder(method_id="engobe-qc", instrument="bench-1", sample="G-1")
        assert operator_of(own, other).attribution == "not_authorised"
        assert operator_of(lab, order_of()).attribution == "not_authorised"
        lab.clock.now -= 2 * 86_400 * 10**9
        assert operator_of(own, order_of()).attribution == "not_authorised"
