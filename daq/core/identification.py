"""The identity request of one connection: asked, answered, missing."""

from dataclasses import replace

from daq.core.driver import Driver, Identity
from daq.core.exchange import Exchange
from daq.core.framing import NEVER
from daq.core.linkeffects import ExpectedInstrument
from daq.core.linkstates import IdentityCheck


class Identification:
    """State of the identity of one instrument.

    Attributes:
        identity: identity that was received last; None before the first.
        check: result of the latest identity check.
        detail: the difference, or the reason why there is no answer.
        due: time (ns) at which the wait for the answer is over, or `NEVER`.
    """

    def __init__(
        self, driver: Driver, exchange: Exchange, expected: ExpectedInstrument, *, stays: bool = False
    ) -> None:
        """Set up without an identity.

        Args:
            driver: driver of the instrument.
            exchange: exchange over which it is asked.
            expected: instrument that must answer.
            stays: whether the instrument that answers first must answer ever after, as in a run.
        """
        self.identity: Identity | None = None
        self.check = IdentityCheck.PENDING
        self.detail = ""
        self.due = NEVER
        self._driver, self._exchange, self._expected, self._stays = driver, exchange, expected, stays
        #: Answers so far, of as many as there are requests.
        self._answers: list[Identity] = []
        self._asked = 1

    def ask(self, t: int) -> None:
        """Send the identity request at `t` (ns); an earlier one is dropped.  Some instruments cannot be asked."""
        request = self._driver.identify()
        self.detail = ""
        if request is None:
            self.check = IdentityCheck.NOT_ASKED
            return
        self.check = IdentityCheck.PENDING
        self._exchange.drop("identity")
        requests = (request, *self._driver.identify_more())
        self._answers, self._asked = [], len(requests)
        for one in requests:
            self._exchange.ask(t, one)

    def joined(self, identity: Identity) -> Identity | None:
        """Take one answer; return the identity with the facts of all answers once each request has its own."""
        self._answers.append(identity)
        if len(self._answers) < self._asked:
            return None
        if self._asked == 1:
            return identity
        # The answer with the serial number is that of the instrument; the others have facts only.
        first = next((one for one in self._answers if one.serial), identity)
        facts = {name: value for one in self._answers for name, value in one.facts.items()}
        return replace(first, facts=dict(sorted(facts.items())))

    def received(self, identity: Identity) -> str:
        """Take the identity; return the difference from the expected instrument, "" where there is none."""
        self.due = NEVER
        self.identity = identity
        self.detail = self._expected.difference(identity)
        self.check = IdentityCheck.CHANGED if self.detail else IdentityCheck.SAME
        if self._stays and not self.detail:
            self._expected = self._expected.known_from(identity)
        return self.detail

    def missing(self, reason: str) -> None:
        """Note that there is no answer, and why."""
        self.due = NEVER
        self.check, self.detail = IdentityCheck.NO_ANSWER, reason
