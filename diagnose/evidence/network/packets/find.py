"""Which unit and which station a capture's addresses are. Pure."""

from __future__ import annotations

from diagnose.evidence.network.packets.dhcp_exchange import Client, Exchange
from diagnose.evidence.network.packets.modbus_flow import (
    Modbus,
)
from diagnose.evidence.standpoint import Standpoint
from diagnose.site.model import Site
from diagnose.site.places import Place


# ---- Modbus TCP
def units_of(modbus: Modbus, site: Site | None) -> dict[tuple[str, int], int]:
    """Which unit of the site each unit identifier is, where that is plain."""
    servers = {server for server, _ in modbus.talks}
    found: dict[tuple[str, int], int] = {}
    for server, number in modbus.talks:
        if site is None:
            if 1 <= number <= 247 and len(servers) == 1:
                found[server, number] = number
            continue
        own = next((g for g in site.uplinks if site.word("uplink.address", Place("uplink", g.number)) == server), None)
        if number in (0, 255) or len(servers) > 1:
            # The identifier means nothing without a serial trunk behind, and little with several servers.
            if own is not None and (number in (0, 255) or len(own.units) <= 1):
                found[server, number] = own.unit
            continue
        by_address = [u for u in site.units if site.number("unit.address", Place("unit", u)) == number]
        if len(by_address) == 1:
            found[server, number] = by_address[0]
        elif not by_address and number in site.units and site.number("unit.address", Place("unit", number)) is None:
            found[server, number] = number
    return found


# ---- addresses
def station_client(exchange: Exchange, site: Site | None, stand: Standpoint) -> tuple[str, Client] | None:
    """The station among the clients: by its recorded address or identity, else the only one."""
    address = site.word("uplink.address", stand.uplink_place) if site else None
    identity = site.word("uplink.identity", stand.uplink_place) if site else None
    for mac, c in exchange.clients.items():
        if (address and c.lease and c.lease.address == address) or (identity and c.name and identity.lower() == c.name.lower()):
            return mac, c
    return next(iter(exchange.clients.items())) if len(exchange.clients) == 1 else None
