"""The uplink: addresses, cable, signal, clock, delay."""

from __future__ import annotations

from diagnose.gauges.bands import Record, either_sign, figure, ladder
from diagnose.gauges.base import Audit, Band, Expectation, audit_gauge, reading_gauge
from diagnose.physics import cable, cellular, ip
from diagnose.site.model import Site
from diagnose.site.places import Place

CLEAN_PERCENT, MANY_PERCENT = 1.0, 20.0
"""Lost pings from which a link deserves a look, and from which it is useless (common practice, no source)."""
CLOCK_RIGHT_S, CLOCK_EPOCH_S = 60.0, 3 * 365 * 86_400.0
"""A clock this near is right; one years off has started from its first day (common practice, no source)."""
NORMAL_ROUND_TRIP_MS = {"ethernet": 250.0, "cellular": 800.0}
"""Round trip to the back office that a healthy link stays under, ms (common practice, no source)."""
NETWORK_AWG = 24.0
LEADS_OHMS = 1.5
"""Test leads and two plug contacts, ohm (common practice, no source)."""
OPEN_OHMS = 1000.0


@audit_gauge("ip-plan", "uplink", ("fits", "gateway-outside", "invalid", "self-assigned"))
def ip_plan(site: Site, place: Place) -> Audit | None:
    """Address, mask and gateway by the record. Source: RFC 950, 1122, 3927, 4632."""
    address = site.word("uplink.address", place)
    mask, gateway = site.word("uplink.mask", place) or "", site.word("uplink.gateway", place) or ""
    if address is None:
        return None
    faults = ip.address_faults(address, mask, gateway)
    if faults:
        return Audit(*faults[0])
    if not mask or not gateway:
        return None
    return Audit("fits", f"{address} and gateway {gateway} lie in {ip.interface(address, mask).network}")


@audit_gauge("ethernet-length", "uplink", ("within", "over"))
def ethernet_length(site: Site, place: Place) -> Audit | None:
    """Ethernet run in m against 100 m. Source: TIA-568."""
    metres = site.number("uplink.cable-length", place)
    if metres is None or site.word("uplink.kind", place) == "cellular":
        return None
    outcome = "within" if metres <= cable.ETHERNET_CHANNEL_M else "over"
    return Audit(outcome, f"{figure(metres)} m; {cable.ETHERNET_CHANNEL_M:g} m allowed")


@reading_gauge("link-loss-percent", "uplink", "%", ("clean", "some", "many"))
def link_loss_percent(site: Site, place: Place) -> Expectation:
    """Percent of pings lost. Source: common practice, no source."""
    bands = ladder("clean", (CLEAN_PERCENT, "some"), (MANY_PERCENT, "many"), start=0.0)
    text = f"under {CLEAN_PERCENT:g} % lost"
    return Expectation(0.0, 0.0, CLEAN_PERCENT, "%", text, bands)


@reading_gauge("cable-pair-ohms", "uplink", "ohm", ("as-expected", "high", "open", "short"))
def cable_pair_ohms(site: Site, place: Place) -> Expectation:
    """Ohm of a pair with its far end shorted, worst pair. Source: TIA-568 and ISO/IEC 11801 (limits, from memory);
    copper by IEC 60028, wire by ASTM B258.
    """
    facts = Record(site, place)
    metres = facts.number("uplink.cable-length", 50.0, "a run of 50 m")
    value = cable.loop_ohms(NETWORK_AWG, metres)
    known = not facts.assumed
    low = 0.7 * value if known else 0.0
    high = (cable.ETHERNET_LOOP_PER_M * metres * 1.1 if known else cable.ETHERNET_CHANNEL_OHMS) + LEADS_OHMS
    # Leads and plugs alone make an ohm: on a run of a few metres no reading is too low.
    short = 0.4 * value if known and value > 3 * LEADS_OHMS else 0.0
    bands = ladder("short", (short, "as-expected"), (high, "high"), (OPEN_OHMS, "open"), start=0.0)
    text = f"{figure(low)} to {figure(high)} ohm: {figure(metres)} m of 24 AWG pair, out and back"
    return Expectation(value, max(low, short), high, "ohm", text, bands, tuple(facts.assumed))


@reading_gauge("signal-csq", "uplink", "1", ("good", "fair", "poor", "none"))
def signal_csq(site: Site, place: Place) -> Expectation:
    """Signal figure of the modem, 0 to 31, 99 for unknown. Source: 3GPP TS 27.007, 8.5; bands common practice."""
    good, fair = cellular.CSQ_GOOD, cellular.CSQ_FAIR
    bands = ladder("none", (1, "poor"), (fair, "fair"), (good, "good"), (32, "none"), start=0.0)
    text = f"{good} or more of 31 ({cellular.csq_dbm(good):.0f} dBm); 99 means no figure"
    return Expectation(None, good, 31, "1", text, bands)


@reading_gauge("signal-rsrp", "uplink", "dBm", ("good", "fair", "poor", "none"))
def signal_rsrp(site: Site, place: Place) -> Expectation:
    """Reference signal power in dBm; a forgotten minus sign is understood. Source: range by 3GPP TS 27.007, 8.69;
    bands common practice, no source.
    """
    good, fair, none = cellular.RSRP_GOOD_DBM, cellular.RSRP_FAIR_DBM, cellular.RSRP_NONE_DBM
    negative = ladder("none", (none, "poor"), (fair, "fair"), (good, "good"), end=0.0)
    bands = (*negative, *(Band(b.outcome, -b.high, -b.low) for b in reversed(negative)))
    text = f"{good:g} dBm or nearer to zero; under {fair:g} dBm the link is fragile"
    return Expectation(None, good, cellular.RSRP_RANGE_DBM[1], "dBm", text, bands)


@reading_gauge("clock-offset", "uplink", "s", ("right", "off", "epoch"))
def clock_offset(site: Site, place: Place) -> Expectation:
    """Seconds between the station's clock and the right time. Source: RFC 5280, 4.1.2.5 (certificates are valid
    only between two dates); limits common practice, no source.
    """
    bands = either_sign(ladder("right", (CLOCK_RIGHT_S, "off"), (CLOCK_EPOCH_S, "epoch"), start=0.0))
    text = f"within {CLOCK_RIGHT_S:g} s; years off means it never got the time, and no certificate is valid then"
    return Expectation(0.0, -CLOCK_RIGHT_S, CLOCK_RIGHT_S, "s", text, bands)


@reading_gauge("round-trip-ms", "uplink", "ms", ("normal", "slow"))
def round_trip_ms(site: Site, place: Place) -> Expectation:
    """Milliseconds to the back office and back, by kind of link. Source: common practice, no source."""
    facts = Record(site, place)
    kind = facts.word("uplink.kind", "cellular", "a modem as uplink")
    limit = NORMAL_ROUND_TRIP_MS.get(kind, NORMAL_ROUND_TRIP_MS["cellular"])
    bands = ladder("normal", (limit, "slow"), start=0.0)
    text = f"under {limit:g} ms over {'a modem' if kind == 'cellular' else 'a cable'}"
    return Expectation(None, 0.0, limit, "ms", text, bands, tuple(facts.assumed))
