"""Compile the kernels of later questions in a second process while the first are answered.

Kernels are compiled when first used and then kept on disk. On a machine that has never run
geomcheck, as every fresh CI runner, that takes half a minute on one processor. So where the
compiled kernels of a room are not on disk yet, a second process puts that room to work on a box
and leaves them there. It says nothing and decides nothing: should it fail or come late, the run
compiles for itself.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

from geomcheck.project.load import Project

#: Kernel file whose presence on disk stands for the whole room's, by room.
_SIGN = {"flow": "sections", "movement": "moved"}


@contextmanager
def compiled_ahead(project: Project) -> Iterator[bool]:
    """Run a block while another process compiles what the project's later questions need.

    Parameters
    ----------
    project : Project
        Only rooms that it has questions for are compiled.

    Yields
    ------
    bool
        Whether another process compiles.
    """
    document = project.document
    # What the run comes to last is first.
    asked = {
        "flow": bool(document.ducts),
        "movement": bool(document.movements),
    }
    rooms = [room for room, wanted in asked.items() if wanted and not _on_disk(_SIGN[room])]
    if not rooms:
        yield False
        return
    helper = _start(rooms)
    try:
        yield helper is not None
    finally:
        if helper is not None:
            helper.terminate()
            helper.wait()


def _start(rooms: list[str]) -> subprocess.Popen[bytes] | None:
    """The second process, or none where the system gives no more."""
    try:
        return subprocess.Popen(
            [sys.executable, "-m", __name__, *rooms],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None


def _on_disk(name: str) -> bool:
    """Whether a kernel file's compiled code is on disk and not older than its text."""
    module = import_module(f"geomcheck.kernels.{name}")
    written = Path(str(module.__file__)).stat().st_mtime
    return any(index.stat().st_mtime >= written for index in _indexes(module))


def _indexes(module: ModuleType) -> Iterator[Path]:
    for kernel in vars(module).values():
        if hasattr(kernel, "stats"):
            folder = Path(kernel.stats.cache_path)
            stem = module.__name__.rpartition(".")[2]
            yield from folder.glob(f"{stem}.{kernel.__name__}-*.nbi")


def _movement() -> None:
    from geomcheck.fit.body import Body
    from geomcheck.fit.motion_gap import least_gap
    from geomcheck.fit.motion_kinds import box, turn

    still, moving = (Body.of(_block(x), sagitta=0.0) for x in (40.0, 0.0))
    least_gap(moving, still, box([turn((0, 0, 1), (0, 0, 0), -5.0, 5.0, "roll")]))


def _flow() -> None:
    import trimesh

    from geomcheck.flow.survey import duct_area

    bore = _block(0.0, 8.0)
    bore.invert()
    walls = trimesh.util.concatenate([_block(0.0), bore])
    duct_area(walls, [(0.0, 0.0, -7.0), (0.0, 0.0, 7.0)], obstacles=[_block(5.0, 2.0)])


def _block(x: float, half: float = 10.0) -> Any:
    import trimesh

    return trimesh.creation.box(bounds=[[x - half, -half, -half], [x + half, half, half]])


_ROOMS: dict[str, Callable[[], None]] = {"flow": _flow, "movement": _movement}


def main(rooms: Iterable[str]) -> None:
    """Put each room to work once."""
    for room in rooms:
        _ROOMS[room]()


if __name__ == "__main__":
    main(sys.argv[1:])
