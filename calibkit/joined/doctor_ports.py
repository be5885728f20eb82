"""Which ports others can reach on this machine, and the way to close them.

The system's own list goes in as text and facts come out, so that the branches of every
system are tested on any system.
"""

from __future__ import annotations

import ipaddress
import re
import socket
import sys
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from calibkit.language import _, later

FIRST, LAST = 16571, 16604  # what the streaming library uses by default
HONEST = later(
    "Gaze streams are not encrypted and need no password. Anyone who can reach this "
    "computer's ports can read the gaze; anyone on it can imitate a stream. Use them "
    "only on this computer or a private network."
)


@dataclass(frozen=True, kw_only=True)
class Listener:
    """A port that listens.

    Parameters
    ----------
    protocol : {"tcp", "udp"}
    address : str
        Such as "0.0.0.0", "::" or "127.0.0.1".
    port : int
    process : int
        Its number, 0 where the system does not tell.
    """

    protocol: str
    address: str
    port: int
    process: int = 0

    @property
    def reachable(self) -> bool:
        """Whether other machines can reach it, if no firewall keeps them out."""
        try:
            found = ipaddress.ip_address(self.address.split("%")[0])
        except ValueError:
            return True  # a name or a star: everything
        mapped = getattr(found, "ipv4_mapped", None)
        return not (mapped or found).is_loopback


def relevant(
    listeners: Collection[Listener], ours: Collection[int] = ()
) -> list[Listener]:
    """Return the reachable ones that are the streaming library's or our processes'.

    Parameters
    ----------
    listeners : collection of Listener
    ours : collection of int
        Numbers of calibkit's processes.
    """
    return sorted(
        {
            one
            for one in listeners
            if one.reachable
            and (FIRST <= one.port <= LAST or (one.process and one.process in ours))
        },
        key=lambda one: (one.protocol, one.port, one.address),
    )


def from_proc(
    tables: Mapping[str, str],
    owners: Mapping[str, int] | None = None,
    byteorder: str = sys.byteorder,
) -> list[Listener]:
    """Read Linux's tables.

    Parameters
    ----------
    tables : dict of str
        Text of /proc/net/tcp, tcp6, udp and udp6 by name.
    owners : dict of int, optional
        Process by socket inode.
    byteorder : {"little", "big"}
        Of the machine that wrote the tables.
    """
    found = []
    for name, text in tables.items():
        protocol = name[:3]
        for row in text.splitlines()[1:]:
            fields = row.split()
            if len(fields) < 10:
                continue
            # 0A is LISTEN; 07 is a UDP socket without a peer (net/tcp_states.h).
            if fields[3] != ("0A" if protocol == "tcp" else "07"):
                continue
            address, _, port = fields[1].partition(":")
            found.append(
                Listener(
                    protocol=protocol,
                    address=_address(address, byteorder),
                    port=int(port, 16),
                    process=(owners or {}).get(fields[9], 0),
                )
            )
    return found


def _address(text: str, byteorder: str) -> str:
    """Turn the kernel's form, 32-bit words in the machine's order, into the usual."""
    data = bytes.fromhex(text)
    if byteorder == "little":
        words = [data[k : k + 4][::-1] for k in range(0, len(data), 4)]
        data = b"".join(words)
    family = socket.AF_INET if len(data) == 4 else socket.AF_INET6
    return socket.inet_ntop(family, data)


_NETSTAT = re.compile(
    r"^\s*(TCP|UDP)\s+(\S+):(\d+)\s+\S+\s+(?:(\S+)\s+)?(\d+)\s*$", re.MULTILINE
)


def from_netstat(text: str) -> list[Listener]:
    """Read Windows' `netstat -ano`, in any language.

    Parameters
    ----------
    text : str
    """
    return list(_netstat_rows(text))


def _netstat_rows(text: str) -> Iterator[Listener]:
    for line in text.splitlines():
        match = _NETSTAT.match(line)
        # The state's word is translated; a listener's peer is port 0.
        if match is None:
            continue
        protocol, address, port, _, process = match.groups()
        peer = line.split()[2]
        if protocol == "TCP" and not peer.endswith(":0"):
            continue
        yield Listener(
            protocol=protocol.lower(),
            address=address.strip("[]"),
            port=int(port),
            process=int(process),
        )


def from_lsof(text: str) -> list[Listener]:
    """Read macOS' `lsof -nP -iTCP -sTCP:LISTEN -iUDP -F pPn`.

    Parameters
    ----------
    text : str
    """
    found, process, protocol = [], 0, ""
    for line in text.splitlines():
        mark, rest = line[:1], line[1:]
        if mark == "p":
            process = int(rest)
        elif mark == "P":
            protocol = rest.lower()
        elif mark == "n" and "->" not in rest:
            address, _, port = rest.rpartition(":")
            if port.isdigit() and protocol in ("tcp", "udp"):
                address = address.strip("[]")
                found.append(
                    Listener(
                        protocol=protocol,
                        address=address,
                        port=int(port),
                        process=process,
                    )
                )
    return found


def close_line(system: str, programs: Collection[str] = ()) -> str:
    """Return the command that closes the library's ports to other machines.

    A remark on it is in the language that is spoken.

    Parameters
    ----------
    system : str
        As `platform.system()` says.
    programs : collection of str
        Firewall programs that are there, on Linux: "ufw", "firewall-cmd", "nft".
    """
    span = f"{FIRST}-{LAST}"
    if system == "Windows":
        rule = (
            'netsh advfirewall firewall add rule name="Gaze streams closed {p}" '
            "dir=in action=block protocol={p} localport=" + span
        )
        return f"{rule.format(p='TCP')} && {rule.format(p='UDP')}"
    if system == "Darwin":
        line = (
            f"echo 'block in quick on ! lo0 proto {{tcp, udp}} to any port "
            f"{FIRST}:{LAST}' | sudo pfctl -ef -"
        )
        return _(
            "{command}  (replaces other pf rules; put the quoted line into "
            "/etc/pf.conf to keep it)"
        ).format(command=line)
    if "ufw" in programs:
        both = " && ".join(
            f"sudo ufw deny in proto {p} to any port {FIRST}:{LAST}"
            for p in ("tcp", "udp")
        )
        return both + " && sudo ufw enable"
    if "firewall-cmd" in programs:
        return (
            "sudo firewall-cmd --permanent --add-rich-rule='rule port port="
            f"{span} protocol=tcp drop' && sudo firewall-cmd --permanent "
            f"--add-rich-rule='rule port port={span} protocol=udp drop' && sudo "
            "firewall-cmd --reload"
        )
    return (
        "sudo nft add table inet gaze && sudo nft 'add chain inet gaze in { type "
        "filter hook input priority 0; }' && sudo nft add rule inet gaze in iifname "
        f"!= lo tcp dport {span} drop && sudo nft add rule inet gaze in iifname != lo "
        f"udp dport {span} drop"
    )
