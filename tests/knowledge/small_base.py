"""A small sound rule base, as text, for tests that spoil one thing in it."""

from __future__ import annotations

from pathlib import Path

BASE = """\
- scale: how-often
  words: {always: 0.98, usually: 0.8, sometimes: 0.4, rarely: 0.1, never: 0.01}
  sources: [five-word-scale]
- scale: prior
  words: {common: 0.02, rare: 0.003}
  sources: [five-word-scale]
- source: five-word-scale
  title: Likelihoods in five words
  kind: computed
- source: common-practice
  title: Common practice, no source
  kind: common-practice
- source: handbook
  title: A handbook of wiring
  kind: handbook
- fact: unit.setting
  title: Current limit set at the unit
  kind: quantity
  unit: A
  ask: What current is the unit set to?
  sources: [common-practice]
- fact: trunk.kind
  title: What the trunk is
  kind: choice
  ask: What kind of trunk is it?
  choices: {rs485: two wires, other: something else}
  sources: [common-practice]
- caution: keep-off
  title: Keep off
  says: Touch nothing.
  sources: [common-practice]
- caution: lock-out
  title: Lock out
  says: Isolate and prove dead.
  for: qualified
  sources: [handbook]
- caution: make-safe
  title: Making it safe
  says: The qualified person isolates it and proves it dead.
  for: qualified
  sources: [handbook]
- danger: burning-smell
  title: burning smell
  says: Stop using {place}, and with smoke call {emergency}.
  first: [keep-off]
  make-safe: make-safe
  by: technician
  proofs: [supply-volts or unit-power]
  kit: [lock-out kit]
  raised-by:
    - {check: danger-signs, outcome: [smell]}
  sources: [common-practice]
- check: danger-signs
  title: Danger signs
  at: unit
  kind: look
  ask: Any smell or heat at {place}?
  how: Look from a distance.
  complaint: yes
  outcomes:
    none: none of these
    smell: burning smell
  phrases:
    smell: [burning smell, smoke]
  role: caller
  state: any
  reach: phone
  minutes: 1
  cautions: [keep-off]
  sources: [common-practice]
- check: unit-power
  title: Unit has power
  at: unit
  kind: look
  ask: Is {place} alive?
  how: Look from outside.
  sweep: yes
  outcomes: {alive: lamp is on, dark: completely dark}
  baseline: {dark: never}
  role: caller
  state: any
  reach: phone
  minutes: 1
  sources: [common-practice]
- check: supply-volts
  title: Volts at the unit
  at: unit
  kind: measurement
  ask: Volts between the lines at {place}?
  how: Measure at the terminals.
  instrument: multimeter
  gauge: insulation-megohms
  outcomes: {good: good, poor: poor, bad: bad}
  role: technician
  state: dead-verified
  reach: on-site
  minutes: 5
  cautions: [lock-out]
  sources: [handbook]
- mechanism: no-supply
  title: No supply
  says: The unit gets no power.
  shows:
    - {check: unit-power, outcome: dark, how-often: always}
  sources: [common-practice]
- fault: loose-joint
  title: A loose joint
  says: A conductor is not tight.
  at: unit
  nature: fault
  severity: danger
  given: {trunk.kind: rs485}
  prior: common
  causes:
    - {mechanism: no-supply, how-often: usually}
  shows:
    - {check: danger-signs, outcome: smell, how-often: sometimes}
  remedy: remake-joint
  prove: [unit-power]
  looks-the-same: [wet-joint]
  sources: [handbook]
- fault: wet-joint
  title: A wet joint
  says: Water is in the joint.
  at: unit
  nature: fault
  severity: degraded
  prior: rare
  shows:
    - {check: supply-volts, outcome: bad, how-often: always}
    - {check: unit-power, outcome: dark, how-often: rarely, where: [here, beyond]}
  remedy: dry-joint
  prove: [supply-volts]
  looks-the-same: [loose-joint]
  sources: [common-practice]
- remedy: remake-joint
  title: Remake the joint
  do: Cut back and remake it.
  role: electrician
  state: dead-verified
  reach: on-site
  minutes: 20
  cautions: [lock-out]
  sources: [handbook]
- remedy: dry-joint
  title: Dry the joint
  do: Dry and seal it.
  role: technician
  state: dead-verified
  reach: on-site
  minutes: 30
  cautions: [lock-out]
  sources: [common-practice]
- rule: smell-stops-use
  title: A smell stops use
  when:
    - {reading: danger-signs, outcome: smell}
  place: same
  then:
    - {finding: danger-at-hand}
    - {stop-use: burning-smell}
  level: danger
  says: Stop using {place}.
  sources: [common-practice]
- rule: dark-alone
  title: Dark without a smell
  when:
    - {reading: unit-power, outcome: dark, pattern: one}
    - {fact: trunk.kind, is: rs485}
  unless:
    - {finding: danger-at-hand}
  then:
    - {finding: dark-only}
    - {ask: supply-volts}
  level: note
  says: Only {place} is dark.
  sources: [common-practice]
"""


def write(folder: Path, text: str = BASE, name: str = "base.yaml") -> Path:
    """The rule base as a folder of one file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8")
    return folder
