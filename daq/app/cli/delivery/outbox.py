"""`daq outbox`: the messages that wait for the broker, and those that it refused."""

import argparse
import time
from pathlib import Path

from daq.adapters.outbox.broker_versions import BrokerVersions
from daq.adapters.outbox.publisher_state import BrokerState
from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.cli.common import chosen_state, print_json
from daq.app.cli.printing import hung, terminal_columns
from daq.app.delivery.resending import SHOWN, OutboxView, outbox_view
from daq.app.screens.tables import table
from daq.app.screens.text import plain, span
from daq.core.encoding import encode
from daq.core.errors import DaqError
from daq.process.stop_request import daemon_socket

EXIT_WAITING = 1
"""A message was refused, or a message or result was changed, and a person has to do something about it."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Results are committed together with a message for the broker; the outbox holds those that the broker\n"
        "has not acknowledged.  Nothing in it is lost by a restart.  Exit code 1 where the broker refused something,\n"
        "or a message or result was changed in the database and is not sent."
    )
    parser.add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace) -> int:
    """Print what waits and what was refused; the state of the connection comes from the daemon, where one runs."""
    state = chosen_state(args)
    with Reader(database_path(state)) as reader:
        view = outbox_view(reader, time.time_ns(), _daemon(state), BrokerVersions(state).fallbacks())
    if args.json:
        print_json(encode(view))
    else:
        print("\n".join(lines(view, terminal_columns())))
    return EXIT_WAITING if view.refused or view.quarantined or view.changed or view.changed_results else 0


def _daemon(state: Path) -> BrokerState | None:
    """Return the state of the daemon's connection to its broker; None where no daemon runs."""
    try:
        socket = daemon_socket(state)
        if socket is None:
            return None
        from daq.app.daemon.daemon_client import ask  # without a daemon nothing is asked
        from daq.app.daemon.protocol import AskStatus, StatusAnswer

        broker = ask(socket, AskStatus(), StatusAnswer).status.broker
    except DaqError as error:
        return BrokerState(trouble=str(error))
    return broker or BrokerState(trouble="daemon.toml names no broker ([mqtt])")


def lines(view: OutboxView, columns: int | None = None) -> list[str]:
    """Return the outbox for a person, in lines of at most `columns` columns (None: no limit)."""
    age = view.oldest_age_s
    waiting = f"{view.waiting} messages wait for the broker" if view.waiting else "nothing waits for the broker"
    out: list[str] = []

    def add(text: str) -> None:
        out.extend(hung(text, "", columns))

    add(waiting + (f"; the oldest in the outbox is {span(age)} old" if age is not None else ""))
    add(f"last acknowledged by the broker: {view.last_acknowledged or 'nothing yet'}")
    add(_connection(view.daemon))
    for fallback in view.fallbacks:
        add(plain(fallback))
    if view.daemon is not None and view.daemon.others:
        add(f"other daemons publish under the same prefix: {', '.join(map(plain, view.daemon.others))}")
    if view.refused:
        out.append("")
        add(f"{view.refused} refused, tried again by themselves when the broker's rules may have changed:")
        rows = [
            [plain(t.topic), str(t.messages), t.since or "-", str(t.attempts), plain(t.reason)]
            for t in view.refused_topics
        ]
        head = ["topic", "messages", "since", "attempts", "reason"]
        out.append(table(head, rows, right=frozenset({1, 3}), columns=columns))
        add(
            "Allow the user to publish there in the broker's access rules; then they go out within the hour, "
            "or at once with `daq resend --refused`."
        )
    if view.changed:
        out.append("")
        add(f"{view.changed} changed in the database after they were stored; they do not agree with the audit trail:")
        rows = [[plain(m.id), plain(m.topic), str(m.bytes), m.since or "-"] for m in view.changed_messages]
        out.append(table(["id", "topic", "bytes", "found"], rows, right=frozenset({2}), columns=columns))
        if view.changed > len(view.changed_messages):
            out.append(f"(the first {SHOWN} are shown)")
        add("They are not sent. `daq verify` names each changed field with both values.")
    out += _changed_results(view, columns)
    if view.quarantined:
        out.append("")
        add(f"{view.quarantined} in quarantine: the broker refuses them for good, they are not tried again:")
        rows = [
            [m.id, plain(m.topic), str(m.bytes), m.since or "-", str(m.attempts), plain(m.reason)]
            for m in view.quarantine
        ]
        head = ["id", "topic", "bytes", "since", "attempts", "reason"]
        rows = [[plain(row[0]), *row[1:]] for row in rows]
        out.append(table(head, rows, right=frozenset({2, 4}), columns=columns))
        if view.quarantined > len(view.quarantine):
            out.append(f"(the first {SHOWN} are shown)")
        add(
            "Mend the cause at the broker (its limit of a message's size, its rules of topics), then run "
            "`daq resend --refused`. The results themselves are safe: `daq runs`, `daq show`."
        )
    return out


def _changed_results(view: OutboxView, columns: int | None) -> list[str]:
    found = view.changed_results
    if not found:
        return []
    text = (
        f"{len(found)} results were changed in the database after they were stored; they do not agree with the audit "
        "trail, and the Sparkplug node does not send them:"
    )
    rows = [[plain(r.id), plain(r.instrument), str(r.sequence), r.since or "-"] for r in found[:SHOWN]]
    shown = table(["id", "instrument", "sequence", "found"], rows, right=frozenset({2}), columns=columns)
    more = [f"(the first {SHOWN} are shown)"] if len(found) > SHOWN else []
    names = hung("`daq verify` names each changed field with both values.", "", columns)
    return ["", *hung(text, "", columns), shown, *more, *names]


def _connection(daemon: BrokerState | None) -> str:
    if daemon is None:
        return "no daemon runs: nothing is sent until `daq serve` does"
    trouble = plain(daemon.trouble)
    if daemon.connected:
        words = f"connected (MQTT {daemon.protocol}), {daemon.in_flight} on their way"
        return f"{words}; {trouble}" if trouble else words
    return f"not connected: {trouble}" if trouble else "not connected"
