"""`routerd stage`: where a tablet finds the stage page, as addresses and as a code to scan.

The token stands behind the # of the address, which browsers send to nobody. The code is drawn dark on light
in colours of its own, so that it can be scanned whatever the colours of the terminal are.
"""

from __future__ import annotations

import contextlib
import fcntl
import ipaddress
import itertools
import json
import socket
import struct
import urllib.parse
from dataclasses import dataclass
from pathlib import Path

import segno
from rich.console import Console
from rich.text import Text

from routerd.cli.client import Client, ServiceError
from routerd.printing import complain, say

PAGE, TECHNICIAN = "/stage", "/stage/technician"

_SIOCGIFADDR = 0x8915
"""Asks for an interface's IPv4 address (netdevice(7))."""
_UP_TO_ADDRESS = struct.Struct("256s")

INK = "rgb(255,255,255) on rgb(0,0,0)"
_BLOCKS = {
    (False, False): " ",
    (True, False): "\N{UPPER HALF BLOCK}",
    (False, True): "\N{LOWER HALF BLOCK}",
    (True, True): "\N{FULL BLOCK}",
}

ONLY_HERE = (
    "The service listens on this machine only: no tablet can reach it. To let one in, make a token "
    "(umask 077; head -c 24 /dev/urandom | base64 > FILE) and start the service with "
    "--listen 0.0.0.0:{port} --token-file FILE."
)
PLAIN = (
    "This is plain http. Whoever listens on this network can read the token: keep it to the rig's own. "
    "And no page may keep a tablet's screen awake then: set the tablet to stay on, or start the service "
    "with --tls-cert and --tls-key."
)


@dataclass(frozen=True, slots=True)
class StageWish:
    """What `routerd stage` was asked; with `read_only` the code lets in to read only."""

    read_token_file: Path | None = None
    read_only: bool = False
    technician: bool = False


def print_stage(client: Client, wish: StageWish) -> int:
    """Print addresses and code; return 0, or 2: no service answers, or the token is not what it should be."""
    try:
        if wish.read_only and wish.read_token_file is None:
            raise ServiceError(
                "--read-only needs --read-token-file FILE, with the token that the service was started with"
            )
        file = wish.read_token_file if wish.read_only else client.token_file
        client = Client(client.listen, file, client.tls_cert)
        access = json.loads(client.ask("GET", "/v1/access"))
        if access["may"] == "nothing":
            raise ServiceError("the service wants a token: give the --token-file that it was started with")
        if wish.read_only and access["may"] != "read":
            raise ServiceError(
                f"what {file} holds may change things: give the other file to --read-token-file"
            )
        hosts = _hosts(client, access["listen"])
    except (ServiceError, OSError) as error:
        complain(f"routerd: {error}")
        return 2
    port = access["listen"].rpartition(":")[2]
    token = client.token()
    path = TECHNICIAN if wish.technician else PAGE
    behind = f"#{urllib.parse.quote(token, safe='')}" if token else ""
    scheme = "http" if client.tls_cert is None else "https"
    addresses = [f"{scheme}://{_bracketed(host)}:{port}{path}{behind}" for host in hosts]
    if is_only_here(access["listen"]):
        say(ONLY_HERE.format(port=port))
        say("In a browser of this machine:")
    else:
        print_code(Console(highlight=False, soft_wrap=True), addresses[0])
        may = "change the show" if access["may"] == "change" else "read, and change nothing"
        say(f"Scan it with the tablet, or open an address there. Whoever has this may {may}:")
    for address in addresses:
        say(f"  {address}")
    if scheme == "http" and not is_only_here(access["listen"]):
        say(PLAIN)
    return 0


def print_code(console: Console, text: str) -> None:
    """Print a QR code (ISO/IEC 18004), two rows of it to a line, in its own colours where there are any.

    What is light is written and what is dark left blank: a line has no blank end that could be cut off, and
    without colours it is right on a dark terminal, as most are. Readers take the reverse as well.
    """
    code = segno.make(text, error="l", micro=False)
    rows = [[not dark for dark in row] for row in code.matrix_iter(border=4)]  # 4: the quiet zone it needs
    for upper, lower in itertools.zip_longest(rows[::2], rows[1::2], fillvalue=[True] * len(rows[0])):
        line = "".join(_BLOCKS[pair] for pair in zip(upper, lower, strict=True))
        console.print(Text(line, style=INK), no_wrap=True, crop=False)


def is_only_here(listen: str) -> bool:
    """Return whether a service that listens there is reached from its own machine alone."""
    host = listen.rpartition(":")[0].strip("[]")
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return host == "localhost"


def _hosts(client: Client, listen: str) -> list[str]:
    """Return the names and addresses under which tablets find the service, the best first."""
    host = listen.rpartition(":")[0].strip("[]")
    with contextlib.suppress(ValueError):
        if ipaddress.ip_address(host).is_unspecified:
            found = _addresses(ipv6=":" in host)
            if not found:
                raise ServiceError("this machine has no address but its own: is it on a network?")
            return [*_certified(client), *found]
    return [host]


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _certified(client: Client) -> list[str]:
    """Return the names that the service's certificate is for: under others, browsers warn."""
    context = client.tls_context()
    if context is None:
        return []
    where = urllib.parse.urlsplit(f"//{client.listen}")
    host = where.hostname or ""
    with (
        socket.create_connection((host, where.port or 0), timeout=5) as plain,
        context.wrap_socket(plain, server_hostname=host) as secure,
    ):
        seen = secure.getpeercert() or {}
    names = [(str(one[0]), str(one[1])) for one in seen.get("subjectAltName", ())]
    return [name for kind, name in names if kind == "DNS" and "*" not in name]


def _addresses(*, ipv6: bool) -> list[str]:
    """Return this machine's addresses on its networks, those of real interfaces first (Linux)."""
    names = sorted((name for _, name in socket.if_nameindex()), key=_is_virtual)
    found = itertools.chain.from_iterable(_ipv6_of(name) if ipv6 else _ipv4_of(name) for name in names)
    return [one for one in dict.fromkeys(found) if not ipaddress.ip_address(one).is_loopback]


def _is_virtual(name: str) -> bool:
    return not Path(f"/sys/class/net/{name}/device").exists()


def _ipv4_of(interface: str) -> list[str]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking, contextlib.suppress(OSError):
        answer = fcntl.ioctl(asking, _SIOCGIFADDR, _UP_TO_ADDRESS.pack(interface.encode()[:15]))
        return [socket.inet_ntoa(answer[20:24])]
    return []


def _ipv6_of(interface: str) -> list[str]:
    with contextlib.suppress(OSError):
        lines = [line.split() for line in Path("/proc/net/if_inet6").read_text(encoding="ascii").splitlines()]
        found = [ipaddress.IPv6Address(bytes.fromhex(words[0])) for words in lines if words[5] == interface]
        return [str(one) for one in found if not one.is_link_local]
    return []
