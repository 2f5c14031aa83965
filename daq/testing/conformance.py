"""The conformance kit: check that a driver keeps its contract for any bytes on the line.

It checks drivers in Python and description files alike, from pytest::

    def test_the_balance_conforms():
        assert_conforms(lambda: BalanceDriver({}), capture=Path("balance.capture"))

and from the command line: ``daq driver check``.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from daq.core.driver import Driver
from daq.descriptions.capture import Capture, load_capture
from daq.descriptions.guessing.finding.checksum import find_checksum
from daq.testing.bench import Simulator
from daq.testing.case import Case, Check, Make
from daq.testing.checks import (
    checks_alike,
    checks_answers,
    checks_bytes,
    checks_damage,
    checks_declared,
    checks_exchange,
    checks_invented,
    checks_numbers,
    checks_surroundings,
    checks_units,
    checks_unread,
    checks_values,
)
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, Report
from daq.testing.talk import Transcript, record, transcribe
from daq.testing.watchdog import TooMuchWorkError, WaitedError, at_most

WORK_S: Final = 20.0
"""Greatest CPU time of a check, s; the slowest check takes a few tenths of a second."""
WAIT_S: Final = 60.0
"""Greatest time of a check in which the process only waits, s; no check waits."""
LINE_WORK_S: Final = 3.0
"""Greatest CPU time of the check `work per line`, s."""

#: Name in the report and check, in order.
CHECKS: Final[tuple[tuple[str, Check], ...]] = (
    ("contract", checks_declared.contract),
    ("channels", checks_declared.channels),
    ("framing", checks_declared.framing),
    ("port", checks_declared.port),
    ("requests", checks_declared.requests),
    ("times", checks_declared.times),
    ("motion", checks_declared.motion),
    ("options", checks_declared.options),
    ("digest", checks_declared.digest),
    ("imports", checks_surroundings.imports),
    ("work per line", checks_bytes.bounded_work),
    ("quiet", checks_surroundings.quiet),
    ("any bytes", checks_bytes.any_bytes),
    ("understands", checks_bytes.understands),
    ("values shown", checks_values.values_shown),
    ("units", checks_units.units_in_lines),
    ("from the line", checks_invented.from_the_line),
    ("repeats", checks_invented.repeats),
    ("whole numbers", checks_numbers.whole_numbers),
    ("one factor", checks_alike.one_factor),
    ("ignored states", checks_invented.ignored_states),
    ("unread", checks_unread.unread),
    ("over range", checks_bytes.over_range),
    ("same again", checks_bytes.same_again),
    ("state", checks_bytes.state),
    ("growth", checks_bytes.growth),
    ("identity", checks_answers.identity),
    ("full scale", checks_answers.full_scale),
    ("confirmed", checks_exchange.confirmations),
    ("distinct answers", checks_answers.distinct_answers),
    ("echo", checks_answers.echo),
    ("other address", checks_answers.other_address),
    ("checksum", checks_damage.unused_checksum),
    ("flipped bits", checks_damage.flipped_bits),
    ("cut lines", checks_damage.cut_frames),
    ("run together", checks_damage.run_together),
    ("cut off", checks_damage.cut_off),
    ("finds its place", checks_damage.resynchronises),
    ("clean line", checks_exchange.clean_line),
    ("byte by byte", checks_exchange.byte_by_byte),
    ("doubled ends", checks_exchange.doubled_ends),
    ("lost bytes", checks_exchange.lost_bytes),
    ("garbage", checks_exchange.garbage_between),
    ("late answers", checks_exchange.late_answers),
    ("silence", checks_exchange.silence),
    ("unplugged", checks_exchange.unplugged),
    ("flood", checks_exchange.flood),
    ("halt", checks_exchange.halts),
)


def check_driver(
    make: Make,
    *,
    capture: Capture | Path | None = None,
    simulator: Callable[[], Simulator] | None = None,
    expected: Sequence[Sequence[float | None]] = (),
    started: Callable[[str], None] = lambda _: None,
    waiting_s: float = WAIT_S,
    until_failed: bool = False,
    accepted: frozenset[str] = frozenset(),
    left_out: frozenset[str] = frozenset(),
) -> Report:
    """Run all checks on a driver.

    Args:
        make: returns a new driver at each call.
        capture: capture of a real instrument, or its file.
        simulator: returns a new simulated instrument, used in place of a capture.
        expected: values of the first readings on the display, in channel order.
        started: called with the name of each check before it runs.
        waiting_s: time on the clock that a check may wait without work, s.
        until_failed: leave out the checks after the first that fails.
        accepted: names of checks whose failure does not end the run with `until_failed`.
        left_out: names of checks that are not run.

    Raises:
        SettingError: the capture's file cannot be read.
    """
    try:
        with at_most(WORK_S, waiting_s):
            driver = make()
    except (Exception, SystemExit, TooMuchWorkError) as error:  # noqa: BLE001 - any error of a driver is a finding
        finding = Finding(
            "contract", "failed", f"cannot be created: {type(error).__name__}: {error}", do="see its options"
        )
        return Report("driver", [finding])
    report = Report(str(getattr(driver, "kind", type(driver).__name__)))
    contract = _run("contract", checks_declared.contract, Case(make, driver), waiting_s)
    if contract.outcome == "failed":
        report.findings.append(contract)
        return report
    case = Case(make, driver, expected=expected)
    listening = _run("understands", lambda c: _listen(c, capture, simulator), case, waiting_s)
    if listening.outcome == "failed":
        case.talk = None
        report.findings.append(listening)
        if "without end" in listening.message:
            return report
    for name, check in CHECKS:
        if name in left_out:
            continue
        started(name)
        finding = _run(name, check, case, waiting_s)
        report.findings.append(finding)
        if "without end" in finding.message or (until_failed and finding.outcome == "failed" and name not in accepted):
            break
    return report


def assert_conforms(
    make: Make,
    *,
    capture: Capture | Path | None = None,
    simulator: Callable[[], Simulator] | None = None,
    expected: Sequence[Sequence[float | None]] = (),
) -> Report:
    """Run `check_driver` in a test.

    Raises:
        AssertionError: a check failed; the message is the report.
    """
    report = check_driver(make, capture=capture, simulator=simulator, expected=expected)
    if not report.passed:
        raise AssertionError("\n" + report.text(everything=False))
    return report


def _listen(case: Case, capture: Capture | Path | None, simulator: Callable[[], Simulator] | None) -> Finding:
    if isinstance(capture, Path):
        capture = load_capture(capture)
    if capture is not None:
        case.talk = transcribe(case.make(), capture, f"capture of {len(capture.pieces)} pieces")
    elif simulator is not None:
        case.talk = _simulated(case.make, simulator)
    if case.talk is not None:
        found = find_checksum([e.frame for e in case.talk.examples])
        if found is not None and found.sure:
            case.checksum, case.seal, case.tail = str(found), found.seal, found.tail_length
            case.fits = found.fits
        else:
            # A description corrects the checksums that cannot be found in few lines, or that only some lines have.
            case.seal = getattr(case.driver, "resealed", None)
    return Finding("understands", "passed", "")


def _simulated(make: Callable[[], Driver], simulator: Callable[[], Simulator]) -> Transcript:
    talk = transcribe(make(), record(make(), simulator()), "simulator")
    talk.simulated = True
    return talk


def _run(name: str, check: Check, case: Case, waiting_s: float) -> Finding:
    try:
        with at_most(LINE_WORK_S if name == "work per line" else WORK_S, waiting_s):
            return check(case)
    except DriverFaultError as fault:
        return Finding(name, "failed", fault.message, fault.evidence, fault.do)
    except NotApplicableError as why:
        return Finding(name, "not_applicable", str(why))
    except WaitedError:
        return Finding(
            name, "failed", f"waits without end: a check was not finished after {waiting_s:g} s of waiting; "
            "the checks after this one were left out",
            do="a driver waits for nothing: only the exchange uses clocks and ports",
        )  # fmt: skip
    except SystemExit as error:
        return Finding(
            name, "failed", f"ends the program: SystemExit({error.code!r})", do="return Reject, or raise DriverError"
        )
    except TooMuchWorkError:
        return Finding(
            name, "failed", "works without end on a line; the checks after this one were left out",
            do="patterns whose parts match the same text in many ways need exponential time: make them strict",
        )  # fmt: skip
    except Exception as error:  # noqa: BLE001 - any error of a driver is a finding
        return Finding(
            name, "failed", f"raised {type(error).__name__}: {error}", do="a driver raises only what its contract says"
        )
