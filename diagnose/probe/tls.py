"""The TLS handshake, and the certificates that come with it.

First a handshake as a careful station makes it. When that fails over the certificates, a second one that accepts
anything, only to read them: nothing is sent over it. Sources: RFC 5280 (4.1.2.5 dates, 6 paths), RFC 9525 (names),
RFC 8446 and 5246 (TLS 1.3 and 1.2).
"""

from __future__ import annotations

import hashlib
import ipaddress
import socket
import time
from typing import TYPE_CHECKING, Any, NamedTuple

from diagnose.evidence.reader import EvidenceError
from diagnose.probe.target import Target, Until
from diagnose.source.problems import one_line, shown

if TYPE_CHECKING:
    import ssl

MOST_CERTIFICATES, LARGEST_CERTIFICATE, MOST_NAMES = 10, 65_536, 20
DAY = 86_400.0
SOON_DAYS = 14.0
"""A certificate that ends sooner is remarked on (common practice, no source)."""

# Error numbers of the verification (OpenSSL, X509_STORE_CTX_get_error).
WORDS = {9: "not-yet-valid", 10: "expired", 62: "name-differs", 64: "name-differs"}
SELF_SIGNED, SELF_SIGNED_ABOVE, NO_ISSUER = 18, 19, (2, 20, 21)


class Certificate(NamedTuple):
    """What is read of one; dates in s since 1970, 0 for not read; texts are safe to print."""

    subject: str
    issuer: str
    begins: float
    ends: float
    names: tuple[str, ...]
    sha256: str
    common: str = ""  # common name

    @property
    def self_signed(self) -> bool:
        return bool(self.subject) and self.subject == self.issuer


class Shake(NamedTuple):
    """How the handshake ended. `word`: verified, not-yet-valid, expired, name-differs, unknown-issuer, refused (for another
    reason), cut-off, or alert (the server breaks off, perhaps because it wants a certificate of the caller's)."""

    word: str
    says: str
    version: str = ""
    chain: tuple[Certificate, ...] = ()


def careful(issuers: str) -> ssl.SSLContext:
    """Settings of a careful client; `issuers` is a file of trusted issuers, the system's without. Raises EvidenceError."""
    import ssl

    try:
        context = ssl.create_default_context(cafile=issuers or None)
    except (OSError, ssl.SSLError):
        raise EvidenceError(f"{shown(issuers)} holds no certificates; give a PEM file with the issuer that the back office names") from None
    # The same judgement by every version of Python: stations check dates, names and issuers, not the finer points.
    context.verify_flags &= ~ssl.VERIFY_X509_STRICT
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    context.set_alpn_protocols(["http/1.1"])
    return context


def shake(sock: socket.socket, target: Target, context: ssl.SSLContext, until: Until) -> tuple[ssl.SSLSocket | None, Shake]:
    """The careful handshake: the protected socket when all is well, and how it ended."""
    import ssl

    try:
        until.arm(sock)
        safe = context.wrap_socket(sock, server_hostname=target.host)
    except ssl.SSLCertVerificationError as error:
        return None, _not_verified(error)
    except ssl.SSLError as error:
        return None, Shake(*_broken(error))
    except TimeoutError:
        return None, Shake("cut-off", "no TLS reply until time-out")
    except (OSError, ValueError) as error:
        return None, Shake("cut-off", one_line(f"the connection is cut during the TLS handshake: {getattr(error, 'strerror', None) or error}", 200))
    return safe, Shake("verified", "certificate verified", safe.version() or "", read_chain(safe))


def _not_verified(error: ssl.SSLCertVerificationError) -> Shake:
    code = error.verify_code
    if code in WORDS:
        return Shake(WORDS[code], one_line(error.verify_message, 200))
    if code in (SELF_SIGNED, SELF_SIGNED_ABOVE):
        return Shake(
            "unknown-issuer",
            (
                "the certificate is self-signed"
                if code == SELF_SIGNED
                else "the chain ends in a root that is not trusted here"
            ),
        )
    if code in NO_ISSUER:
        return Shake("unknown-issuer", "the issuer of the certificate is not known here")
    return Shake("refused", one_line(f"the certificate is not accepted: {error.verify_message}", 200))


def _broken(error: ssl.SSLError) -> tuple[str, str]:
    import ssl

    reason = str(error.reason or "").upper()
    if isinstance(error, ssl.SSLEOFError) or "EOF" in reason:
        return "cut-off", "the connection is closed during the TLS handshake"
    if reason in (
        "WRONG_VERSION_NUMBER", "HTTP_REQUEST", "HTTPS_PROXY_REQUEST", "UNKNOWN_PROTOCOL",
        "RECORD_LAYER_FAILURE", "PACKET_LENGTH_TOO_LONG", "BAD_RECORD_TYPE",
    ):
        return "cut-off", "what answers does not speak TLS: a plain port, or another service"
    if "PROTOCOL_VERSION" in reason or reason in ("UNSUPPORTED_PROTOCOL", "NO_PROTOCOLS_AVAILABLE"):
        return "alert", "the server speaks no TLS 1.2 or newer"
    if "UNRECOGNIZED_NAME" in reason:
        return "alert", "the server does not know the host name that was asked for"
    if "ALERT" in reason:
        return "alert", f"the server breaks the TLS handshake off ({_words(reason)}): no cipher in common, or it wants a certificate from the caller"
    return "cut-off", one_line(f"the TLS handshake fails: {_words(reason) or error}", 200)


def _words(reason: str) -> str:
    return one_line(reason.replace("_", " ").lower(), 80)


def look_only(sock: socket.socket, target: Target, until: Until) -> tuple[str, tuple[Certificate, ...]]:
    """Version and certificates of a server that was not accepted; nothing is sent after the handshake."""
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    try:
        until.arm(sock)
        with context.wrap_socket(sock, server_hostname=target.host) as open_socket:
            return open_socket.version() or "", read_chain(open_socket)
    except (OSError, ValueError):
        return "", ()


def read_chain(safe: ssl.SSLSocket) -> tuple[Certificate, ...]:
    """The certificates as the server sent them, its own first; only that one where the chain cannot be had."""
    encoded: list[bytes] = []
    # Public from Python 3.13 on; before it, the same method sits on the object beneath.
    for holder in (safe, getattr(safe, "_sslobj", None)):
        method: Any = getattr(holder, "get_unverified_chain", None)
        if method is None:
            continue
        for item in (method() or ())[:MOST_CERTIFICATES]:
            encoded.append(item if isinstance(item, bytes) else bytes(item.public_bytes(2)))  # 2: DER
        break
    encoded = [e for e in encoded if e] or [safe.getpeercert(binary_form=True) or b""]
    return tuple(read_certificate(e) for e in encoded if e)


def read_certificate(encoded: bytes) -> Certificate:
    """What a certificate in DER says. Hostile ones give empty texts; without the package cryptography only the hash."""
    digest = hashlib.sha256(encoded).hexdigest()
    nothing = Certificate("", "", 0.0, 0.0, (), digest)
    if len(encoded) > LARGEST_CERTIFICATE:
        return nothing
    try:
        from cryptography import x509
    except ModuleNotFoundError:
        return nothing
    try:
        read = x509.load_der_x509_certificate(encoded)
        subject, issuer = one_line(read.subject.rfc4514_string(), 120), one_line(read.issuer.rfc4514_string(), 120)
        begins, ends = read.not_valid_before_utc.timestamp(), read.not_valid_after_utc.timestamp()
    except Exception:  # whatever is wrong with foreign bytes: they are not read
        return nothing
    names: list[str] = []
    try:
        other = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        names = [one_line(str(n.value), 100) for n in other if isinstance(n, (x509.DNSName, x509.IPAddress))]
    except Exception:  # a certificate without other names, or with broken ones
        names = []
    try:
        common = one_line(str(read.subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)[0].value), 100)
    except Exception:  # none, or a broken one
        common = ""
    return Certificate(subject, issuer, begins, ends, tuple(names[:MOST_NAMES]) or ((common,) if common else ()), digest, common)


def carries(certificate: Certificate, host: str) -> bool:
    """Whether a certificate names the host. Source: RFC 9525, 6.3 (a star stands for one whole label)."""
    wanted = _address(host) or host.lower().rstrip(".")
    for name in certificate.names:
        plain = name.lower().rstrip(".")
        if plain == wanted or (plain.startswith("*.") and plain[2:] == wanted.partition(".")[2]):
            return True
    return False


def _address(host: str) -> str:
    """An address in its usual form, empty for a name."""
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        return ""


def remarks(shaken: Shake, host: str, now: float) -> list[str]:
    """What has to be said of the chain, `now` being the right time in s since 1970 as far as it is known."""
    if not shaken.chain:
        missing = shaken.word not in ("cut-off", "alert")
        return ["the certificates could not be read here; install diagnose with the extra 'live' to see them"] if missing and not _reader() else []
    own, says = shaken.chain[0], []
    if not own.begins:
        return [
            "the server's certificate could not be read"
            if _reader()
            else "the certificates could not be read here; install diagnose with the extra 'live' to see them"
        ]
    says.append(
        one_line(
            f"certificate of {own.subject or 'nobody'}, issued by {own.issuer or 'nobody'}, valid "
            f"{_day(own.begins)} to {_day(own.ends)}"
        )
    )
    if now < own.begins:
        says.append(f"it becomes valid only in {(own.begins - now) / DAY:.1f} days")
    elif now > own.ends:
        says.append(f"it ran out {(now - own.ends) / DAY:.1f} days ago")
    elif own.ends - now < SOON_DAYS * DAY:
        says.append(f"it runs out in {(own.ends - now) / DAY:.1f} days")
    for above in shaken.chain[1:]:
        if above.begins and not above.begins <= now <= above.ends:
            says.append(one_line(f"above it, the certificate of {above.subject} is out of its dates ({_day(above.begins)} to {_day(above.ends)})"))
    if not carries(own, host):
        says.append(one_line(f"it does not name {host} but {', '.join(own.names[:5]) or 'no host at all'}"))
    elif own.common.lower() != host.lower() and not _address(host):
        says.append(
            one_line(
                f"its common name is {own.common or 'not there'}, not {host}; a station that looks only "
                "there refuses it (Improved security for OCPP 1.6-J, A00)"
            )
        )
    if shaken.word == "unknown-issuer":
        says += _about_issuer(shaken.chain)
    return says


def _about_issuer(chain: tuple[Certificate, ...]) -> list[str]:
    own = chain[0]
    if own.self_signed:
        return ["the server issued its certificate to itself"]
    if own.issuer not in [c.subject for c in chain[1:]]:
        return [
            one_line(
                f"the server does not send the certificate of its issuer {own.issuer}: either that is a root "
                "not trusted here, or the server leaves out a certificate in between"
            )
        ]
    return [one_line(f"the chain that the server sends ends at {chain[-1].issuer}, which is not trusted here")]


def _day(when: float) -> str:
    try:
        return time.strftime("%Y-%m-%d", time.gmtime(when))
    except (ValueError, OverflowError, OSError):
        return "a date that cannot be told"


def _reader() -> bool:
    from importlib.util import find_spec

    return find_spec("cryptography") is not None
