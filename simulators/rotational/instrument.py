"""A rotational instrument with a sample in it: motor, torque sensor, bath, probe and line protocol."""

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass

from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.flow import torque_table
from simulators.rotational.fluids import Fluid
from simulators.rotational.geometry import Geometry, wall_stress
from simulators.rotational.protocol import END, LineServer, checked
from simulators.rotational.sensor import TorqueSensor
from simulators.rotational.specification import Errors, Specification
from simulators.words import Command, CommandError, celsius, none, number, one_of

REFRESH_NS = 100_000_000
_REFRESH_S = REFRESH_NS / 1e9
_RAD_PER_S = 2.0 * math.pi / 60.0
_RESTED = 1e-9


@dataclass(frozen=True)
class Shown:
    """Values of the latest refresh, not rounded."""

    torque_percent: float
    speed_per_min: float
    temperature_celsius: float
    saturated: bool
    keys_used: bool
    blocked: bool
    """True where the shaft is held while the motor is on."""


class RotationalInstrument:
    """One instrument, bytes in and bytes out; its time passes by `advance`.

    The same arguments and calls give the same bytes, in whatever steps the time passes.
    """

    kind = "rotational"
    end = END

    def __init__(
        self,
        spec: Specification | None = None,
        geometry: Geometry | None = None,
        fluid: Fluid | None = None,
        seed: int = 1,
        *,
        temperature: float = 25.0,
        ambient: float = 22.0,
        serial: str = "R-1042",
        firmware: str = "1.2",
    ) -> None:
        """Defaults: the stated specification, coaxial cylinders of 15 mm, an empty vessel (air)."""
        self.spec = spec or Specification()
        self.geometry = geometry or GEOMETRIES["coaxial-15"]
        self.errors = Errors.draw(self.spec, seed)
        self.serial = serial
        self.probe_open = False
        self._firmware = firmware
        self._rng = random.Random(f"noise of instrument {seed}")
        self._sensor = TorqueSensor(self.spec, self.errors, self._rng, _REFRESH_S)
        self._server = LineServer(self)
        self._bath_part = -math.expm1(-_REFRESH_S / self.spec.bath_lag_s)
        self._sample_part = -math.expm1(-_REFRESH_S / self.spec.sample_lag_s)
        self._now_ns = 0
        self._refreshes = 0
        self._stream_ns = 0
        self._next_line_ns = 0
        self._set_point = 0.0
        self._running = False
        self._blocked = False
        self._keys_used = False
        self._speed = 0.0
        self._angle = 0.0
        self._torque_nm = 0.0
        self._bath_set = self._bath = temperature if self.spec.has_bath else ambient
        self._shown_speed = 0.0
        self._shown_temperature = 0.0
        self.fill(fluid or FLUIDS["air"], temperature)
        self._show()

    # --- the world around the instrument -------------------------------------------------------------------------

    def fill(self, fluid: Fluid, temperature: float | None = None) -> None:
        """Fill the vessel with a fluid; a temperature (Cel) of None is that of the bath."""
        self.fluid = fluid
        self._table = torque_table(self.geometry, fluid.law)
        self._level = fluid.structure.after_filling if fluid.structure else 1.0
        self._sample = self._bath if temperature is None else temperature
        self._sensor.release()

    def set_temperature(self, celsius: float) -> None:
        """Set bath set-point, bath and sample to a temperature (Cel) at once, as after a long wait."""
        self._bath_set = self._bath = self._sample = celsius

    def press_key(self) -> None:
        """Press the instrument's own key: the motor stops, or starts towards its set-point."""
        self._running = not self._running
        self._keys_used = True

    def block(self, blocked: bool = True) -> None:
        """Hold the shaft (motor stalled), or release it."""
        self._blocked = blocked

    def commands(self) -> Mapping[str, Command]:
        """Return the commands: `fluid NAME [CEL]`, `temperature CEL`, `probe open|ok`, `key`, `block [on|off]`."""
        return {
            "fluid": self._fluid_command,
            "temperature": lambda words: self.set_temperature(celsius(number(words))),
            "probe": lambda words: setattr(self, "probe_open", one_of(words, "open", "ok") == "open"),
            "key": self._key_command,
            "block": lambda words: self.block(one_of(words or ["on"], "on", "off") == "on"),
        }

    def _key_command(self, words: list[str]) -> None:
        none(words)
        self.press_key()

    def _fluid_command(self, words: list[str]) -> None:
        if not words or words[0] not in FLUIDS:
            raise CommandError(f"`fluid` needs one of: {', '.join(FLUIDS)}")
        self.fill(FLUIDS[words[0]], celsius(number(words[1:])) if words[1:] else None)

    def advance(self, dt_s: float) -> bytes:
        """Let time pass (s) and return the lines streamed meanwhile. Values are refreshed every 100 ms."""
        end_ns, lines = self._now_ns + round(dt_s * 1e9), []
        while self._stream_ns and self._next_line_ns <= end_ns:
            self._advance_to(self._next_line_ns)
            self._next_line_ns += self._stream_ns
            lines.append(checked(self.read()))
        self._advance_to(end_ns)
        return b"".join(lines)

    def _advance_to(self, now_ns: int) -> None:
        self._now_ns = now_ns
        for _ in range(now_ns // REFRESH_NS - self._refreshes):
            self._refresh()

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host and return the bytes of the answers."""
        return self._server.receive(data)

    def due_in_s(self) -> float | None:
        """Return the time to the next streamed line, s; None where the instrument does not stream."""
        return (self._next_line_ns - self._now_ns) / 1e9 if self._stream_ns else None

    @property
    def turning(self) -> bool:
        """True where the shaft turns."""
        return self._speed != 0.0

    @property
    def true_speed_per_min(self) -> float:
        """True speed of the shaft, 1/min."""
        return self._speed * (1.0 + self.errors.speed)

    @property
    def stress_factor(self) -> float:
        """Present factor of temperature and structure on the stress of the flow law."""
        factor = self.fluid.temperature.factor(self._sample)
        return factor * self.fluid.structure.factor(self._level) if self.fluid.structure else factor

    def state(self) -> dict[str, object]:
        """Return the true state of sample and shaft, without the instrument's errors, for tests and demonstrations."""
        torque, omega = self._torque_nm, self.true_speed_per_min * _RAD_PER_S
        material, apparent = self._viscosities(abs(torque), abs(omega))
        return {
            "kind": self.kind,
            "serial": self.serial,
            "time_s": self._refreshes * _REFRESH_S,
            "fluid": self.fluid.name,
            "turning": self.turning,
            "running": self._running,
            "blocked": self._blocked,
            "set_point_per_min": self._set_point,
            "speed_per_min": self.true_speed_per_min,
            "revolutions": self._angle / (2.0 * math.pi),
            "torque_uNm": torque * 1e6,
            "torque_percent": torque * 1e8 / self.spec.full_scale_unm,
            "deflection_percent": self._sensor.deflection,
            "temperature_C": self._sample,
            "bath_C": self._bath,
            "bath_set_point_C": self._bath_set,
            "probe_open": self.probe_open,
            "structure": self._level,
            "viscosity_mPa_s": material,
            "apparent_viscosity_mPa_s": apparent,
        }

    def _viscosities(self, torque: float, omega: float) -> tuple[float | None, float | None]:
        """Return the viscosity (mPa.s) at the cylinder's wall, and that of a Newtonian fluid at torque and speed."""
        if torque <= 0.0 or omega <= 0.0:
            return None, None
        geometry, stress = self.geometry, wall_stress(self.geometry, torque)
        import numpy as np  # noqa: PLC0415 - only set-up and state need arrays

        rate = float(self.fluid.law.rate(np.array([stress / self.stress_factor]))[0])
        narrowing = 1.0 - (geometry.inner_radius_m / geometry.outer_radius_m) ** 2
        return 1e3 * stress / rate, 1e3 * stress * narrowing / (2.0 * omega)

    # --- commands of the line protocol (protocol.Commands) --------------------------------------------------------

    def who(self) -> str:
        """Return the line with kind, serial, firmware and full scale (uN.m)."""
        return f"is {self.kind} serial={self.serial} firmware={self._firmware} fs={self.spec.full_scale_unm:.1f}"

    def shown(self) -> Shown:
        """Return the values of the latest refresh and reset the flag of used keys."""
        keys_used, self._keys_used = self._keys_used, False
        return Shown(
            self._sensor.shown,
            self._shown_speed,
            self._shown_temperature,
            self._sensor.saturated,
            keys_used,
            self._blocked and self._running,
        )

    def read(self) -> str:
        """Return the line with the values of the latest refresh."""
        shown = self.shown()
        temperature = "---" if self.probe_open else f"{shown.temperature_celsius:.3f}"
        letters = (("S", shown.saturated), ("P", self.probe_open), ("K", shown.keys_used), ("B", shown.blocked))
        flags = "".join(letter for letter, on in letters if on) or "-"
        # Adding 0.0 after rounding turns a negative zero into zero.
        return f"val {round(shown.torque_percent, 2) + 0.0:.2f} {shown.speed_per_min:.3f} {temperature} {flags}"

    def set_speed(self, per_min: float) -> str:
        """Set the speed set-point (1/min, steps of 0.001); a negative one reverses the direction."""
        if not self.spec.lowest_speed_per_min <= abs(per_min) <= self.spec.highest_speed_per_min:
            return "no range"
        self._set_point = round(per_min, 3)
        return f"ok speed {self._set_point:.3f}"

    def turn(self) -> str:
        """Start the motor towards the set-point."""
        self._running = True
        return "ok turn"

    def halt(self) -> str:
        """Stop the motor."""
        self._running = False
        return "ok halt"

    def zero(self) -> str:
        """Set the zero to the present torque; the motor must be halted and at rest."""
        if self._running or self.turning:
            return "no turning"
        return f"ok zero {self._sensor.take_zero() + 0.0:.2f}"

    def set_bath(self, celsius: float) -> str:
        """Set the bath set-point (Cel)."""
        if not self.spec.has_bath:
            return "no bath"
        if not self.spec.coolest_bath_celsius <= celsius <= self.spec.hottest_bath_celsius:
            return "no range"
        self._bath_set = round(celsius, 3)
        return f"ok bath {self._bath_set:.3f}"

    def stream(self, interval_ms: float) -> str:
        """Send the values unasked at an interval (ms), first after one interval; 0 ends the stream."""
        if interval_ms != int(interval_ms) or not (interval_ms == 0 or 50 <= interval_ms <= 60_000):
            return "no range"
        self._stream_ns = int(interval_ms) * 1_000_000
        self._next_line_ns = self._now_ns + self._stream_ns
        return f"ok stream {int(interval_ms)}"

    # --- physics -------------------------------------------------------------------------------------------------

    def _refresh(self) -> None:
        self._refreshes += 1
        spec = self.spec
        if self._blocked:
            self._speed = 0.0
        else:
            wanted = self._set_point if self._running else 0.0
            ramp = spec.ramp_per_min_per_s * _REFRESH_S
            self._speed += min(max(wanted - self._speed, -ramp), ramp)
        omega = self._speed * (1.0 + self.errors.speed) * _RAD_PER_S
        turned = abs(omega) * _REFRESH_S
        self._angle += turned
        fluid, factor = self.fluid, self.fluid.temperature.factor(self._sample)
        if fluid.structure is not None:
            self._level = fluid.structure.after(self._level, self.geometry.structure_rate(abs(omega)), _REFRESH_S)
            factor *= fluid.structure.factor(self._level)
        torque = self._table.torque(abs(omega)) * factor if abs(omega) > _RESTED else 0.0
        # The sample holds the rotor back, so the spring winds up in the direction of the motor.
        self._torque_nm = torque = math.copysign(torque, omega)
        to_percent = 1e8 / spec.full_scale_unm
        self._sensor.step(torque * to_percent, turned, self._angle, self._table.yield_torque_nm * factor * to_percent)
        self._bath += (self._bath_set - self._bath) * self._bath_part
        heating = torque * omega * _REFRESH_S / spec.sample_heat_capacity_j_per_k
        self._sample += (self._bath - self._sample) * self._sample_part + heating
        self._show()

    def _show(self) -> None:
        gauss, spec = self._rng.gauss, self.spec
        noise = gauss(0.0, spec.speed_noise_percent / 100.0)
        self._shown_speed = self._speed * (1.0 + noise)
        self._shown_temperature = self._sample + self.errors.probe_kelvin + spec.probe_noise_kelvin * gauss(0.0, 1.0)
