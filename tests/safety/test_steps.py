"""Who takes a step, in which electrical state, and with which cautions: a practitioner's list, written out by hand.

Where a document asks for it, it is named; the rest is common practice of the trade, no source. OSHA 29 CFR 1910.333(b)(2)
lock-out and proof of absence of voltage; 1910.334(b)(2) no re-closing after a protective device before it is known to be
safe; 1910.333(c) and NFPA 70E 130 energized work; NEC 240.4 conductors protected at their ampacity; NEC 625.54 and 210.8
ground-fault protection of receptacle outlets; IEC 60364-7-722 residual-current device of each point.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest

from diagnose.knowledge import model as m


class Step(NamedTuple):
    """What a check or remedy has to say; empty where it may be anything."""

    name: str
    role: str = ""
    state: str = ""
    cautions: tuple[str, ...] = ()
    says: tuple[str, ...] = ()  # words in `how` or `do`
    never: tuple[str, ...] = ()  # words that must not stand there


E, T = "electrician", "technician"
DEAD, LIVE, CLOSED = "dead-verified", "live", "covers-closed"
BUS = ("lock-out", "bus-stays-live", "local-code")
MUTE = ("load-limit-while-mute",)
MILLIVOLTS = ("live-work", "millivolt-leads", "prove-meter-and-be-two")
CHECKS = [
    # The panel's bus stays live with a branch off: the panel is the electrician's (1910.333).
    Step("branch-insulation", E, DEAD, (*BUS, "no-test-voltage-on-electronics", "stored-energy"), ("take the conductors off it", "500 V")),
    Step("branch-continuity", E, DEAD, BUS),
    Step("ground-path", E, DEAD, BUS, ("bus proved dead",)),
    Step("conductor-size-look", "", DEAD, ("lock-out", "local-code"), ("inner cover stays on",)),
    Step("lug-look", "", DEAD, ("lock-out", "line-side-and-vehicle"), ("panel's end is not opened",)),
    Step("neutral-ground-apart", E, DEAD, (*BUS, "shared-neutral"), ("All circuits that share this neutral off",)),
    Step("breaker-swap-test", E, DEAD, (*BUS, "no-repeat-reset"), ("Only after insulation", "goes nowhere else")),
    Step("full-charge-after-test", E, CLOSED, ("no-repeat-reset", "local-code"), ("Only after insulation", "it stays off")),
    # The service cannot be locked out by the site.
    Step("source-grounding", E, CLOSED, ("main-lugs-live", "local-code"), ("cannot be locked out",)),
    Step("branch-meter-apart", E, "", ("no-repeat-reset", "live-work"), ("Insulation of the branch comes first", "If it opens, it stays off")),
    # Nobody makes a handle hot to see whether it gets hot.
    Step("connector-heat", T, CLOSED, ("sound-cable-only", "not-after-a-trip"), ("where no handle", "never to see whether an unrepaired")),
    # No cable is bent by hand at line voltage.
    Step("flex-test", T, CLOSED, ("sound-cable-only",), ('Never at "ready"', "pilot")),
    # A contact that opens puts line voltage on the millivolt input: IEC 61010-1.
    Step("contactor-millivolts", T, LIVE, MILLIVOLTS, ("Clip the probes on dead", "protected to the supply voltage")),
    Step("unit-lug-millivolts", T, LIVE, MILLIVOLTS, ("Clip the probes on dead", "protected to the supply voltage")),
    Step("breaker-pole-millivolts", E, LIVE, MILLIVOLTS, ("Clip the probes on dead", "protected to the supply voltage")),
    Step("breaker-lug-millivolts", E, LIVE, MILLIVOLTS, ("protected to the supply voltage",)),
    Step("feeder-legs", E, LIVE, ("live-work", "main-lugs-live", "prove-meter-and-be-two"), ("ahead of every switch",)),
    # Nothing that is fed from the mains in an open enclosure, no hand in it.
    Step("wiggle-test", T, LIVE, ("no-mains-ground-on-data", *MUTE), ("no hand inside",)),
    Step("query-alone", T, LIVE, ("no-mains-ground-on-data", *MUTE), ("Isolated serial adapter", "laptop on battery")),
    Step("laptop-for-controller", T, LIVE, ("no-mains-ground-on-data", *MUTE), ("isolated serial adapter", "laptop on battery")),
    Step("echo-on-pair", says=("battery",)),
    Step("echo-from-unit", cautions=("no-mains-ground-on-data",)),
    # Dead work that needs power for its answer: close up first.
    Step("other-antenna", T, DEAD, ("lock-out",), ("close up",)),
    Step("swap-and-try", T, DEAD, ("lock-out", *MUTE), ("close up",)),
    # A bridge may override a demand limit or a fire contact.
    Step("bridge-at-station", "", "", ("demand-control-agreed",)),
    Step("bridge-at-far-end", "", "", ("demand-control-agreed",)),
    Step("contact-exercise", "", "any", ("demand-control-agreed", "no-car-during-restart"), ("Only while no car charges",)),
    # While a unit cannot be reached its load limit may not hold.
    *(Step(n, cautions=MUTE) for n in (
        "pair-volts-at-unit", "trunk-loop-ohms", "slower-polls-try", "longer-timeout-try", "soft-restart", "restart-and-query", "station-restart",
        "laptop-at-switch", "router-restart", "switch-plug-reseat",
    )),
    # A restart can clear what a protection has reported.
    *(
        Step(n, cautions=("no-repeat-reset",), says=("Not after a ground-fault, contactor or heat entry",))
        for n in ("soft-restart", "restart-and-query", "station-restart")
    ),
    # Nobody goes to a panel that smells, buzzes, is warm or stands in water, and nobody moves its handles.
    Step("breaker-handle", "caller", CLOSED, ("no-repeat-reset", "keep-off", "panel-only-if-quiet"), ("do not move the handle", "smells, buzzes")),
    Step("feeder-handle", "caller", CLOSED, ("no-repeat-reset", "keep-off", "panel-only-if-quiet"), ("handle is not moved", "smells, buzzes")),
    Step("what-goes-dark", T, CLOSED, ("local-code",), ("First ask who works on this circuit",)),
    # A second car, or this car elsewhere, is a second try of a protection that has opened.
    Step("other-car-here", "caller", CLOSED, ("not-after-a-trip", "sound-cable-only"), ("only while no protective device",)),
    Step(
        "this-car-elsewhere", "caller", CLOSED, ("not-after-a-trip", "sound-cable-only"),
        ("only while no protective device", "not carried to the next"),
    ),
    Step("start-by-app", "help-desk", "any", ("not-after-a-trip",), ("Only while no protective device",)),
]  # fmt: skip
REMEDIES = [
    Step(
        "plain-breaker-ahead", E, DEAD, (*BUS, "protection-of-people-stays", "no-repeat-reset"),
        ("under 5 mA", "station's own device tested", "insulation of cable and branch good"),
    ),
    Step("test-then-close-once", E, DEAD, (*BUS, "no-repeat-reset"), ("close it once", "it stays off")),
    Step("match-setting-to-breaker", E, DEAD, (), ("Set the station down to 80 %", "never done alone")),
    Step("cool-the-panel", E, DEAD, BUS, ("Lower the settings first", "breakers stay as they are"), ("larger",)),
    Step("fit-planned-breaker", E, DEAD, BUS, ("Read the conductor size",)),
    Step("remake-breaker-joints", E, DEAD, BUS),
    # These protect the feeder: NEC 750.30, 240.4.
    Step("correct-meter-ratio", "help-desk", "any", ("limit-may-protect",), ("electrician", "one car")),
    Step("correct-line-assignment", "help-desk", "any", ("limit-may-protect",), ("electrician", "one car")),
    Step("correct-site-limit", "help-desk", "any", ("limit-may-protect", "local-code"), ("electrician", "one car")),
    # Nothing goes back into use without its readings: NETA, NEC 250.4(A)(5).
    Step("clean-and-dry-connector", T, DEAD, ("lock-out", "read-before-use"), ("Insulation of the charging cable",)),
    Step("cure-condensation", T, DEAD, ("lock-out", "read-before-use"), ("Insulation of field wiring",)),
    Step("clean-out-and-seal", T, DEAD, ("lock-out", "read-before-use"), ("Insulation of field wiring",)),
    Step("remake-corroded-terminals", E, DEAD, (*BUS, "read-before-use"), ("Insulation of the field wiring",)),
    Step(
        "repair-or-replace-unit", T, DEAD, ("lock-out", "read-before-use", "maker-parts-only", "local-code"),
        ("set the current", "torque", "ground path", "ground-fault test"),
    ),
    Step("rebuild-knocked-unit", E, DEAD, (*BUS, "read-before-use"), ("ground continuity", "through the cable")),
    # Licensed work in many places: the local code goes before.
    *(
        Step(n, cautions=("local-code",))
        for n in (
            "remake-unit-lug", "replace-contactor", "replace-charging-cable", "restore-interlock",
            "remake-corroded-terminals", "repair-or-replace-unit", "test-then-close-once",
        )
    ),
    # Power may come back without a lock on the vehicle side.
    *(
        Step(n, cautions=("line-side-and-vehicle",))
        for n in ("remake-unit-lug", "replace-contactor", "replace-charging-cable", "repair-or-replace-unit")
    ),
    # Resets: never by somebody on the phone who does not know why.
    Step(
        "release-stop", "help-desk", "", ("no-repeat-reset", "do-not-defeat-interlock", "not-after-a-trip"),
        ("The help desk only informs", "If nobody knows why, it stays"),
    ),
    Step(
        "close-what-was-opened-by-hand", "help-desk", "", ("no-repeat-reset", "panel-only-if-quiet"),
        ("The help desk only informs", "If nobody knows why it was off"),
    ),
    *(
        Step(
            n, "help-desk", "any", ("no-repeat-reset", *MUTE),
            ("Not after a ground-fault, contactor or heat entry",),
        )
        for n in ("restart-controller", "restart-unit")
    ),
    *(Step(n, cautions=MUTE) for n in (
        "lengthen-timeout", "leave-gaps-between-polls", "thin-out-poll-plan", "spread-polls",
        "set-planned-address", "set-unit-port", "swap-wires-at-unit", "swap-wires-at-controller",
        "plug-trunk-at-controller", "remake-connection-at-unit", "remake-segment-ends", "replace-unit-data-port", "fit-trunk-repeater",
    )),
    # No word about the car without readings that show the station sound.
    Step("refer-to-vehicle-workshop", "help-desk", "any", (), ("Only with readings that show the station sound", "Without them nothing is said")),
    Step("restore-neutral", E, DEAD, ("lock-out", "shared-neutral", "main-lugs-live", "local-code"), ("call the utility",)),
]  # fmt: skip
GONE = ("device-on-plain-breaker", "fewer-units-test")  # they asked for a protective device to be taken out, or for two days of tripping
ELECTRICIANS_PLACES = ("panel",)


def _look(block: m.Check | m.Remedy, text: str, step: Step) -> None:
    text = " ".join(text.split())
    assert not step.role or m.may(block.role, step.role), block.role
    assert not step.state or block.state == step.state
    assert set(step.cautions) <= set(block.cautions)
    for words in step.says:
        assert words.lower() in text.lower()
    for words in step.never:
        assert words.lower() not in text.lower()


@pytest.mark.parametrize("step", CHECKS, ids=[f"{n}-{s.name}" for n, s in enumerate(CHECKS)])
def test_checks(k: m.Knowledge, step: Step) -> None:
    _look(k.checks[step.name], k.checks[step.name].how, step)


@pytest.mark.parametrize("step", REMEDIES, ids=[f"{n}-{s.name}" for n, s in enumerate(REMEDIES)])
def test_remedies(k: m.Knowledge, step: Step) -> None:
    _look(k.remedies[step.name], k.remedies[step.name].do, step)


@pytest.mark.parametrize("name", GONE)
def test_steps_that_are_gone(k: m.Knowledge, name: str) -> None:
    assert name not in k.checks


def test_every_dead_step_is_locked_out_and_every_live_one_warned_of(k: m.Knowledge) -> None:
    """1910.333(b)(2) and (c)."""
    for block in (*k.checks.values(), *k.remedies.values()):
        if block.state == DEAD:
            assert "lock-out" in block.cautions, block.id
        if block.state == LIVE:
            assert "live-work" in block.cautions, block.id
            assert m.may(block.role, T), block.id


def test_work_in_a_panel_is_an_electricians(k: m.Knowledge) -> None:
    for block in k.checks.values():
        if block.at in ELECTRICIANS_PLACES and block.state in (DEAD, LIVE):
            assert block.role == E, block.id


def test_no_step_asks_to_re_close_again_and_again(k: m.Knowledge) -> None:
    """1910.334(b)(2): whatever closes a device after a trip says that it is closed once, by whom, and stays off after."""
    for block in (*k.checks.values(), *k.remedies.values()):
        text = (block.how if isinstance(block, m.Check) else block.do).lower()
        if "close it once" in text or "closed once" in text:
            assert "no-repeat-reset" in block.cautions, block.id
        for words in ("reset it again", "try the breaker again", "re-close it again", "reset the breaker and"):
            assert words not in text, block.id


def test_no_text_makes_a_breaker_larger_by_implication(k: m.Knowledge) -> None:
    """NEC 240.4: the conductors decide. 'A 48 A unit goes on 60 A' says nothing about them."""
    texts = {r.id: r.says for r in k.rules.values()} | {r.id: r.do for r in k.remedies.values()} | {f.id: f.says for f in k.faults.values()}
    for name, text in texts.items():
        words = text.lower()
        if "larger breaker" in words:
            assert any(w in words for w in ("conductor", "smaller", "never")), name
        assert "unit goes on" not in words, name
    audit = k.rules["audit-breaker-against-setting"].says
    assert "80 % of the breaker" in audit
    assert audit.index("80 %") < audit.index("larger breaker only with conductors, terminals, panel and the station's own maximum")


def test_the_general_warning_does_not_wear_out_on_plain_looks(k: m.Knowledge) -> None:
    """`keep-off` on a look from outside is read by nobody the second time."""
    for name in ("without-car-look", "connector-look"):
        assert "keep-off" not in k.checks[name].cautions


def test_cautions_say_what_the_list_asks_for(k: m.Knowledge) -> None:
    says = {c.id: c.says.lower() for c in k.cautions.values()}
    assert "unplug the vehicle" in says["line-side-and-vehicle"]
    assert "line side" in says["line-side-and-vehicle"]
    assert "second person" in says["prove-meter-and-be-two"]
    assert "rings" in says["prove-meter-and-be-two"]
    assert "arc-flash" in says["prove-meter-and-be-two"]
    assert "line-to-line" in k.cautions["shared-neutral"].title.lower()
    assert "battery" in says["no-mains-ground-on-data"]
    assert "surge parts" in says["no-test-voltage-on-electronics"]
    assert "handle of anything that is hot, buzzing, smoking or wet" in says["keep-off"]
    assert "plain breaker" in says["protection-of-people-stays"]
    assert "residual-current device of each point" in says["protection-of-people-stays"]


def test_sources_of_the_protection_of_people_are_named(k: m.Knowledge) -> None:
    """NEC 625.54 and 210.8 for receptacle outlets, IEC 60364-7-722 for the device of each point."""
    assert {"nec-625-54", "nec-210-8", "iec-60364-7-722"} <= set(k.cautions["protection-of-people-stays"].sources)
    assert {"nec-625-54", "nec-210-8", "iec-60364-7-722"} <= set(k.sources)


def test_editions_are_named_where_a_section_has_moved(k: m.Knowledge) -> None:
    """From memory: NFPA 70E renumbered the lock-out process between editions, so the edition stands with it."""
    title = k.sources["nfpa-70e-120-5"].title
    assert any(year in title for year in ("2018", "2021", "2024")), title
