"""Addresses. Section 9 of the fact sheet on communication wiring (RFC 950, 1918, 3927, 4632, 6598)."""

import ipaddress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics import ip

# Section 9, table: address, mask, network, hosts, gateway, inside
TABLE = [
    ("192.168.1.50", "255.255.255.0", "192.168.1.0/24", 254, "192.168.1.1", True),
    ("192.168.1.50", "255.255.255.0", "192.168.1.0/24", 254, "192.168.10.1", False),
    ("192.168.1.130", "255.255.255.128", "192.168.1.128/25", 126, "192.168.1.1", False),
    ("10.0.5.20", "255.255.0.0", "10.0.0.0/16", 65_534, "10.0.250.1", True),
    ("172.16.40.9", "255.255.240.0", "172.16.32.0/20", 4094, "172.16.47.254", True),
    ("172.16.40.9", "255.255.240.0", "172.16.32.0/20", 4094, "172.16.48.1", False),
]


@pytest.mark.parametrize(("address", "mask", "network", "hosts", "gateway", "inside"), TABLE)
def test_subnet_table(address, mask, network, hosts, gateway, inside):
    own = ip.interface(address, mask).network
    assert str(own) == network
    assert own.num_addresses - 2 == hosts
    assert ip.same_subnet(address, mask, gateway) is inside
    words = [word for word, _ in ip.address_faults(address, mask, gateway)]
    assert words == ([] if inside else ["gateway-outside"])


@pytest.mark.parametrize(
    ("address", "mask", "gateway", "word", "says"),
    [
        ("192.168.1.63", "255.255.255.192", "192.168.1.1", "invalid", "broadcast"),  # section 9, last row
        ("192.168.1.0", "24", "192.168.1.1", "invalid", "network address"),
        ("192.168.1.50", "/24", "192.168.1.255", "invalid", "gateway 192.168.1.255 is the broadcast"),
        ("192.168.1.50", "/24", "192.168.1.50", "invalid", "own address"),
        ("169.254.12.9", "255.255.0.0", "", "self-assigned", "link is up"),  # I1, I2
        ("0.0.0.0", "", "", "invalid", "unset"),
        ("127.0.0.1", "8", "", "invalid", "loopback"),
        ("239.1.2.3", "", "", "invalid", "multicast"),
        ("192.168.1.300", "24", "", "invalid", "no IPv4"),
        ("192.168.1.5", "255.0.255.0", "", "invalid", "gaps"),
        ("192.168.1.5", "24", "router", "invalid", "gateway 'router'"),
    ],
)
def test_faults(address, mask, gateway, word, says):
    ((got, text),) = ip.address_faults(address, mask, gateway)
    assert got == word
    assert says in text
    assert "\n" not in text


def test_point_to_point_has_no_broadcast():  # RFC 3021
    assert ip.address_faults("10.0.0.0", "31", "10.0.0.1") == ()


@pytest.mark.parametrize(
    ("address", "kind"),
    [("172.32.0.1", "public"), ("172.31.255.254", "private"), ("172.16.0.0", "private"), ("10.255.0.1", "private"),
     ("192.168.0.9", "private"), ("100.64.0.1", "carrier"), ("100.127.255.255", "carrier"), ("100.128.0.1", "public"),
     ("169.254.1.0", "self-assigned"), ("8.8.4.4", "public"), ("250.1.1.1", "reserved")],
)  # fmt: skip
def test_ranges(address, kind):  # section 9, I1, I3 and below the table
    assert ip.kind_of(address) == kind


def test_lease_and_order():  # section 9, I4 (RFC 2131), I7, I9
    assert ip.lease_times_s(86_400) == (43_200, 75_600)
    assert ip.BRING_UP[0] == "link"
    assert ip.BRING_UP.index("time") < ip.BRING_UP.index("tls")
    with pytest.raises(ValueError, match="zero seconds"):
        ip.lease_times_s(-1)


@given(st.ip_addresses(v=4), st.integers(1, 30), st.ip_addresses(v=4))
def test_against_the_standard_library(address, prefix, gateway):
    network = ipaddress.ip_network(f"{address}/{prefix}", strict=False)
    assert ip.same_subnet(str(address), str(network.netmask), str(gateway)) is (gateway in network)
    faults = ip.address_faults(str(address), f"/{prefix}", str(gateway))
    if ip.kind_of(str(address)) in ("private", "public", "carrier") and not faults:
        assert gateway in network
        assert address != gateway
        assert address not in (network.network_address, network.broadcast_address)
