"""Serves a file of cells to Net-SNMP's ``pass_persist`` (snmpd.conf(5)): PING, get, getnext on standard input.

Lines of the file: OID, type and value, separated by tabs; octet strings in hexadecimal. Run as a program of its own, so
it needs the standard library only.
"""

import bisect
import sys
from pathlib import Path


def arcs(oid: str) -> tuple[int, ...]:
    return tuple(int(arc) for arc in oid.strip(".").split("."))


def main(path: str) -> None:
    def load() -> tuple[list[tuple[int, ...]], dict[tuple[int, ...], tuple[str, str]]]:
        cells = {}
        for line in Path(path).read_text(encoding="ascii").splitlines():
            oid, kind, value = line.split("\t")
            cells[arcs(oid)] = (kind, value)
        return sorted(cells), cells

    order, cells = load()
    loaded = Path(path).stat().st_mtime_ns
    for line in sys.stdin:
        command = line.strip()
        if command == "PING":
            sys.stdout.write("PONG\n")
            sys.stdout.flush()
            continue
        if command not in ("get", "getnext"):
            return
        if (now := Path(path).stat().st_mtime_ns) != loaded:
            loaded, (order, cells) = now, load()
        wanted = arcs(sys.stdin.readline())
        if command == "getnext":
            at = bisect.bisect_right(order, wanted)
            found = order[at] if at < len(order) else None
        else:
            found = wanted if wanted in cells else None
        if found is None:
            sys.stdout.write("NONE\n")
            sys.stdout.flush()
            continue
        kind, value = cells[found]
        sys.stdout.write(f".{'.'.join(map(str, found))}\n{kind}\n{value}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1])
