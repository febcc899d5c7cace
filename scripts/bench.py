"""Speed and memory against peer libraries, as ratios measured in one run.

    python scripts/bench.py                   everything
    python scripts/bench.py distance          one module of scripts/benchmarks
    python scripts/bench.py --quick distance  smaller sizes where the module has them

Needs the packages of the extra: pip install ".[bench]". A ratio above 1 means geomcheck is faster,
or needs less memory. Times are medians of repeated runs; each contestant runs in its own process.
"""

from __future__ import annotations

import argparse
import importlib
import os
import pkgutil
import platform
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import benchmarks
from benchmarks import Row


def modules() -> dict[str, object]:
    """Benchmark modules by their NAME."""
    found = {}
    for info in pkgutil.iter_modules(benchmarks.__path__):
        module = importlib.import_module(f"benchmarks.{info.name}")
        if hasattr(module, "NAME") and hasattr(module, "run"):
            found[module.NAME] = module
    return found


def _seconds(value: float | None) -> str:
    if value is None:
        return "-"
    return f"{value:.2f} s" if value >= 1.0 else f"{1e3 * value:.3g} ms"


def _memory(value: float | None) -> str:
    return "-" if value is None else f"{value / 1e6:.0f} MB"


def _ratio(ours: float | None, peer: float | None) -> str:
    if ours is None or peer is None or ours <= 0.0:
        return "-"
    return f"{peer / ours:.1f}"


def table(rows: list[Row]) -> str:
    """The rows as plain text, columns aligned."""
    lines = [
        ("what", "geomcheck", "peer", "its time", "faster", "memory", "its memory", "less", "")
    ]
    for row in rows:
        lines.append(
            (
                row.what,
                _seconds(row.ours),
                row.peer_name,
                _seconds(row.peer),
                _ratio(row.ours, row.peer),
                _memory(row.memory_ours),
                _memory(row.memory_peer),
                _ratio(row.memory_ours, row.memory_peer),
                row.note,
            )
        )
    widths = [max(len(line[k]) for line in lines) for k in range(len(lines[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )


def main() -> int:
    found = modules()
    parser = argparse.ArgumentParser(description="Measure geomcheck against peer libraries.")
    parser.add_argument("names", nargs="*", help=f"of {', '.join(found)}; all if none is given")
    parser.add_argument("--quick", action="store_true", help="smaller sizes, for a first look")
    given = parser.parse_args()
    unknown = [name for name in given.names if name not in found]
    if unknown:
        parser.error(f"no benchmark named {', '.join(unknown)}; there are {', '.join(found)}")
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores{load}")
    if given.quick:
        os.environ["GEOMCHECK_BENCH_QUICK"] = "1"
    missing: set[str] = set()
    for name in given.names or found:
        rows = found[name].run()
        print(f"\n{name}\n{table(rows)}")
        missing |= {row.peer_name for row in rows if row.missing}
    if missing:
        print(f"\nNot installed: {', '.join(sorted(missing))}. Install: pip install '.[bench]'")
    return 0


if __name__ == "__main__":
    sys.exit(main())
