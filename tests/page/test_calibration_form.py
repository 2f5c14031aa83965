"""The lines of the form of a calibration: as found, as left, units, and each error at its line."""

import itertools
import re

import pytest

from daq.laboratory.equipment import Equipment
from daq.page.shown.calibrations import FREE_LINES, MOST_LINES, calibration_lines, used_lines, values_of, without_lines
from tests.page.visiting import HOSTILE, MARKUP, Page
from tests.support.laboratories import laboratory

pytestmark = pytest.mark.asyncio
PIECE = {
    "piece": "bench-1",
    "certificate": "C-7",
    "day": "2025-01-07",
    "due": "2027-01-07",
    "because": "",
    "found": "inside",
}


def a_line(n, name, found, left, uncertainty, *, constant=False):
    values = {"name": name, "as_found": found, "as_left": left, "uncertainty": uncertainty}
    return {f"{key}.{n}": text for key, text in values.items()} | ({f"constant.{n}": "yes"} if constant else {})


def names_of(text):
    return dict(re.findall(r'name="name\.(\d+)" value="([a-z_]+)"', text))


@pytest.mark.slow
async def test_values_as_found_and_as_left_are_recorded_with_their_units(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            constants = names_of((await browser.get("/equipment?piece=bench-1")).text)
            at = next(n for n, name in constants.items() if name == "torque_full_scale")
            free = len(constants)
            form = PIECE | a_line(at, "torque_full_scale", "1.002 mN.m", "1000 uN.m", "2 uN.m", constant=True)
            form |= a_line(free + 1, "at 20 Cel", "20.1 Cel", "20 Cel", "0.05 K")
            done = await page.send(browser, "POST", "/equipment/calibrated", form)
            assert (done.status_code, done.headers["location"]) == (303, "/equipment?piece=bench-1&done=calibrated")
            found = lab.found(Equipment, "bench-1 R-1042") or lab.found(Equipment, "bench-1")
    values = {v.name: v for v in found.record.calibration.values}
    torque, point = values["torque_full_scale"], values["at 20 Cel"]
    assert (torque.constant, torque.unit, torque.as_found, torque.as_left) == (
        True,
        "uN.m",
        pytest.approx(1002.0),
        1000.0,
    )
    assert (point.constant, point.unit, point.as_found, point.as_left) == (False, "Cel", 20.1, 20.0)
    assert (torque.uncertainty, point.uncertainty) == (2.0, 0.05)


async def test_each_error_is_at_its_line_and_nothing_is_recorded(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            constants = names_of((await browser.get("/equipment?piece=bench-1")).text)
            at, free = next(n for n, name in constants.items() if name == "torque_full_scale"), len(constants)
            form = PIECE | a_line(at, "torque_full_scale", "1002", "1000 uN.m", "2 uN.m", constant=True)
            form |= a_line(free, "at 20 Cel", "20.1 Cel", "20 Cel", "0.05 Cel")
            form |= a_line(free + 2, HOSTILE, "1 mm", "1 mm", "0.1 mm")
            refused = await page.send(browser, "POST", "/equipment/calibrated", form)
            assert refused.status_code == 422
            shown = re.findall(r'<fieldset class="filters".*?</fieldset>', refused.text, re.DOTALL)
            wrong = [n for n, text in enumerate(shown) if 'role="alert"' in text]
            assert wrong == [int(at), free]
            assert "As found: torque_full_scale: 1002 needs its unit" in shown[int(at)]
            assert 'value="1000 uN.m"' in shown[int(at)]
            assert "the uncertainty of a temperature is written in K" in shown[free]
            assert MARKUP not in refused.text
            assert lab.found(Equipment, "bench-1 R-1042") is None
            assert lab.found(Equipment, "bench-1") is None
            # A number that is none is refused by the order itself, before the piece is known.
            form = PIECE | a_line(free + 1, "at 20 Cel", "warm", "", "0.05 K")
            refused = await page.send(browser, "POST", "/equipment/calibrated", form)
            shown = re.findall(r'<fieldset class="filters".*?</fieldset>', refused.text, re.DOTALL)
            assert [text.count('role="alert"') for text in shown] == [0] * (free + 1) + [2, 0]


async def test_every_line_goes_to_its_place_in_the_order_and_its_errors_come_back_to_it():
    constants = [{"name": f"c{n}", "unit": "mm"} for n in range(4)]
    for used in range(1, 1 << (len(constants) + FREE_LINES)):
        wanted = [n for n in range(len(constants) + FREE_LINES) if used >> n & 1]
        given = {f"constant.{n}": "yes" for n in range(4)} | {f"name.{n}": f"c{n}" for n in range(4)}
        for n in wanted:
            given |= a_line(n, f"c{n}", f"{n} mm", f"{n} mm", "1 mm", constant=n < 4)
        assert used_lines(given) == wanted
        assert [v["as_left"] for v in values_of(given)] == [f"{n} mm" for n in wanted]
        assert [v["constant"] for v in values_of(given)] == [n < 4 for n in wanted]
        refused = [f"values[{i}].as_left: wrong {n}" for i, n in enumerate(wanted)] + ["day: is in the future"]
        lines = calibration_lines(constants, given, refused)
        assert [line["errors"] for line in lines] == [
            [("as_left", f"wrong {n}")] if n in wanted else [] for n in range(len(lines))
        ]
        assert without_lines(refused) == ["day: is in the future"]


async def test_a_piece_with_many_constants_keeps_within_the_fields_of_a_form():
    constants = [{"name": f"c{n}", "unit": "mm"} for n in range(100)]
    assert len(calibration_lines(constants, {}, [])) == MOST_LINES
    assert MOST_LINES * 5 + 10 <= 100


async def test_values_stay_with_the_constant_of_their_name_when_the_file_changed_meanwhile():
    names = ["torque_full_scale", "spring", "offset"]
    given = {}
    for n, name in enumerate(names):
        given |= a_line(n, name, f"{n}.1 mm", f"{n} mm", "0.1 mm", constant=True)
    given |= a_line(3, "at 20 Cel", "20.1 Cel", "20 Cel", "0.05 Cel")
    refused = ["values[1].as_found: wrong", "values[3].uncertainty: wrong"]
    for shown in itertools.permutations([*names, "new"]):
        for count in range(len(shown) + 1):
            constants = [{"name": name, "unit": "mm"} for name in shown[:count]]
            for line in calibration_lines(constants, given, refused):
                if line["constant"]:
                    old = names.index(line["name"]) if line["name"] in names else None
                    assert line["given"]["as_left"] == ("" if old is None else f"{old} mm")
                    assert [key for key, _ in line["errors"]] == (["as_found"] if old == 1 else [])
                elif line["given"]["as_left"]:
                    assert (line["name"], line["given"]["as_left"]) == ("at 20 Cel", "20 Cel")
