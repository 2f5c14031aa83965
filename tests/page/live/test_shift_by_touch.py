"""A shift at a bench by touch alone, on a panel of 7 inch: no key is pressed, and each button has 20 mm."""

import pytest
from playwright.sync_api import expect

from daq.app.laboratory.laboratory import find
from daq.app.records.history import history
from daq.laboratory.bench.benchstate import Checklist
from tests.page.browsing import PITCH, TOUCHED
from tests.page.live.works import LONG_MS, stage

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
KEYS = """for (const name of ['keydown', 'keypress', 'keyup']) addEventListener(name, () => sessionStorage.setItem('keys', name), true);
addEventListener('mousedown', event => event.sourceCapabilities?.firesTouchEvents || sessionStorage.setItem('keys', 'mouse'), true);"""
LEAST = 20 * PITCH["800x480"]
SPEED = "At the prescribed speed"


class Person:
    """A person who touches a bench's screen and has no keyboard."""

    def __init__(self, tab):
        self.tab = tab

    def touch(self, name):
        """Touch a button by its words; all buttons of the screen are large."""
        assert self.tab.evaluate(TOUCHED, int(LEAST)) == []
        self.tab.get_by_role("button", name=name).tap()

    def choose(self, sample):
        """Touch a sample of the list; the list can be made anew under the finger, and a person touches again then."""
        button, checking = self.tab.get_by_role("button", name=sample), self.tab.locator("body[data-stage=checking]")
        while not checking.count():
            assert self.tab.evaluate(TOUCHED, int(LEAST)) == []
            if button.count():
                button.tap()
            self.tab.wait_for_timeout(1000)

    def main(self, after):
        assert self.tab.evaluate(TOUCHED, int(LEAST)) == []
        self.tab.locator("button.main").tap()
        stage(self.tab, after)

    def start_and_stop(self):
        """Start the sample whose checklist is shown, and stop its run."""
        self.main("running")
        stop = self.tab.locator("button.stop")
        expect(self.tab.locator("[data-gauge=torque] [data-live-part=now]")).not_to_have_text("–")
        stop.tap()
        stage(self.tab, "verdict")
        expect(self.tab.locator("[data-live-part=stop]")).to_contain_text("Stands still")


def shown(lab, run):
    with lab.reader() as reader:
        return history(reader, reader.run(run)), find(reader, Checklist, run)


def runs_of(lab, sample):
    with lab.reader() as reader:
        return [run.id for run in reversed(reader.runs(limit=-1)) if run.sample == sample]


def test_a_shift_by_touch_alone(works_here, browser):
    works = works_here
    lasting, quick = works.sample("lasts"), works.sample("quick")
    context = works.visitor(browser, "kim", paired="bench-1")
    context.add_init_script(KEYS)
    tab = works.opened(context)
    tab.set_default_timeout(LONG_MS)
    person = Person(tab)
    # Start of the shift.
    if tab.locator("body").get_attribute("data-stage") == "zeroing":
        person.main("fitting")
        person.main("choosing")
    else:
        works.at_rest()
        stage(tab, "choosing")
    # The next sample is touched instead of scanned.
    person.choose(lasting)
    expect(tab.locator("h1")).to_contain_text(lasting)
    person.start_and_stop()
    # The same fill, for a reason of the list: one touch writes it, the next one repeats.
    person.touch("Again, same fill")
    stage(tab, "repeating")
    person.touch(SPEED)
    expect(tab.locator("#typed")).to_have_value(SPEED)
    person.main("checking")
    expect(tab.locator(".bench-main")).to_contain_text(f"Repeat because: {SPEED}")
    person.start_and_stop()
    # A fresh fill, for a reason that a keyboard on the screen writes; it stays while the screen renews itself.
    person.touch("Again, fresh fill")
    stage(tab, "repeating")
    tab.locator("#typed").fill("the cup was cold")
    tab.locator("h1").tap()
    works.press("back", "bench-1")
    stage(tab, "verdict")
    person.touch("Again, fresh fill")
    stage(tab, "repeating")
    tab.locator("#typed").fill("the cup was cold")
    person.main("checking")
    person.start_and_stop()
    person.main("choosing")
    # The next sample is measured to its end, and gets a remark of the list.
    person.choose(quick)
    person.main("running")
    stage(tab, "verdict")
    assert tab.locator(".judged .digits").inner_text().strip("– ")
    person.touch("Remark")
    stage(tab, "remarking")
    person.touch("Bubbles in the sample")
    expect(tab.get_by_role("button", name="Bubbles in the sample")).to_have_attribute("aria-pressed", "true")
    person.touch("Skin on the surface")
    expect(tab.locator("#typed")).to_have_value("Skin on the surface")
    person.main("verdict")
    expect(tab.get_by_text("The remark is stored.")).to_be_visible()
    person.main("choosing")
    assert tab.evaluate("sessionStorage.getItem('keys')") is None
    context.close()
    # The records have what was touched.
    first, same, fresh = (shown(works.lab, run) for run in runs_of(works.lab, lasting))
    assert [found[0].run.outcome for found in (first, same, fresh)] == ["stopped"] * 3
    assert (same[1].record.reason, fresh[1].record.reason) == (SPEED, "the cup was cold")
    assert same[1].record.repeat_of == first[0].run.id
    (measured,) = (shown(works.lab, run) for run in runs_of(works.lab, quick))
    assert measured[0].run.outcome == "complete"
    assert len(measured[0].notes) == 1
    assert "Skin on the surface" in str(measured[0].notes[0])
    assert measured[0].run.operator == "kim"
