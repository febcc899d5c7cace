"""Feed damaged files to geomcheck and see that each is refused or read for what it is.

    python scripts/fuzz.py                       2000 inputs of each kind
    python scripts/fuzz.py --count 20000 --seed 3 stl-binary project
    python scripts/fuzz.py --again project/3/17  one input once more, with its traceback

A fault is any crash, exception without a message of ours, time over --seconds, memory over
--memory, or an input that was taken in with something of it lost. Every input has a name,
KIND/SEED/NUMBER, from which it can be made again; inputs of faults are kept in --keep. Each kind
runs in a process of its own, which is ended and begun again after a hang or a crash.
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import os
import random
import resource
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from fuzzing import gated, meshes, projects, rechecked, results
from fuzzing.judged import FaultError

Target = tuple[Callable[[random.Random], tuple[str, bytes]], Callable[[Path, bytes], str]]


def _mesh(name: str) -> Target:
    return (lambda rng: meshes.make(rng, name), meshes.judge)


def targets() -> dict[str, Target]:
    """How to make an input of each kind, and how to judge it."""
    return {name: _mesh(name) for name in meshes.SEEDS} | {
        "project": (projects.make_text, projects.judge),
        "tables": (projects.make_tables, projects.judge),
        "gate": (gated.make, gated.judge),
        "verify": (rechecked.make, rechecked.judge),
        "result": (results.make_result, results.judge_result),
        "baseline": (results.make_baseline, results.judge_baseline),
    }


def one(kind: str, seed: int, number: int, folder: Path) -> str:
    """Make an input, feed it, and say what became of it."""
    make, judge = targets()[kind]
    suffix, content = make(random.Random(f"{kind}/{seed}/{number}"))
    file = folder / f"input{suffix}"
    file.write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return judge(file, content)


def _warm(kind: str, folder: Path) -> None:
    """Feed an undamaged input, so that what has to be compiled is, before time is taken."""
    suffix, content = meshes.SEEDS.get(kind, (".toml", gated.PLAIN))
    if kind in meshes.SEEDS or kind in ("gate", "verify"):
        file = folder / f"input{suffix}"
        file.write_bytes(content)
        said = targets()[kind][1](file, content)
        if said not in ("read, the same shape", "passed, all answered"):
            raise FaultError(f"undamaged, yet {said}")


def _work(kind: str, seed: int, begin: int, end: int, folder: str, memory: int, pipe: Any) -> None:
    _warm(kind, Path(folder))
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    for number in range(begin, end):
        pipe.send((number, None))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        try:
            said = one(kind, seed, number, Path(folder))
        except FaultError as fault:
            said = f"FAULT {fault}"
        except (Exception, SystemExit) as error:  # noqa: BLE001 - what else comes is a fault
            said = f"FAULT {type(error).__name__}: {str(error)[:200]}"
        grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
        if grown > 200_000:
            said = f"FAULT {grown // 1000} MB more memory; {said}"
        pipe.send((number, said))


def run(
    kind: str, seed: int, begin: int, count: int, seconds: float, memory: int, keep: Path
) -> tuple[collections.Counter[str], list[str]]:
    """Outcomes of a kind's inputs, counted, and the faults."""
    outcomes: collections.Counter[str] = collections.Counter()
    faults: list[str] = []
    context = multiprocessing.get_context("spawn")
    number, end = begin, begin + count
    with tempfile.TemporaryDirectory() as folder:
        while number < end:
            ours, theirs = context.Pipe(duplex=False)
            arguments = (kind, seed, number, end, folder, memory, theirs)
            worker = context.Process(target=_work, args=arguments)
            worker.start()
            theirs.close()
            allowed = 300.0  # to begin with, kernels may have to be compiled
            while number < end:
                said: str | None
                try:
                    if ours.poll(allowed):
                        number, said = ours.recv()
                    else:
                        said = f"FAULT no answer in {seconds:g} s"
                except EOFError:
                    worker.join(10)
                    said = f"FAULT the process ended ({worker.exitcode})"
                allowed = seconds
                if said is None:
                    continue
                name = f"{kind}/{seed}/{number}"
                if said.startswith("FAULT"):
                    faults.append(f"{name}: {said[6:]}")
                    _keep(Path(folder), keep, name)
                    outcomes["FAULT"] += 1
                else:
                    outcomes[said] += 1
                number += 1
                if said.startswith(("FAULT no answer", "FAULT the process")):
                    break
            if number < end:
                worker.kill()
            worker.join()
    return outcomes, faults


def _keep(folder: Path, keep: Path, name: str) -> None:
    keep.mkdir(parents=True, exist_ok=True)
    for file in folder.glob("input.*"):
        (keep / (name.replace("/", "-") + file.suffix)).write_bytes(file.read_bytes())


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("kinds", nargs="*", help=f"of: {', '.join(targets())}")
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--begin", type=int, default=0, help="number of the first input")
    parser.add_argument("--seconds", type=float, default=20.0, help="allowed for one input")
    parser.add_argument("--memory", type=float, default=4.0, help="GB a process may take")
    parser.add_argument("--keep", type=Path, default=Path("out/fuzz"))
    parser.add_argument("--again", metavar="KIND/SEED/NUMBER")
    given = parser.parse_args()
    if given.again:
        kind, seed, number = given.again.split("/")
        with tempfile.TemporaryDirectory() as folder:
            print(one(kind, int(seed), int(number), Path(folder)))
        return 0
    unknown = set(given.kinds) - set(targets())
    if unknown:
        parser.error(f"no such kind: {', '.join(sorted(unknown))}")
    os.nice(5)
    total = bad = 0
    for kind in given.kinds or targets():
        begun = time.monotonic()
        memory = int(given.memory * 2**30)
        outcomes, faults = run(
            kind, given.seed, given.begin, given.count, given.seconds, memory, given.keep
        )
        took = time.monotonic() - begun
        total += sum(outcomes.values())
        bad += len(faults)
        told = ", ".join(f"{n} {what}" for what, n in outcomes.most_common())
        print(f"{kind}: {told} ({took:.0f} s)", flush=True)
        for fault in faults[:20]:
            print(f"  {fault}", flush=True)
    print(f"{total} inputs, {bad} faults")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
