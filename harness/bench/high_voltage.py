"""The high-voltage side of a bench that is open: moves contactor, source and discharge as the gate allows.

    source -> contactor -> source side (capacitors) -> breaker -> load side (capacitors) -> load
                           discharge relay: resistors across both sides;  voltmeter: reads both sides
                           precharge relay: a resistor across the breaker;  bypass relay: a link across the breaker
    bank -> making switch -> loop -> source side: see harness/bench/bank.py

Nothing else switches contactor or discharge. The gate decides (harness/bench/gate.py), the witness reads and judges
(harness/bench/witness.py); this file only acts and notes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from contextlib import suppress

from harness.bench.bank import RELAYS, Bank
from harness.bench.contacts import Contacts, wait_for
from harness.bench.gate import Confirmation, Gate, State
from harness.bench.guard import BenchUnsafe, GateRefused, LiveBench, Watchdog
from harness.bench.instrument import InstrumentError
from harness.bench.interlock import Inputs, InterlockUnit, Voltmeter
from harness.bench.proof import TOUCH_LIMIT_V, Proof, Reading
from harness.bench.safety_spec import DischargeSpec
from harness.bench.witness import Witness
from harness.clock import MS, S
from harness.record.standing import Standing

Note = Callable[[int, str, Mapping[str, object]], None]
"""Puts an event into the run record: instant, kind, detail."""

REBOUND_NS = 10 * S
"""Between two looks at both sides while nothing is on: what capacitors give back comes slowly; common practice."""
_SOURCE_FALL_NS = 10 * S  # its output capacitors may have nothing but their own bleeder; common practice, no source
_RISE_NS = 2 * S  # a source that is not up by then will not come
_ALL_NS = 200 * MS  # between looks at everything while a fall is watched
_UP = 0.95  # of the source's voltage, on the source side
_CHARGED = 0.9  # of the source side's voltage, on the load side
_FOLLOWS = 0.5  # of the source side's voltage on the load side is no leakage: the breaker conducts
_RETRACE_V = 150.0  # so much above the limit of touch that a fall shows
_SLOWER = 1.5  # than resistor and capacitor as declared
_EMPTY_V = 5.0  # so little left on a side that closing the breaker lifts none by what counts as a rise (proof.py)


class HighVoltage:
    """Gate, interlock, voltmeter and contactor of one bench in one run."""

    def __init__(
        self,
        bench: LiveBench,
        interlock: InterlockUnit,
        voltmeter: Voltmeter,
        watchdog: Watchdog,
        note: Note,
        standing: Standing,
    ) -> None:
        """Shut, and in doubt where an earlier run left the bench so; ``begin`` is to be called before anything else."""
        spec = bench.spec
        assert spec.contactor is not None and spec.discharge is not None and spec.voltmeter is not None
        self._bench = bench
        self._interlock = interlock
        self._watchdog = watchdog
        self._note = note
        self._contacts = Contacts(interlock, spec.contactor, bench.attended, bench.source)
        self._discharge: DischargeSpec = spec.discharge
        self._look_again_ns = 0
        self._standing = standing
        self.doubt = standing.doubt()  # that an earlier run left
        self.gate = Gate(button=not bench.simulated, in_doubt=self.doubt is not None)
        self.fed_by: str | None = None  # source or bank, while energised
        self.bank = self._bank_of(bench)
        self._witness = Witness(voltmeter, spec.voltmeter, spec.discharge, self.bank, bench.attended)

    def begin(self) -> None:
        """Contactor open and discharge on, whatever a run before left. Raises InstrumentError."""
        self._contacts.begin()
        if self.bank is not None:
            self.bank.part()
            self.bank.discharge()

    @property
    def state(self) -> State:
        """Where the high-voltage side stands."""
        return self.gate.state

    @property
    def in_doubt(self) -> bool:
        """Whether a side may be live."""
        return self.gate.state is not State.SAFE

    def inputs(self) -> Inputs:
        """What the interlock's inputs say now."""
        return self._interlock.inputs()

    def readings(self) -> tuple[float, float]:
        """Voltage on the source side and on the load side now, V."""
        return self._witness.both()

    def _bank_of(self, bench: LiveBench) -> Bank | None:
        spec = bench.spec.bank
        if bench.bank is None or spec is None or not all(self._interlock.has(name) for name in RELAYS):
            return None
        return Bank(bench.bank, self._interlock, spec, bench.attended, lambda: self.gate.outputs)

    def arm(self, confirmation: Confirmation, digest: str) -> None:
        """Take a person's confirmation. Raises GateRefused."""
        problem = self.gate.confirm(confirmation, digest, self._now_ns)
        self._event("gate", event="confirm", problem=problem)
        if problem is not None:
            raise GateRefused(problem)

    def energise(self, digest: str, volts: float, fed_by: str = "source", opened: bool = False) -> None:
        """Use the confirmation up; both channels see ``volts`` and its fall. Raises GateRefused and InstrumentError.

        Before anything closes, both sides must read dead and the contactor open. Nothing is left on: the source comes
        with each stimulus, the bank's charge with each shot. ``opened``: see ``feed``.
        """
        self._isolation()
        problem = self._standing_problem()
        if problem is None:
            self._watchdog.guard(True)
            self._watchdog.beat()
            interlock, beating = self.inputs().interlock, self._watchdog.alive()
            problem = self.gate.energise(digest, self._now_ns, interlock, beating)
        else:
            self.gate.trouble()
        self._event("gate", event="energise", volts=volts, problem=problem)
        if problem is not None:
            if not self.in_doubt:
                self._watchdog.guard(False)
            raise GateRefused(problem)
        self._in_doubt(f"energised for {volts:g} V")
        self.fed_by = "source"
        self.feed(volts, opened)
        self.empty()
        self.fed_by = fed_by

    def _standing_problem(self) -> str | None:
        """What speaks against closing anything, by both voltmeter and feedback; None: nothing."""
        if (live := self._witness.live(self._witness.read())) is not None:
            return f"{live} before anything is on"
        if self.inputs().contactor:
            return "the contactor's feedback says closed before it was told to close: welded?"
        return None

    def feed(self, volts: float, opened: bool = False, precharge: bool = True) -> None:
        """Contactor closed, source on at ``volts``, both sides seen to follow. Raises InstrumentError.

        The source rises from zero into a closed contactor, so that no capacitor is charged through it at once; the load
        side is charged through the precharge resistor, unless a voltage across the open breaker is what is wanted.
        ``opened``: the breaker says that it is open, so that nothing may reach the load side before the resistor does.
        """
        source, spec = self._bench.source, self._bench.spec.source
        assert source is not None and spec is not None
        outputs = self.gate.outputs
        if not (outputs.source and outputs.contactor) or self.fed_by != "source":
            raise InstrumentError("source: the gate lets it feed nothing")
        if opened and abs(self.readings()[1]) >= self._empty_v:
            self.empty()  # what a stimulus before has left on the load side would look like a short
        if not self.inputs().contactor:
            fallen = "the source's own voltage does not fall: nothing is closed onto it"
            self._wait(lambda: abs(source.voltage()) < TOUCH_LIMIT_V, _SOURCE_FALL_NS, fallen)
        self._witness.rises()
        self._contacts.connect()
        source.configure(volts, spec.current)
        try:
            source.output(True)
            self._seen_to_follow(volts, opened, precharge)
        except Exception:
            source.off()  # whoever hears of it may have other things to put back first
            raise

    def _seen_to_follow(self, volts: float, opened: bool, precharge: bool) -> None:
        self._wait(lambda: self.look()[0] >= _UP * volts, _RISE_NS, f"the source side does not come to {volts:.0f} V")
        if opened and (load_side := self.look()[1]) >= _FOLLOWS * volts:
            raise InstrumentError(
                f"the load side reads {load_side:.0f} V behind a breaker that says it is open: shorted?"
            )
        if precharge:
            self.precharge()

    def empty(self) -> None:
        """Source off, contactor open, both sides discharged and seen to fall. Raises InstrumentError."""
        assert self._bench.source is not None
        self._bench.source.off()
        self.open_contactor()
        self.discharge()
        self._wait(
            lambda: max(map(abs, self._glance())) < self._empty_v,
            round(self._empty_s * S),
            "the two sides do not discharge: nothing is made onto them",
        )

    @property
    def _empty_v(self) -> float:
        """What an empty side reads at most, V: a voltmeter may never read less than its offset."""
        assert self._bench.spec.voltmeter is not None
        return max(_EMPTY_V, 2 * self._bench.spec.voltmeter.offset)

    @property
    def _empty_s(self) -> float:
        """How long a side may take to be empty, s: ``within`` is declared for what may be touched."""
        spec = self._discharge
        tau = spec.resistance * max(spec.source_side, spec.load_side)
        return spec.within + _SLOWER * tau * math.log(TOUCH_LIMIT_V / _EMPTY_V)

    def _glance(self, bank: bool = False) -> tuple[float, float]:
        """Both sides while they fall, which is soon over: at everything else only every so often."""
        if self._now_ns >= self._look_again_ns:
            self._look_again_ns = self._now_ns + _ALL_NS
            return self.look()
        return self._witness.read(bank=bank).both

    def retrace(self) -> None:
        """A little of voltage once more where a load has emptied a side at once: it has to be seen to read and to fall.

        Raises InstrumentError.
        """
        if self.state is State.ENERGISED and self.fed_by == "source":
            self.look()
            if not self._witness.unseen():
                return
            self.empty()
            self.feed(_RETRACE_V)
            self.empty()

    def shot(self, volts: float, during: Callable[[], None]) -> tuple[float, float]:
        """Charge the bank to ``volts``, close the making switch, let ``during`` pass, and discharge everything.

        Returns the bank's voltage just before and just after. Raises InstrumentError, BenchUnsafe, and what ``during``
        raises; whatever that is, the bank does not stay charged.
        """
        bank = self.bank
        if bank is None or self.fed_by != "bank":
            raise InstrumentError("bank: nothing lets it feed the breaker")
        try:
            volts_then = self._made(bank, volts, during)
        except Exception:
            self._empty_bank(bank)
            raise
        if bank.volts() < bank.visible * _UP:
            bank.charge(bank.visible, self.look)  # it was emptied at once, and a lead that fell off would read the same
            self.look()
        self._empty_bank(bank)
        return volts_then

    def _made(self, bank: Bank, volts: float, during: Callable[[], None]) -> tuple[float, float]:
        self._witness.charging(min(volts, bank.visible))
        bank.charge(volts, self.look)
        self._witness.charged(volts)
        if max(map(abs, self.look())) >= self._empty_v:
            raise InstrumentError("a side is live while the making switch is open: welded?")
        before = bank.volts()
        bank.make()
        try:
            during()
        finally:
            bank.part()
        self._glance(bank=True)
        return before, bank.volts()

    def _empty_bank(self, bank: Bank) -> None:
        bank.stop()
        bank.discharge()
        self._wait(
            lambda: max(map(abs, self._glance(bank=True))) < self._empty_v and bank.volts() < bank.limit - bank.error,
            round(max(self._empty_s, bank.spec.within) * S),
            "bank or sides do not discharge after the shot",
        )

    def bypass(self) -> None:
        """Close the link across the breaker, which must not be fed by the source then. Raises InstrumentError."""
        if self.bank is None or self.fed_by != "bank":
            raise InstrumentError("bypass: only a shot from the bank may pass the breaker by")
        self._interlock.relay("bypass", True)

    def unlink(self) -> None:
        """Open whatever leads past the breaker. Raises InstrumentError."""
        self._contacts.unlink()

    def open_contactor(self) -> str:
        """See Contacts.open. Raises InstrumentError."""
        return self._contacts.open()

    def discharge(self) -> None:
        """See Contacts.discharge. Raises InstrumentError."""
        self._contacts.discharge()

    def precharge(self) -> None:
        """Charge the load side through the precharge resistor, where the bench has one, and take it away again."""
        spec = self._bench.spec.precharge
        if spec is None or not self._interlock.has("precharge"):
            return
        self._interlock.relay("precharge", True)
        try:
            self._wait(
                lambda: (both := self.look())[1] >= _CHARGED * both[0],
                round(spec.within * S),
                "the load side does not charge: look at the precharge resistor, and for a short on the load side",
            )
        finally:
            self._interlock.relay("precharge", False)

    def look(self) -> tuple[float, float]:
        """Look at interlock, watchdog and voltage, and while energised at every instrument that it depends on.

        A link that is lost is found out here, and not when it is needed. Returns both sides, V; what a channel has once
        read counts for the proof. Raises BenchUnsafe and InstrumentError.
        """
        before = self.state
        reading = self._witness.read(self._answering() if before is State.ENERGISED else 0.0)
        if before not in (State.DISCHARGING, State.NOT_PROVEN_DEAD):
            self._supervise(before, reading)
        return reading.both

    def _supervise(self, before: State, reading: Reading) -> None:
        self._watchdog.beat()
        inputs, beating = self.inputs(), self._watchdog.alive()
        live = self._witness.live(reading) if before is not State.ENERGISED else None
        after = self.gate.supervise(self._now_ns, inputs.interlock, beating or before is State.SAFE, live is not None)
        if after is not before:
            why = (
                inputs.interlock.problem
                or (None if beating else "the watchdog does not answer")
                or f"{live} where none may be"
            )
            self._event("gate", event="supervise", before=before.value, after=after.value, why=why)
            if after is State.DISCHARGING:
                raise BenchUnsafe(f"{why}: the bench is made safe")

    def look_after(self) -> None:
        """``look``, in safe seldom: voltage may come back. Raises as ``look``."""
        if self.state in (State.DISCHARGING, State.NOT_PROVEN_DEAD):
            return
        if self.state is State.SAFE:
            if self._now_ns < self._look_again_ns:
                return
            self._look_again_ns = self._now_ns + REBOUND_NS
        self.look()

    def _answering(self) -> float:
        """The source's voltage, V; the load has to answer as well."""
        if self._bench.load is not None:
            self._bench.load.is_on()
        return 0.0 if self._bench.source is None else self._bench.source.voltage()

    def leave(self, trouble: bool) -> None:
        """Out of ENERGISED or ARMED: nothing may be on any more from here."""
        if trouble:
            self.gate.trouble()
        else:
            self.gate.finished()
        self._watchdog.beat()

    def hand_over(self) -> None:
        """What could not be done from here is the watchdog's to do, by links of its own: it hears nothing more."""
        self._watchdog.hush()

    def prove_dead(self) -> Proof:
        """Watch both sides fall, judge. The gate goes to safe or to not_proven_dead, whatever fails on the way."""
        readings: list[Reading] = []
        try:
            proof = self._witness.watch(readings)
            proof = Proof((*proof.reasons, *self._contacts.problems()))
        except InstrumentError as error:
            proof = Proof((str(error),))
        if not proof.proved:
            self.gate.rebound()  # out of safe, where that was all that was known
        if self.state is State.DISCHARGING:
            self.gate.judged(proof.proved)
        if self.state is State.SAFE:
            self.fed_by = None
            self._dead()
        last = vars(readings[-1]) | {"at_s": readings[-1].at_s - readings[0].at_s} if readings else {}
        self._event("proof", state=self.state.value, reasons=list(proof.reasons), **last)
        if not proof.proved:
            self._in_doubt(f"not proved dead: {'; '.join(proof.reasons)}")
        return proof

    def stated_dead(self, statement: str) -> str | None:
        """A person's word that both sides are dead, with two fresh readings; says why it is not taken."""
        if self.state is not State.NOT_PROVEN_DEAD:
            return f"the bench is {self.state.value}, and no word leads on from there"
        first = self._witness.read()
        self._bench.attended.sleep_until(self._now_ns + S)
        second = self._witness.read()
        live, still_live = self._witness.live(first), self._witness.live(second)
        problem = live or still_live  # recorded before it counts
        looks = {"first": first.both, "second": second.both}
        self._event("gate", event="stated dead", statement=statement, **looks, problem=problem)
        if self.gate.stated_dead(live, still_live) is None:
            self._dead()
        return problem

    def _in_doubt(self, why: str) -> None:
        """Kept for later runs, before anything can be live. Raises InstrumentError."""
        try:
            self._standing.in_doubt(why)
        except OSError as error:
            raise InstrumentError(f"that the bench is in doubt cannot be kept: {error.strerror}") from error

    def _dead(self) -> None:
        self._watchdog.guard(False)
        with suppress(OSError):  # what stays behind is asked for once more
            self._standing.dead()

    def close(self) -> None:
        """Let the watchdog go."""
        self._watchdog.close()

    def _isolation(self) -> None:
        """The isolation monitor's reading, where there is one: noted, and refused below what the bench declares."""
        monitor, spec = self._bench.isolation, self._bench.spec.isolation
        if monitor is None or spec is None:
            return
        ohm = monitor.resistance()
        self._event("isolation", ohm=ohm, at_least=spec.at_least)
        if ohm < spec.at_least:
            self.gate.trouble()
            raise GateRefused(f"isolation of {ohm:.3g} ohm, and {spec.at_least:.3g} ohm is the least")

    def _wait(self, true: Callable[[], bool], at_most_ns: int, problem: str) -> None:
        wait_for(self._bench.attended, true, at_most_ns, problem)

    @property
    def _now_ns(self) -> int:
        return self._bench.clock.now_ns()

    def _event(self, kind: str, **detail: object) -> None:
        self._note(self._now_ns, kind, detail)
