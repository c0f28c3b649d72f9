"""The capacitor bank of short-circuit shots at low voltage: read against its dead limit, charged a little, discharged.

It is charged to three times the voltage at which it is dead, and no more than 50 V: from there its fall can be seen.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from harness.bench.instrument import InstrumentError, PowerSupply
from harness.bench.proof import Capacitor, Side, Stamp, dead_limit, fall
from harness.bench.safety_spec import BankSpec
from harness.clock import MS, S
from harness.inspection.rig import FEEDBACK_NS, LOOK_NS, AtFault, Rig

FALL_FIX = (
    "bank: see that its charger goes off when it is told to, the relay bank_discharge, the resistor, the sense lead,"
    " and what the file says of its capacitance"
)
_CHARGED = 0.98  # of what the charger was told; as in harness/bench/bank.py
_BEYOND = 1.02
_SLOWER = 2.0  # than capacitance and charging current say
_SETTLE_S = 0.2
_LOOKS = 10  # at its fall, within a time constant
_SHOWN = 5.0  # limits of error: a reading that is no loose lead's
_BEGUN = 0.98  # of what was there: below it the resistor is on


class LowBank:
    """Charger and resistor of the bank that ``rig`` has."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        assert rig.spec.bank is not None
        self.spec: BankSpec = rig.spec.bank
        self.full = rig.bank_volts  # V, what it is charged to
        self.limit = dead_limit(self.spec.capacitance)

    @property
    def charger(self) -> PowerSupply:
        """It reads the bank as well."""
        return self._rig.role("bank", PowerSupply)

    def volts(self) -> float:
        """As the charger reads it."""
        return self.charger.voltage()

    def error(self, volts: float) -> float:
        """Limit of error of a reading of up to ``volts``, V."""
        return self.spec.gain * abs(volts) + self.spec.offset

    def live(self, volts: float) -> str | None:
        """What makes a reading of ``volts`` one of a bank that may be live; None where it is dead."""
        dead = abs(volts) + self.error(volts) < self.limit
        return None if dead else f"the bank reads {volts:.1f} V, and below {self.limit:.1f} V it is dead"

    def wait_dead(self) -> str | None:
        """Wait until it reads dead, or for as long as its discharge may take; what it is then, see live.

        One that was charged here, and not seen to fall, has all the time: its reading may be that of a loose lead.
        """
        rig, within_ns = self._rig, round(self.spec.within * S)
        if not rig.bank_in_doubt:
            rig.wait(lambda: self.live(self.volts()) is None, within_ns)
            return self.live(self.volts())
        first = self.volts()
        rig.sleep(within_ns)
        last = self.volts()
        if first > _SHOWN * self.error(first) and last < first / 2:
            rig.bank_in_doubt = False
        if rig.bank_in_doubt:
            return self.live(last) or f"the bank was charged, reads {last:.1f} V, and nobody saw it fall"
        return self.live(last)

    def charge(self, look: Callable[[], None]) -> None:
        """Charge it and switch the charger off; ``look`` is called all the while, and may raise.

        Raises AtFault where it does not come, or goes beyond.
        """
        self._rig.bank_in_doubt = True
        self._ready()
        self.charger.output(True)
        fix = "bank: see charger and its enable input, the sense lead, and that the relay bank_discharge opens"

        def held() -> float:
            look()
            if (volts := self.volts()) > _BEYOND * self.full + self.error(self.full):
                found = f"the bank reads {volts:.1f} V, and {self.full:.1f} V were asked for"
                raise AtFault(
                    found, "charger: it gives more than it is told, or it reads wrong; charge nothing with it"
                )
            return volts

        seconds, enough = self._charging_s, _CHARGED * self.full - self.error(self.full)
        if self._rig.wait(lambda: held() >= enough, round(seconds * S)) is None:
            found = f"the bank reads {self.volts():.1f} V where its charger was told {self.full:.1f} V"
            raise AtFault(f"{found} {seconds:.2g} s ago", fix)
        self._rig.wait(lambda: held() < enough, round(_SETTLE_S * S))  # one that goes beyond is seen to
        self.charger.off()

    def discharge(self) -> list[str]:
        """Through its resistor: what is wrong with the way it falls, as harness/bench/proof.py judges it."""
        rig = self._rig
        held, error = self.volts(), self.error(self.full)
        rig.interlock.relay("bank_discharge", True)
        tau = self.spec.resistance * self.spec.capacitance
        look_ns = max(MS, min(LOOK_NS, round(tau / _LOOKS * S)))
        rig.wait(lambda: self.volts() < _BEGUN * held, FEEDBACK_NS, look_ns)  # a relay's contacts take their time
        began_ns = rig.now_ns
        stamps: list[Stamp] = []
        volts: list[float] = []
        while not volts or (volts[-1] > error and rig.now_ns - began_ns < self.spec.within * S):
            asked_ns = rig.now_ns
            volts.append(self.volts())
            stamps.append((asked_ns / S, rig.now_ns / S))
            rig.sleep(look_ns)
        side = Side(limit=min(self.limit, self.full / 3))  # readings above it show the way down
        of = Capacitor("bank", volts, side, volts[0], self.spec.capacitance, (tau, tau), error)
        problems = fall(stamps, of)
        if (left := self.live(volts[-1])) is not None:
            problems.append(left)
        rig.bank_in_doubt = bool(problems)
        return problems

    def refuses(self) -> float | None:
        """Tell the charger to go on where its enable input forbids it; what the bank came to, V, None: nothing."""
        rig, most = self._rig, max(self.full / 4, self.error(self.full))
        self._ready()
        with contextlib.suppress(InstrumentError):  # one that says so is one that refuses
            self.charger.output(True)
        rose = rig.wait(lambda: self.volts() > most, round(self._charging_s * S)) is not None
        held = self.volts()
        self.charger.off()
        rig.interlock.relay("bank_discharge", True)
        return held if rose else None

    def _ready(self) -> None:
        self._rig.interlock.relay("bank_discharge", False)
        self.charger.configure(self.full, self.charger.ranges["SOUR:CURR"].highest)

    @property
    def _charging_s(self) -> float:
        amperes = self.charger.ranges["SOUR:CURR"].highest
        return _SLOWER * self.spec.capacitance * self.full / amperes + _SETTLE_S
