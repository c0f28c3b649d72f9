"""What voltmeter and bank have shown in this run, and what follows from it: who may be live, who is proved dead.

It reads and judges, and switches nothing: harness/bench/high_voltage.py acts on what it says.
"""

from __future__ import annotations

from dataclasses import replace

from harness.bench.bank import Bank
from harness.bench.contacts import LOOK_NS
from harness.bench.interlock import Voltmeter
from harness.bench.proof import ON_THE_WAY, Proof, Reading, Seen, Side, judge_discharge, live_side, unseen_falls
from harness.bench.safety_spec import DischargeSpec, VoltmeterSpec
from harness.clock import MS, Clock, S

_STAYS_NS = 3 * S  # what capacitors give back shows within seconds; common practice, no source
_RESTS_NS = 50 * MS


class Witness:
    """The channels of one bench; what they have once read counts for the proof."""

    def __init__(
        self, voltmeter: Voltmeter, spec: VoltmeterSpec, discharge: DischargeSpec, bank: Bank | None, clock: Clock
    ) -> None:
        self._voltmeter = voltmeter
        self._spec = spec
        self._discharge = discharge
        self._bank = bank
        self._clock = clock
        self._seen = Seen() if bank is None else Seen(bank=Side(limit=bank.limit))
        self._was_live = False  # in this run, whoever put the voltage there
        self._last = Reading(0.0, 0.0, 0.0)

    def both(self) -> tuple[float, float]:
        """Voltage on the source side and on the load side now, V."""
        return self._voltmeter.both()

    def live(self, reading: Reading) -> str | None:
        """What may be live by ``reading``; None where nothing is."""
        of_bank = None if self._bank is None else self._bank.live(reading.bank)
        return live_side(reading.both, self._discharge, self._spec) or of_bank

    def rises(self) -> None:
        """The source comes on: what was seen before proves nothing any more, a lead may have come off since."""
        self._was_live = True
        self._seen = replace(self._seen, source=0.0, source_side=Side(), load_side=Side())

    def read(self, source: float = 0.0, bank: bool = True) -> Reading:
        """Both sides and, with ``bank``, the bank now, on the bench's clock. ``source``: V that it gives, while on.

        What a channel reads counts, and what is live has to be seen to fall. Raises InstrumentError.
        """
        asked_ns = self._clock.now_ns()
        both = self.both()
        volts = self._bank.volts() if bank and self._bank is not None else None
        now_ns = self._clock.now_ns()
        now = Reading(now_ns / S, *both, volts or 0.0, (now_ns - asked_ns) / S)
        self._was_live = self._was_live or live_side(both, self._discharge, self._spec) is not None
        seen = self._seen.then(*both, source=source)
        seen = seen if volts is None else seen.then_bank(volts)
        self._seen = unseen_falls(self._last, now, seen, self._discharge, self._spec)
        self._last = now
        return now

    def unseen(self) -> bool:
        """Whether a side last read dead that nobody saw fall: a load has emptied it at once, or its lead is off."""
        sides = zip(self._last.both, (self._seen.source_side, self._seen.load_side), strict=True)
        return self._was_live and any(abs(volts) <= side.limit and side.way < ON_THE_WAY for volts, side in sides)

    def charging(self, volts: float) -> None:
        """The bank is about to be charged; should that be broken off, its channel has to show ``volts`` all the same.

        What it read before proves nothing of this charge.
        """
        assert self._bank is not None
        self._seen = replace(self._seen, charged=volts, bank=Side(limit=self._bank.limit))

    def charged(self, volts: float) -> None:
        """The bank has been charged to ``volts``."""
        assert self._bank is not None
        self._seen = self._seen.then_bank(self._bank.volts(), charged=volts)

    def watch(self, readings: list[Reading]) -> Proof:
        """Read until all is proved dead or the time for it is over; what was live is then watched for what comes back.

        Raises InstrumentError. ``readings`` takes what was read, which is of use even where a channel fails on the way.
        """
        proof = self._fallen(readings)
        back = self._comes_back() if proof.proved and self._was_live else None
        return proof if back is None else Proof((f"{back} after it was discharged: voltage comes back",))

    def _fallen(self, readings: list[Reading]) -> Proof:
        within = self._discharge.within if self._bank is None else max(self._discharge.within, self._bank.spec.within)
        end_ns = self._clock.now_ns() + round(within * S)
        readings.append(self.read())
        while not (proof := self._judge(readings)).proved and self._clock.now_ns() < end_ns:
            self._clock.sleep_until(self._clock.now_ns() + LOOK_NS)
            readings.append(self.read())
        return proof

    def _comes_back(self) -> str | None:
        """What is live again within ``_STAYS_NS``, although it is being discharged; None: nothing."""
        end_ns = self._clock.now_ns() + _STAYS_NS
        while self._clock.now_ns() < end_ns:
            self._clock.sleep_until(min(end_ns, self._clock.now_ns() + _RESTS_NS))
            if (live := self.live(self.read())) is not None:
                return live
        return None

    def _judge(self, readings: list[Reading]) -> Proof:
        """What was never live in this run has only to read so, twice."""
        bank, judged = self._bank, (self._seen, self._discharge, self._spec)
        if self._was_live and bank is not None and bank.charged > 0:
            return judge_discharge(readings, *judged, bank.spec)
        last = readings[-2:]
        if self._was_live:
            of_bank = () if bank is None else tuple(filter(None, (bank.live(reading.bank) for reading in last)))
            return Proof((*judge_discharge(readings, *judged).reasons, *of_bank[-1:]))
        live = tuple(filter(None, map(self.live, last)))
        return Proof(live[-1:] or (() if len(last) == 2 else ("one reading proves nothing",)))
