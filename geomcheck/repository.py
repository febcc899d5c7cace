"""What Git knows of a project's files: which changed since a revision, and how they were then.

Git itself is asked, as a program. What a hook sets in the environment about its own repository
is not handed on: the repository is always that of the folder.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from geomcheck.errors import InputError


def changed_files(folder: Path, revision: str) -> frozenset[Path]:
    """Files of the repository about a folder that are not as they were in a revision.

    Parameters
    ----------
    folder : Path
    revision : str
        Anything Git takes for a commit: ``main``, ``HEAD~3``, a tag.

    Returns
    -------
    frozenset of Path
        Absolute, links resolved: changed, added (also where Git does not know them yet) and
        deleted files.

    Raises
    ------
    InputError
        Git is not installed, the folder is in no repository, or there is no such revision.
    """
    root = root_of(folder)
    commit = _commit(root, revision)
    changed = _git(root, "diff", "--name-only", "-z", "--no-renames", "--no-ext-diff", commit, "--")
    fresh = _git(root, "ls-files", "--others", "--exclude-standard", "-z")
    names = {name for name in (changed + fresh).split(b"\0") if name}
    return frozenset((root / os.fsdecode(name)).resolve() for name in names)


def root_of(folder: Path) -> Path:
    """Top of the repository a folder is in; see :func:`changed_files` for what it raises."""
    found = _git(folder, "rev-parse", "--show-toplevel")
    return Path(os.fsdecode(found.rstrip(b"\r\n"))).resolve()


def earlier(file: Path, most: int = 8) -> Iterator[bytes]:
    """What a file held in earlier commits, the last first; what it holds now is left out.

    Parameters
    ----------
    file : Path
    most : int
        Commits of it that are looked at.

    Raises
    ------
    InputError
        Git is not installed, or the file's folder is in no repository.
    """
    folder, name = file.resolve().parent, f"./{file.resolve().name}"
    commits = _git(folder, "log", f"--max-count={most}", "--format=%H", "--", name).split()
    now = file.read_bytes()
    for commit in commits:
        # A commit that took the file away has none.
        if _git(folder, "ls-tree", commit.decode("ascii"), "--", name):
            then = _git(folder, "cat-file", "blob", f"{commit.decode('ascii')}:{name}")
            if then != now:
                yield then


@contextmanager
def as_of(folder: Path, revision: str) -> Iterator[Path]:
    """The top of a repository as it was in a revision, in a folder of its own while it lasts.

    Files kept by Git's large-file extension are fetched where it is installed; where not, they
    are the pointers that stand in the commit, which a reader of meshes refuses.

    Parameters
    ----------
    folder : Path
        Any folder of the repository.
    revision : str

    Raises
    ------
    InputError
        As :func:`changed_files`, or there is no room to write the files.
    """
    root = root_of(folder)
    commit = _commit(root, revision)
    with TemporaryDirectory(prefix="geomcheck-") as place:
        tree = Path(place) / "tree"
        # Hooks are the owner's own programs: a look at the past must not set them off.
        _git(
            root, "-c", "core.hooksPath=/dev/null", "worktree", "add", "--detach", str(tree), commit
        )
        try:
            yield tree
        finally:
            _git(root, "worktree", "remove", "--force", str(tree))


def _commit(root: Path, revision: str) -> str:
    try:
        found = _git(
            root, "rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}"
        )
    except InputError as error:
        raise InputError(
            f"there is no revision {revision!r} in this repository",
            where=str(root),
            remedy="a CI server may have fetched one commit only: fetch the history first",
        ) from error
    return found.decode("ascii").strip()


def _git(folder: Path, *arguments: str) -> bytes:
    environment = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith("GIT_") or name.startswith(("GIT_CONFIG", "GIT_CEILING"))
    }
    environment["LC_ALL"] = "C"
    try:
        done = subprocess.run(
            ["git", "-C", str(folder), *arguments],
            capture_output=True,
            stdin=subprocess.DEVNULL,
            env=environment,
            check=False,
        )
    except FileNotFoundError as error:
        raise InputError(
            "Git is not installed, or not on the path", remedy="install Git, or leave it out"
        ) from error
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise InputError(
            said[-1] if said else f"git {arguments[0]} ended with {done.returncode}",
            where=str(folder),
            remedy="this question needs a Git repository about the project file",
        )
    return done.stdout
