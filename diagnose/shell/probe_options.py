"""Options of the live probes. Only the standard library: they are read at every start."""

from __future__ import annotations

from argparse import ArgumentParser


def trunk_options(p: ArgumentParser) -> None:
    """Options of `diagnose probe trunk`. What they say is checked where it is used."""
    p.add_argument("--port", metavar="PATH", help="serial port at the trunk")
    p.add_argument("--host", metavar="ADDRESS[:PORT]", help="gateway that leads to the trunk (port 502 by default)")
    p.add_argument("--units", metavar="LIST", help="addresses to ask, such as 1-12 or 1,4,7-9")
    p.add_argument("--bit-rate", metavar="R", help="bits per second; the record's, else 19200")
    p.add_argument("--parity", metavar="P", help="even, odd or none; the record's, else even")
    p.add_argument("--stop-bits", metavar="N", help="1 or 2; 1 with a parity bit, 2 without, by default")
    p.add_argument("--sweep", action="store_true", help="when nobody answers, try the other bit rates and parities")
    p.add_argument("--register", metavar="N", help="register to read, from 0 as it is sent (0 by default)")
    p.add_argument("--rounds", metavar="N", help="how often each unit is asked (20 by default)")
    p.add_argument("--rate", metavar="R", help="requests per second at most (5 by default)")
    p.add_argument("--timeout", metavar="S", help="seconds to wait for a reply; the record's, else 1")
    p.add_argument("--record", metavar="FILE", help="install record of the site")
    p.add_argument("--log", metavar="FILE", help="write every frame, with its time and direction, to this new file")
    p.add_argument("--yes", action="store_true", help="ask nothing first: no other controller polls this trunk now")


def network_options(p: ArgumentParser) -> None:
    """Options of `diagnose probe network`. What they say is checked where it is used."""
    p.add_argument("target", metavar="URL_OR_HOST", help="what the station has to reach: wss://host/path, host or host:port")
    p.add_argument("--subprotocol", metavar="NAME", action="append", help="version to offer, such as ocpp1.6; the record's by default")
    p.add_argument("--clock-from", metavar="HOST", help="time server to compare this computer's clock with")
    p.add_argument("--timeout", metavar="S", help="seconds for each step (5 by default)")
    p.add_argument(
        "--from", dest="seen_from", choices=("switch", "cable", "station"), default="switch",
        help="where this runs: laptop at the station's switch port, laptop on the station's cable, or the station itself",
    )  # fmt: skip
    p.add_argument("--unit", metavar="N", help="unit whose uplink this is; the record's first by default")
    p.add_argument("--ca", metavar="FILE", help="PEM file with the issuer that the back office names")
    p.add_argument("--made-up", action="store_true", help="the identity in the address is made up")
    p.add_argument("--record", metavar="FILE", help="install record of the site")
