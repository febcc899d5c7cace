"""Make an environment and check the demo:  python scripts/try.py

Needs Python 3.11 or later and nothing else. The demo has faults planted in it, so geomcheck ends
with exit code 1 there; this script ends with 0 when it did, and with another code otherwise.
"""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 - said before anything newer is imported
    sys.exit("geomcheck needs Python 3.11 or later; this is " + sys.version.split()[0] + ".")

import subprocess
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import environment

PROJECT = Path("meshes") / "demo" / "project.toml"
LATER = PROJECT.with_name("project_c.toml")
PAGE = Path("out") / "demo.html"
RESULT = Path("out") / "demo.json"

SOMETHING_FAILED = 1
MEANING = {
    0: "no fault was found, though the demo has some: this checkout is not as it should be.",
    2: "the project file or a mesh could not be used: is the checkout complete?",
    3: "nothing was checked.",
    4: "something could not be decided, which should not happen with the demo.",
}


def main() -> int:
    """Check the demo and tell what to look at."""
    python = environment.ready()
    (environment.ROOT / PAGE).parent.mkdir(exist_ok=True)
    command = [
        str(python), "-m", "geomcheck", "check", str(PROJECT),
        "--html", str(PAGE), "--json", str(RESULT),
    ]  # fmt: skip
    print(f"\n$ geomcheck {' '.join(command[3:])}", flush=True)
    print("(the first run compiles its kernels, which takes some seconds more)\n", flush=True)
    code = subprocess.run(
        command, cwd=environment.ROOT, stdin=subprocess.DEVNULL, check=False
    ).returncode
    print()
    if code != SOMETHING_FAILED:
        meaning = MEANING.get(code, "it was stopped before it was done.")
        print(f"geomcheck ended with exit code {code}, not 1: {meaning}", file=sys.stderr)
        return code or 5
    print(
        f"Exit code 1: requirements are not met. That is right here: the demo has faults planted\n"
        f"in it, listed in {Path('meshes') / 'README.md'}. Your own project ends with 0 when all "
        f"is well.\n\n"
        f"The page with pictures:  {(environment.ROOT / PAGE).as_uri()}\n"
        f"The same as JSON:        {environment.ROOT / RESULT}\n\n"
        f"That was revision B of the housing. Revision C has most of its own faults mended "
        f"and a new one:\n  {python.parent / 'geomcheck'} check {LATER}\n\n"
        f"For a project of your own:  {python.parent / 'geomcheck'} new FOLDER_OF_STL_FILES"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
