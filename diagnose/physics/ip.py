"""What is wrong with an address, mask and gateway before anything is plugged in.

Sources: RFC 950 and 4632 (subnets, from memory), RFC 1918 and 6598 (ranges), RFC 3927 (self-assigned).
"""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Interface, IPv4Network

SELF_ASSIGNED = IPv4Network("169.254.0.0/16")
PRIVATE = tuple(IPv4Network(n) for n in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"))
CARRIER = IPv4Network("100.64.0.0/10")
LOOPBACK = IPv4Network("127.0.0.0/8")

RENEW_SHARE, REBIND_SHARE = 0.5, 0.875
"""When a lease is renewed and rebound, share of its time (RFC 2131, 4.4.5)."""


BRING_UP = ("link", "address", "gateway", "name", "time", "port", "tls", "websocket", "boot-notification")
"""Order of tests from cable to back office: stop at the first that fails (common practice, no source)."""


def _address(what: str, text: str) -> IPv4Address:
    try:
        return IPv4Address(text.strip())
    except ValueError:
        raise ValueError(f"{what} {text!r} is no IPv4 address; write it like 192.168.1.50") from None


def _prefix(mask: str) -> int:
    bare = mask.strip().removeprefix("/")
    if bare.isdecimal() and len(bare) <= 2 and int(bare) <= 32:
        return int(bare)
    value = int(_address("mask", bare))
    ones = value.bit_count()
    if value != (0xFFFFFFFF << (32 - ones)) & 0xFFFFFFFF:
        raise ValueError(f"mask {mask!r} has gaps; write it like 255.255.255.0 or /24")
    return ones


def interface(address: str, mask: str) -> IPv4Interface:
    """Address with its network; the mask as 255.255.255.0, 24 or /24.

    Errors: ValueError for what is no address or mask. Source: RFC 4632.
    """
    return IPv4Interface((int(_address("address", address)), _prefix(mask)))


def kind_of(address: str) -> str:
    """self-assigned, private, carrier, loopback, unset (0.0.0.0), multicast, reserved or public.

    Errors: ValueError for what is no address. Source: RFC 3927, 1918, 6598, 1122.
    """
    ip = _address("address", address)
    if ip in SELF_ASSIGNED:
        return "self-assigned"
    if any(ip in network for network in PRIVATE):
        return "private"
    for kind, network in (("carrier", CARRIER), ("loopback", LOOPBACK), ("unset", IPv4Network("0.0.0.0/8"))):
        if ip in network:
            return kind
    return "multicast" if ip.is_multicast else "reserved" if ip.is_reserved else "public"


def same_subnet(address: str, mask: str, other: str) -> bool:
    """Whether two addresses lie in one subnet. Errors: ValueError as `interface`. Source: RFC 950."""
    return _address("gateway", other) in interface(address, mask).network


def address_faults(address: str, mask: str = "", gateway: str = "") -> tuple[tuple[str, str], ...]:
    """Faults of an address set as (word, one line), the gravest first; empty texts are not judged.

    Words: invalid (no address, mask with gaps, network or broadcast address, not a host's address, gateway equal
    to the address or itself no host), self-assigned, gateway-outside. Source: RFC 950, 1122, 3927, 4632.
    """
    try:
        kind = kind_of(address)
        if kind == "self-assigned":
            return (("self-assigned", f"{address} is self-assigned: the link is up, but no server gave an address"),)
        if kind in ("loopback", "unset", "multicast", "reserved"):
            return (("invalid", f"{address} is a {kind} address, not one for a station"),)
        if not mask:
            return ()
        own = interface(address, mask)
        bad = _not_a_host(own.ip, own.network, "address")
        if bad or not gateway:
            return (("invalid", bad),) if bad else ()
        gate = _address("gateway", gateway)
    except ValueError as error:
        return (("invalid", str(error)),)
    if gate == own.ip:
        return (("invalid", f"gateway {gate} is the station's own address"),)
    if gate not in own.network:
        return (("gateway-outside", f"gateway {gate} is outside {own.network}, the subnet of {own.ip}"),)
    bad = _not_a_host(gate, own.network, "gateway")
    return (("invalid", bad),) if bad else ()


def _not_a_host(ip: IPv4Address, network: IPv4Network, what: str) -> str:
    if network.prefixlen >= 31:
        return ""
    if ip == network.network_address:
        return f"{what} {ip} is the network address of {network}"
    return f"{what} {ip} is the broadcast address of {network}" if ip == network.broadcast_address else ""


def lease_times_s(lease_s: float) -> tuple[float, float]:
    """When a lease of so many seconds is renewed and rebound, s. Errors: ValueError below zero.

    Source: RFC 2131, 4.4.5.
    """
    if not lease_s >= 0:
        raise ValueError("a lease lasts zero seconds or more")
    return lease_s * RENEW_SHARE, lease_s * REBIND_SHARE
