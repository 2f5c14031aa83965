"""`daq outbox`: how results stand on their way to the broker."""

import argparse
import time
from pathlib import Path

from daq.adapters.outbox.publisher_state import BrokerState
from daq.adapters.paths import database_path, holder, socket_path
from daq.adapters.store.reading import Reader
from daq.app.cli.common import chosen_state, print_json
from daq.app.daemon.control import ask
from daq.app.daemon.protocol import AskStatus, StatusAnswer
from daq.app.delivery.resending import SHOWN, OutboxView, outbox_view
from daq.app.screens.text import plain, shortened, span, table
from daq.core.encoding import encode
from daq.core.errors import DaqError

EXIT_WAITING = 1
"""Something was refused and needs somebody."""
REASON_COLUMNS = 60


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Results are committed together with a message for the broker; the outbox holds those that the broker\n"
        "has not acknowledged.  Nothing in it is lost by a restart.  Exit code 1 where the broker refused something."
    )
    parser.add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace) -> int:
    """Read the database; ask the daemon, where one runs, how its connection stands."""
    state = chosen_state(args)
    with Reader(database_path(state)) as reader:
        view = outbox_view(reader, time.time_ns(), _daemon(state))
    if args.json:
        print_json(encode(view))
    else:
        print("\n".join(lines(view)))
    return EXIT_WAITING if view.refused or view.quarantined else 0


def _daemon(state: Path) -> BrokerState | None:
    """What the daemon says of its broker; None where none runs."""
    if holder(state) is None:
        return None
    try:
        broker = ask(socket_path(state), AskStatus(), StatusAnswer).status.broker
    except DaqError as error:
        return BrokerState(trouble=str(error))
    return broker or BrokerState(trouble="daemon.toml names no broker ([mqtt])")


def lines(view: OutboxView) -> list[str]:
    """For a person."""
    age = view.oldest_age_s
    waiting = f"{view.waiting} messages wait for the broker" if view.waiting else "nothing waits for the broker"
    out = [waiting + (f"; the oldest in the outbox is {span(age)} old" if age is not None else "")]
    out.append(f"last acknowledged by the broker: {view.last_acknowledged or 'nothing yet'}")
    out.append(_connection(view.daemon))
    if view.refused:
        out += ["", f"{view.refused} refused, tried again by themselves when the broker's rules may have changed:"]
        rows = [
            [plain(t.topic), str(t.messages), t.since or "-", str(t.attempts), _reason(t.reason)]
            for t in view.refused_topics
        ]
        out.append(table(["topic", "messages", "since", "attempts", "reason"], rows, right=frozenset({1, 3})))
        out.append("Allow the user to publish there in the broker's access rules; then they go out within the hour,")
        out.append("or at once with `daq resend --refused`.")
    if view.quarantined:
        out += ["", f"{view.quarantined} in quarantine: the broker refuses them for good, they are not tried again:"]
        rows = [
            [m.id, plain(m.topic), str(m.bytes), m.since or "-", str(m.attempts), _reason(m.reason)]
            for m in view.quarantine
        ]
        head = ["id", "topic", "bytes", "since", "attempts", "reason"]
        out.append(table([*head], [[plain(row[0]), *row[1:]] for row in rows], right=frozenset({2, 4})))
        if view.quarantined > len(view.quarantine):
            out.append(f"(the first {SHOWN} are shown)")
        out.append("Mend the cause at the broker (its limit of a message's size, its rules of topics), then run")
        out.append("`daq resend --refused`.  The results themselves are safe: `daq runs`, `daq show`.")
    return out


def _reason(text: str) -> str:
    return shortened(plain(text), REASON_COLUMNS)


def _connection(daemon: BrokerState | None) -> str:
    if daemon is None:
        return "no daemon runs: nothing is sent until `daq serve` does"
    trouble = plain(daemon.trouble)
    if daemon.connected:
        said = f"connected (MQTT {daemon.protocol}), {daemon.in_flight} on their way"
        return f"{said}; {trouble}" if trouble else said
    return f"not connected: {trouble}" if trouble else "not connected"
