"""The life of a node against a strict host, in any order of events.

Source of the rules: Sparkplug specification 3.0, chapters 4 to 6; see `strict_host`.
"""

import json

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from daq.adapters.sparkplug.encode import payload
from daq.adapters.sparkplug.metrics import DataType, Metric
from daq.adapters.sparkplug.names import Names
from daq.adapters.sparkplug.phase import Phase
from daq.adapters.sparkplug.state import REBIRTH, REBIRTH_EVERY_NS, EdgeNode, LifecycleError
from tests.support.sparkplug.strict_host import StrictHost

T0 = 1_790_000_000_000
DEVICES = ("bench-1", "bench-2", "thermo-1")


def metrics(device, value, time=T0):
    """Every device has metrics of the same names, which must not share an alias."""
    return (
        Metric("result/id", DataType.STRING, str(value), time),
        Metric("result/value", DataType.DOUBLE, float(value), time),
        Metric(f"channel/{device}", DataType.DOUBLE, None, time),
    )


def host_state(online, time_ms):
    return json.dumps({"online": online, "timestamp": time_ms}).encode()


def asked(value=True, name=REBIRTH, alias=None):
    metric = Metric(name, DataType.BOOLEAN, value, T0)
    return payload((metric,), T0, None, aliases=None if alias is None else {name: alias})


class Life(RuleBasedStateMachine):
    @initialize(
        host=st.booleans(),
        aliases=st.booleans(),
        first=st.integers(0, 255),
        devices=st.sets(st.sampled_from(DEVICES)),
        lively=st.integers(0, 3),
    )
    def begin(self, host, aliases, first, devices, lively):
        """Start most lives connected or born; otherwise the later rules would be tried too rarely."""
        self.node = EdgeNode(Names("glaze-works", "kiln-street", "tower" if host else ""), with_aliases=aliases)
        self.host = StrictHost("glaze-works", "kiln-street", aliases=aliases)
        self.wants_host = host
        self.online, self.newest, self.gone = False, None, False
        self.bd_seq = (first - 1) % 256
        self.will, self.old_wills = None, []
        self.present = {}
        self.ms, self.mono, self.count = T0, 1, 0
        self.asked_at = None
        self.born_at = None
        for device in sorted(devices):
            self.present[device] = 0
        if lively:
            self.connect()
        if lively > 1:
            self.host_publishes_its_state(online=True, step=0)
            self.birth()

    def give(self, *publications):
        return [self.host.receive(p.topic, p.payload, p.qos) for p in publications]

    def refused(self, call, *args, **options):
        seq, log = self.host.seq, len(self.host.log)
        with pytest.raises(LifecycleError):
            call(*args, **options)
        assert (self.host.seq, len(self.host.log)) == (seq, log)

    # the connection

    @precondition(lambda self: self.node.phase is Phase.AWAY)
    @rule()
    def connect(self):
        self.bd_seq = (self.bd_seq + 1) % 256
        self.will = self.node.will(self.bd_seq, self.ms)
        self.host.registered(self.will.topic, self.will.payload, self.will.qos, retain=False)
        self.node.connected()
        self.online, self.newest, self.gone, self.asked_at = False, None, False, None

    @precondition(lambda self: self.node.phase is not Phase.AWAY)
    @rule(late=st.booleans())
    def line_breaks(self, late):
        """The broker publishes the will, at once or after the node is back: a host must not mistake the node for dead."""
        left = self.node.phase is Phase.LEAVING
        self.node.lost()
        if left:
            return
        if late:
            self.old_wills.append(self.will)
        else:
            self.give(self.will)
            # Without the will of the session before, a host still takes the node for alive.
            assert not self.host.alive or self.host.bd_seq != self.bd_seq

    @precondition(lambda self: self.old_wills and self.host.alive)
    @rule()
    def old_will_arrives(self):
        will = self.old_wills.pop(0)
        current = self.host.bd_seq == self.bd_seq and self.node.phase is Phase.ALIVE
        self.give(will)
        if current:
            assert self.host.alive, "the death of a former session ended the present one"

    @precondition(lambda self: self.node.phase in (Phase.WAITING, Phase.ALIVE))
    @rule()
    def farewell(self):
        born = self.node.phase is Phase.ALIVE
        self.give(self.node.farewell(self.ms))
        assert not self.node.devices
        if born:
            assert not self.host.alive
        self.refused(self.node.farewell, self.ms)

    # the primary host

    @precondition(lambda self: self.node.phase is not Phase.AWAY)
    @rule(online=st.booleans(), step=st.integers(-2, 3))
    def host_publishes_its_state(self, online, step):
        time_ms = (self.newest if self.newest is not None else T0) + step
        old = self.newest is not None and time_ms < self.newest
        before = self.node.ignored.old_states
        self.node.receive_host_state(host_state(online, time_ms))
        assert self.node.ignored.old_states == before + old
        if not old:
            self.online, self.newest = online, time_ms
            self.gone |= self.wants_host and not online and self.node.phase is Phase.ALIVE

    @rule(
        data=st.sampled_from(
            (b"", b"ONLINE", b"[]", b"null", b'{"online":1,"timestamp":5}', b'{"online":true}', b'{"online":true,"timestamp":"9"}',
             b'{"online":false,"timestamp":true}', b"\xff\xfe", b"[" * 5000)
        )
    )  # fmt: skip
    def host_publishes_garbage(self, data):
        before, due = self.node.ignored.states, self.node.birth_due(self.mono)
        self.node.receive_host_state(data)
        assert self.node.ignored.states == before + 1
        assert self.node.birth_due(self.mono) == due

    # births

    def may_be_born(self):
        if self.node.phase is Phase.WAITING:
            return self.online or not self.wants_host
        return (
            self.node.phase is Phase.ALIVE
            and self.asked_at is not None
            and self.mono - self.born_at >= REBIRTH_EVERY_NS
        )

    @rule()
    def birth(self):
        its = {d: metrics(d, v) for d, v in self.present.items()}
        own = (Metric("source", DataType.STRING, "urn:uuid:0#1", self.ms),)
        if not self.may_be_born():
            self.refused(self.node.birth, own, its, self.ms, self.mono)
            return
        kinds = self.give(*self.node.birth(own, its, self.ms, self.mono))
        assert kinds == ["NBIRTH"] + ["DBIRTH"] * len(its)
        assert set(self.host.devices) == set(its) == set(self.node.devices)
        assert self.host.bd_seq == self.bd_seq
        self.asked_at, self.born_at = None, self.mono

    @rule(how=st.sampled_from(("name", "alias", "false", "other", "junk")))
    def command(self, how):
        data = {
            "name": asked(),
            "alias": asked(name="", alias=0),
            "false": asked(value=False),
            "other": asked(name="Node Control/Reboot"),
            "junk": b"\x12\x7f",
        }[how]
        before = self.node.ignored.commands
        self.node.receive_command(data)
        if how == "name":
            if self.node.phase is Phase.ALIVE and self.asked_at is None:
                self.asked_at = self.mono
        else:
            assert self.node.ignored.commands == before + 1

    @rule(seconds=st.sampled_from((0.1, 2.0, 6.0)))
    def time_passes(self, seconds):
        self.ms += round(seconds * 1e3)
        self.mono += round(seconds * 1e9)

    # devices

    @rule(device=st.sampled_from(DEVICES))
    def device_comes(self, device):
        self.present[device] = self.count
        if self.node.phase is Phase.ALIVE and device not in self.node.devices:
            self.give(self.node.device_birth(device, metrics(device, self.count), self.ms))
        else:
            self.refused(self.node.device_birth, device, metrics(device, self.count), self.ms)

    @rule(device=st.sampled_from(DEVICES))
    def device_goes(self, device):
        self.present.pop(device, None)
        if device in self.node.devices:
            self.give(self.node.device_death(device, self.ms))
            assert device not in self.host.devices
        else:
            self.refused(self.node.device_death, device, self.ms)

    @rule(device=st.sampled_from(DEVICES), times=st.sampled_from((1, 3, 300)), historical=st.booleans())
    def data(self, device, times, historical):
        for _ in range(times):
            self.count += 1
            new = metrics(device, self.count, self.ms)
            if device not in self.node.devices:
                self.refused(self.node.data, device, new, self.ms, historical=historical)
                return
            self.give(self.node.data(device, new, self.ms, historical=historical))
            assert self.host.devices[device].history[-1] == (
                historical,
                {m.name: (m.value, m.time_ms, {}) for m in new},
            )

    @precondition(lambda self: self.node.devices)
    @rule(what=st.sampled_from(("name", "type", "size")))
    def data_that_no_birth_defined(self, what):
        device = min(self.node.devices)
        if what == "size":
            with pytest.raises(LifecycleError):
                self.node.data(device, [Metric("result/value", DataType.INT32, 2**40, self.ms)], self.ms)
            return
        metric = (
            Metric("in no birth", DataType.DOUBLE, 1.0, self.ms)
            if what == "name"
            else Metric("result/value", DataType.STRING, "1", self.ms)
        )
        self.refused(self.node.data, device, [metric], self.ms)

    @invariant()
    def both_agree(self):
        if not hasattr(self, "node"):
            return
        if self.node.phase is Phase.ALIVE:
            assert set(self.host.devices) == set(self.node.devices)
            assert self.node.host_gone == self.gone
        else:
            assert not self.node.devices
            assert not self.node.host_gone


TestLife = Life.TestCase
TestLife.settings = settings(
    max_examples=120, stateful_step_count=30, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True
)


def born(**options):
    node = EdgeNode(Names("g", "n"), **options)
    host = StrictHost("g", "n", aliases=options.get("with_aliases", False))
    will = node.will(7, T0)
    host.registered(will.topic, will.payload, will.qos, retain=False)
    node.connected()
    for p in node.birth((), {d: metrics(d, 0) for d in DEVICES}, T0, 1):
        host.receive(p.topic, p.payload, p.qos)
    return node, host


def test_numbers_go_round_after_255():
    node, host = born()
    seen = []
    for n in range(600):
        p = node.data("bench-1", metrics("bench-1", n), T0)
        host.receive(p.topic, p.payload, p.qos)
        seen.append(host.seq)
    assert seen == [(n + 4) % 256 for n in range(600)]


def test_a_number_is_used_up_only_when_there_is_a_message():
    node, host = born()
    node._alive["bench-1"]["n"] = DataType.INT32
    with pytest.raises(ValueError, match="does not fit"):
        node.data("bench-1", [Metric("n", DataType.INT32, 2**31, T0)], T0)
    p = node.data("bench-1", metrics("bench-1", 1), T0)
    host.receive(p.topic, p.payload, p.qos)


def test_a_rebirth_keeps_birth_death_number_and_aliases():
    node, host = born(with_aliases=True)
    before = dict(host.all_aliases)
    node.receive_command(asked())
    assert not node.birth_due(REBIRTH_EVERY_NS)
    assert node.birth_due(REBIRTH_EVERY_NS + 1)
    for p in node.birth((), {d: metrics(d, 1) for d in DEVICES}, T0, REBIRTH_EVERY_NS + 1):
        host.receive(p.topic, p.payload, p.qos)
    assert host.all_aliases == before
    assert len(before) == 1 + 3 * len(DEVICES)
    assert (host.bd_seq, host.births, node.rebirths) == (7, 2, 1)


def test_a_rebirth_has_no_alias_and_is_not_asked_for_by_one():
    node, host = born(with_aliases=True)
    assert host.birth.by_name()[REBIRTH].alias is None
    for alias in range(20):
        node.receive_command(payload((Metric("", DataType.BOOLEAN, True, T0),), T0, None, aliases={"": alias}))
    assert not node.rebirth_pending
    node.receive_command(asked())
    assert node.rebirth_pending


def test_no_command_changes_anything():
    node, _ = born()
    for name in ("speed", "bench-1/speed", "Node Control/Reboot", "Node Control/Next Server", "start"):
        node.receive_command(payload((Metric(name, DataType.DOUBLE, 60.0, T0),), T0, None))
    assert node.ignored.commands == 5
    assert not node.birth_due(10**12)
