"""From the lines that network commands print to addresses, routes, pings, names and HTTP."""

from __future__ import annotations

import ipaddress
import json
import re
from typing import IO, Any

from diagnose.evidence.lines import lines
from diagnose.evidence.network.ip.output import (
    Address,
    CommandOutput,
    Http,
    Lookup,
    Ping,
)
from diagnose.evidence.tally import Tally
from diagnose.source.problems import one_line

LONGEST_JSON = 1 << 20
"""Characters of one `ip -json` answer that are looked at."""
LONGEST_TEXT = 4096
"""Characters of any other line that are looked at."""
MOST = 500  # pieces of each kind that are kept

_HOST = r"([A-Za-z0-9_.:\-]{1,253})"
_V4 = r"(\d{1,3}\.\d{1,3}\.\d{1,3}\.\d{1,3})"
_PROMPT = re.compile(r"^[\w@:~./\\\[\]() -]{0,100}[$#>] ?(\w[^|;]{0,400})$")
_PING = re.compile(rf"^(?!ping statistics)(?:PING|Pinging) {_HOST}(?: ?[(\[]{_HOST}[)\]])?", re.IGNORECASE)
_STATS = re.compile(r"(\d{1,9}) packets transmitted, (\d{1,9})(?: packets)? received")
_STATS_W = re.compile(r"Packets: Sent = (\d{1,9}), Received = (\d{1,9})")
_TIMES = re.compile(r"min/avg/max(?:/\w+)? = [\d.]{1,12}/([\d.]{1,12})/")
_TIMES_W = re.compile(r"Average = (\d{1,9}) ?ms")
_PING_LINE = re.compile(
    r"^(?:\d{1,6} bytes from |Reply from |Request timed out|Request timeout for|no answer yet|--- .* ping statistics|"
    r"Ping statistics for|Approximate round trip|From \S{1,253} icmp_seq|Minimum = )",
    re.IGNORECASE,
)
_REPLY = re.compile(r"\d{1,6} bytes from \S{1,253}: icmp_seq=\d|Reply from \S{1,253}: bytes=\d")
_UNREACHABLE = re.compile(r"(?:network is|\bnet) unreachable|no route to host|general failure", re.IGNORECASE)
_NO_NAME = re.compile(
    rf"(?:ping6?: )?{_HOST}: (?:Name or service not known|Temporary failure in name resolution|No address associated)"
    rf"|cannot resolve {_HOST}:|unknown host {_HOST}|could not find host {_HOST}"
    rf"|Could not resolve host: {_HOST}|Host {_HOST} not found:|can't find {_HOST}:",
    re.IGNORECASE,
)
# A host in front of a word is dear to search for in a long line; the words are cheap.
_NO_NAME_WORDS = re.compile(r"not known|Temporary failure|No address|resolve|unknown host|find host|not found|can't find", re.IGNORECASE)
_NO_SERVER = re.compile(r"no servers could be reached|DNS request timed out|communications error to .{1,80}timed out", re.IGNORECASE)
_GETENT = re.compile(rf"^{_V4}\s+(?:(?:STREAM|DGRAM|RAW)\s*)?([A-Za-z][\w.\-]{{0,252}})?(?:\s+[\w.\- ]{{1,200}})?$")
_HAS = re.compile(rf"^{_HOST} has (?:IPv6 )?address {_HOST}$")
_ALIAS = re.compile(r"^\S{1,253} is an alias for \S{1,253}$")
_DIG_STATUS = re.compile(r"->>HEADER<<-.*status: (\w{1,20})")
_DIG_QUESTION = re.compile(rf"^;{_HOST}\.\s+IN\s+(?:A|AAAA)$")
_DIG_ANSWER = re.compile(rf"^{_HOST}\.?\s+\d{{1,10}}\s+IN\s+(A|AAAA|CNAME)\s+{_HOST}$")
_NAME = re.compile(rf"^Name:\s+{_HOST}$")
_ADDRESS = re.compile(rf"^Address(?:es)?:\s+{_HOST}(?:#\d+)?$")
_COMMAND_NAME = re.compile(rf"(?:getent a?hosts(?:v4)?|dig(?: \+short)?|host|nslookup)\s+{_HOST}")
_STATUS = re.compile(r"^(?:< )?HTTP/(?:1\.[01]|2|3) ([1-5]\d\d)(?: .{0,80})?$")
_REQUEST = re.compile(r"^> (?:GET|HEAD|POST|PUT|OPTIONS) (\S{1,2000}) HTTP/")
_HEADER = re.compile(r"^(?:([<>]) )?([A-Za-z][A-Za-z0-9-]{1,40}): ?(.{0,4000})$")
_CONNECTED = re.compile(rf"^\* (?:Connected to|Established connection to) {_HOST} \({_HOST}(?: port (\d{{1,5}}))?\)(?: port (\d{{1,5}}))?")
_TRYING = re.compile(r"^\* +Trying ")
_FAILED = re.compile(
    r"(?:connect to .{1,260}?failed|Failed to connect to|connect\(\) failed|Connection timed out after|Connect(?:ion)? timeout|"
    r"Immediate connect fail)", re.IGNORECASE,
)  # fmt: skip
_CURL = re.compile(r"^(?:\* |curl: \(\d{1,3}\) |[{}] \[\d|  ?% Total| +Dload| +\d+ +\d|--:--)")
TLS_SIGNS = (
    (
        "own-certificate-refused",
        re.compile(
            (
                r"alert (?:bad certificate|certificate required|unknown ca|handshake failure"
                r"|certificate unknown)|certificate required"
            ),
            re.IGNORECASE,
        ),
    ),
    ("not-yet-valid", re.compile(r"certificate is not yet valid", re.IGNORECASE)),
    ("expired", re.compile(r"certificate has expired", re.IGNORECASE)),
    ("name-differs", re.compile(r"no alternative certificate subject name matches|does not match target host|hostname mismatch", re.IGNORECASE)),
    (
        "unknown-issuer",
        re.compile(
            (
                r"unable to get (?:local )?issuer certificate|self[- ]signed certificate|unknown ca"
                r"|unable to verify the first"
            ),
            re.IGNORECASE,
        ),
    ),
    (
        "cut-off",
        re.compile(
            (
                r"SSL_ERROR_SYSCALL|unexpected eof|SSL_connect: Connection reset"
                r"|Connection reset by peer in connection|wrong version number"
            ),
            re.IGNORECASE,
        ),
    ),
    ("verified", re.compile(r"certificate verify ok|certificate verified", re.IGNORECASE)),
)  # fmt: skip


SURE = (_STATS, _STATS_W, _NO_NAME, _NO_SERVER, _DIG_STATUS, _CONNECTED, _HAS, _STATUS, _FAILED)
LIKELY = (
    _PING, _REQUEST, _TRYING, re.compile(r'"ifname"\s*:'),
    re.compile(r"^[\w@:~./\\\[\]() -]{0,100}[$#>] ?(?:ip|ping|dig|host|getent|nslookup|curl)\b"),
)  # fmt: skip


class _OutputReader:
    """Takes lines one by one; `found` grows."""

    def __init__(self) -> None:
        self.tally = Tally()
        self.found = CommandOutput()
        self._json: list[str] = []
        self._json_line = self._json_size = self._depth = 0
        self._ping: Ping | None = None
        self._asked = ""  # name that a command asked for
        self._asked_line = 0
        self._named = False  # nslookup: the address after `Name:` is the answer
        self._http: Http | None = None
        self._headers = ""

    def line(self, number: int, text: str) -> None:
        """Take one line."""
        if self._json:
            self._more_json(number, text)
            return
        stripped = text.strip()
        if not stripped:
            self._headers = ""
            return
        if stripped[0] == "[" and (len(stripped) == 1 or stripped[1] in "{ ]\t"):
            self._json_line = number
            self._more_json(number, text)
            return
        if len(stripped) > LONGEST_TEXT:
            self.tally.cut += len(stripped) - LONGEST_TEXT
            stripped = stripped[:LONGEST_TEXT]
        if self._ping is not None and _REPLY.match(stripped):  # by far the most lines of a long ping
            self.tally.took()
            return
        if any(take(number, stripped, text) for take in (self._http_line, self._name_line, self._ping_line, self._prompt)):
            self.tally.took()
        else:
            self.tally.missed(f"line {number}", text)

    def end(self) -> None:
        """No more lines come."""
        if self._json:
            self._json_lost()
        self._close_name()
        self._close_ping()

    # ---- ip -json
    def _more_json(self, number: int, text: str) -> None:
        self._json.append(text)
        self._json_size += len(text) + 1
        bare = re.sub(r'"(?:[^"\\]|\\.)*"', "", text)
        self._depth += sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")
        if self._depth > 0 and self._json_size <= LONGEST_JSON:
            return
        text = "\n".join(self._json)
        try:
            rows = json.loads(text) if self._depth == 0 else None
        except (ValueError, RecursionError):
            rows = None
        if not isinstance(rows, list) or not self._rows(rows, self._json_line):
            self._json_lost()
            return
        self.tally.took(len(self._json))
        self._reset_json()

    def _json_lost(self) -> None:
        for at, text in enumerate(self._json, self._json_line):
            self.tally.missed(f"line {at}", text)
        self._reset_json()

    def _reset_json(self) -> None:
        self._json, self._json_size, self._depth = [], 0, 0

    def _rows(self, rows: list[Any], line: int) -> bool:
        good = [row for row in rows if isinstance(row, dict) and row]
        known = False
        for row in good[:MOST]:
            if isinstance(row.get("ifname"), str):
                known = self._interface(row, line) or known
            elif isinstance(row.get("dst"), str):
                known = self._route_or_neighbour(row, line) or known
        return known or not good

    def _interface(self, row: dict[str, Any], line: int) -> bool:
        flags = row.get("flags")
        flags = [f for f in flags if isinstance(f, str)] if isinstance(flags, list) else []
        if "LOOPBACK" in flags:
            return True
        state = row.get("operstate")
        up = "NO-CARRIER" not in flags and state not in ("DOWN", "LOWERLAYERDOWN")
        name = one_line(row["ifname"], 40)
        kept: list[tuple[str, int]] = []
        rows = row.get("addr_info")
        for info in rows if isinstance(rows, list) else []:
            if not isinstance(info, dict) or info.get("family") != "inet":
                continue
            local, prefix = info.get("local"), info.get("prefixlen")
            if _is_v4(local) and isinstance(prefix, int) and 0 <= prefix <= 32:
                kept.append((str(local), prefix))
        self.found.has_addresses = self.found.has_addresses or isinstance(rows, list)
        for local, prefix in kept or [("", 0)]:
            if len(self.found.addresses) < MOST:
                self.found.addresses.append(Address(name, up, local, prefix, line))
        return True

    def _route_or_neighbour(self, row: dict[str, Any], line: int) -> bool:
        state = row.get("state")
        if isinstance(state, (list, str)) or "lladdr" in row:
            states = [s for s in state if isinstance(s, str)] if isinstance(state, list) else [str(state)]
            if len(self.found.neighbours) < MOST and _is_v4(row["dst"]):
                self.found.neighbours[row["dst"]] = (not {"FAILED", "INCOMPLETE"} & set(states), line)
            return True
        self.found.has_routes = True
        gateway = row.get("gateway")
        if row["dst"] not in ("default", "0.0.0.0/0") or row.get("type", "unicast") != "unicast":
            return True
        hops = row.get("nexthops")
        for way in [gateway, *(hop.get("gateway") for hop in (hops if isinstance(hops, list) else [])[:MOST] if isinstance(hop, dict))]:
            if _is_v4(way) and len(self.found.gateways) < MOST:
                self.found.gateways.append((str(way), line))
        # A modem or a tunnel has nobody at its other end who could be named.
        if gateway is None and not hops and isinstance(row.get("dev"), str):
            self.found.direct = (one_line(row["dev"], 40), line)
        return True

    # ---- ping
    def _ping_line(self, number: int, text: str, raw: str) -> bool:
        started = _PING.match(text)
        if started:
            self._close_ping()
            self._ping = Ping(started.group(1), started.group(2) or "", 0, -1, None, number, number)
            return True
        stats = _STATS.search(text) or _STATS_W.search(text)
        if stats:
            held = self._ping or Ping("", "", 0, -1, None, number, number)
            sent, got = int(stats.group(1)), int(stats.group(2))
            self._ping = held._replace(sent=sent, received=min(sent, got), last=number)
            return sent > 0
        times = _TIMES.search(text) or _TIMES_W.search(text)
        if times:
            if self._ping is None:
                return False
            try:
                self._ping = self._ping._replace(average_ms=float(times.group(1)), last=number)
            except ValueError:
                return False
            self._close_ping()
            return True
        if _UNREACHABLE.search(text):
            self.found.unreachable = self.found.unreachable or number
            return True
        return bool(_PING_LINE.match(text))

    def _close_ping(self) -> None:
        if self._ping is not None and self._ping.received >= 0 and len(self.found.pings) < MOST:
            self.found.pings.append(self._ping)
        self._ping = None

    # ---- names
    def _name_line(self, number: int, text: str, raw: str) -> bool:
        missing = _missing(text)
        if missing:
            self._lookup(next((g for g in missing.groups() if g), ""), "", number)
            return True
        if _NO_SERVER.search(text):
            self._lookup(self._asked, "", number)
            return True
        for pattern in (_HAS, _GETENT):
            match = pattern.match(text)
            if match:
                name, address = match.groups() if pattern is _HAS else (match.group(2) or self._asked, match.group(1))
                return self._lookup(name, address, number)
        return bool(_ALIAS.match(text)) or self._dig_line(number, text) or self._nslookup_line(number, text)

    def _dig_line(self, number: int, text: str) -> bool:
        status = _DIG_STATUS.search(text)
        if status:
            if status.group(1) != "NOERROR":
                self._lookup(self._asked, "", number)
            return True
        question = _DIG_QUESTION.match(text)
        if question:
            self._asked, self._asked_line = question.group(1), self._asked_line or number
            return True
        answer = _DIG_ANSWER.match(text)
        if answer:
            return answer.group(2) == "CNAME" or self._lookup(answer.group(1), answer.group(3), number)
        return text.startswith(";")

    def _nslookup_line(self, number: int, text: str) -> bool:
        name = _NAME.match(text)
        if name:
            self._asked, self._named = name.group(1), True
            return True
        address = _ADDRESS.match(text)
        if address:
            return not self._named or self._lookup(self._asked, address.group(1), number)
        if re.match(r"Server:\s|Non-authoritative answer", text):
            self._named = False
            return True
        return False

    def _lookup(self, name: str, address: str, number: int) -> bool:
        if address:
            try:
                ipaddress.ip_address(address)
            except ValueError:
                return False
        if len(self.found.lookups) < MOST:
            self.found.lookups.append(Lookup(one_line(name, 100), address, number))
        self._asked_line = 0
        return True

    def _close_name(self) -> None:
        """A command that asks for a name and prints nothing has not found it."""
        if self._asked_line:
            self._lookup(self._asked, "", self._asked_line)
        self._asked, self._named = "", False

    def _prompt(self, number: int, text: str, raw: str) -> bool:
        match = _PROMPT.match(text)
        if not match:
            return False
        self._close_name()
        self._close_ping()
        host = re.match(r"\S{0,40}@([\w.-]{1,60})", text)
        if host:
            self.found.prompt = host.group(1)
        asked = _COMMAND_NAME.match(match.group(1))
        if asked:
            self._asked, self._asked_line = asked.group(1).rstrip("."), number
        return True

    # ---- HTTP
    def _http_line(self, number: int, text: str, raw: str) -> bool:
        request = _REQUEST.match(text)
        if request:
            self._http = Http(line=number, last=number, asked=True)
            self._keep_http()
            self._headers = ">"
            return True
        status = _STATUS.match(text)
        if status:
            if self._http is None or self._http.status or not text.startswith("<"):
                self._http = Http(line=number, last=number)
                self._keep_http()
            self._http.status, self._http.last = int(status.group(1)), number
            self._headers = "<"
            return True
        connected = _CONNECTED.match(text)
        if connected:
            self.found.connected = self.found.connected or number
            return True
        if _FAILED.search(text):
            # "Could not connect" in the closing line says less than "refused" before it.
            refused = "refused" in text.lower()
            if refused or not self.found.port_failure:
                self.found.port_failure = ("refused" if refused else "no-answer", number)
            return True
        if re.match(r"(?:\* |curl: )", text) or "SSL" in text[:40]:
            for word, pattern in TLS_SIGNS:
                if pattern.search(text):
                    if word != "verified" or not self.found.tls:
                        self.found.tls = (word, number)
                    return True
        return self._header(number, text) or (bool(_CURL.match(raw[:100])) and not _missing(text))

    def _keep_http(self) -> None:
        if self._http is not None and len(self.found.https) < MOST:
            self.found.https.append(self._http)

    def _header(self, number: int, text: str) -> bool:
        if text in ("<", ">"):
            return True
        match = _HEADER.match(text)
        if not match or self._http is None or not (match.group(1) or self._headers):
            return False
        mark, name, value = match.group(1) or self._headers, match.group(2).lower(), match.group(3).strip()
        http = self._http
        http.last = max(http.last, number)
        if mark == ">":
            http.credentials = http.credentials or name == "authorization"
            http.upgrade = http.upgrade or (name == "upgrade" and value.lower() == "websocket")
            http.host = value.lower() if name == "host" else http.host
            http.offered = value if name == "sec-websocket-protocol" else http.offered
        else:
            http.protocol = one_line(value, 60) if name == "sec-websocket-protocol" else http.protocol
            http.location = one_line(value, 200) if name == "location" else http.location
            http.page = http.page or (name == "content-type" and "html" in value.lower())
        return True


def _missing(text: str) -> re.Match[str] | None:
    return _NO_NAME.search(text) if _NO_NAME_WORDS.search(text) else None


def _is_v4(text: object) -> bool:
    if not isinstance(text, str):
        return False
    try:
        ipaddress.IPv4Address(text)
    except ValueError:
        return False
    return True


def gather(stream: IO[bytes]) -> tuple[CommandOutput, Tally]:
    """Everything that the commands printed, not judged yet, and how much of it was understood."""
    reader = _OutputReader()
    for line in lines(stream, LONGEST_JSON):
        reader.tally.cut += line.cut
        reader.line(line.number, line.text)
    reader.end()
    return reader.found, reader.tally
